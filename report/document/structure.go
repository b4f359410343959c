package document

import (
	"bytes"
	"cmp"
	"fmt"
	"proveout/report/seal/pdffile"
	"slices"
	"strconv"
	"strings"
)

// finish completes the file that the writer made: the catalog gets the
// language, asks readers to show the title and names the structure; the pages
// get their places in it. The writer's file is plain (one cross-reference
// table, every object once).
func finish(pdf []byte, language string, t *tags) ([]byte, error) {
	f, ok := takeApart(pdf)
	if !ok {
		return nil, errHidden
	}
	f.insert("/Type /Catalog\n", fmt.Sprintf("/Lang (%s)\n/ViewerPreferences <</DisplayDocTitle true>>\n", language))
	if len(t.all) <= mostElements {
		f.structure(t)
	}
	return f.bytes(), nil
}

// A plainFile is a PDF taken apart into its objects.
type plainFile struct {
	head    []byte // up to the first object
	objects []object
	trailer []byte // its entries, without the size
}

type object struct {
	num  int
	text []byte // from its number to "endobj"
}

// takeApart reads a file with one cross-reference table (ISO 32000-1, 7.5.4).
func takeApart(pdf []byte) (*plainFile, bool) {
	const tail = "\nstartxref\n"
	end := bytes.LastIndex(pdf, []byte(tail))
	if end < 0 {
		return nil, false
	}
	var at int
	if n, err := fmt.Sscanf(string(pdf[end+len(tail):]), "%d", &at); n != 1 || err != nil || at <= 0 || at >= end {
		return nil, false
	}
	var n int
	if k, err := fmt.Sscanf(string(pdf[at:min(at+30, end)]), "xref\n0 %d\n", &n); k != 1 || err != nil || n < 2 {
		return nil, false
	}
	table := at + len(fmt.Sprintf("xref\n0 %d\n", n))
	mark := []byte("trailer\n<<\n/Size " + strconv.Itoa(n) + "\n")
	if table+20*n > end || !bytes.HasPrefix(pdf[table+20*n:], mark) {
		return nil, false
	}
	type place struct{ num, at int }
	var places []place
	for i := 1; i < n; i++ {
		offset, err := strconv.Atoi(string(pdf[table+20*i : table+20*i+10]))
		if err != nil || offset <= 0 || offset >= at {
			return nil, false
		}
		places = append(places, place{i, offset})
	}
	slices.SortFunc(places, func(a, b place) int { return cmp.Compare(a.at, b.at) })
	f := &plainFile{head: pdf[:places[0].at], trailer: pdf[table+20*n+len(mark) : end]}
	for i, p := range places {
		next := at
		if i+1 < len(places) {
			next = places[i+1].at
		}
		text := pdf[p.at:next]
		if !bytes.HasPrefix(text, fmt.Appendf(nil, "%d 0 obj\n", p.num)) {
			return nil, false
		}
		f.objects = append(f.objects, object{p.num, text})
	}
	return f, true
}

// insert writes entries behind a mark that only one object has in its
// dictionary, or that of a page.
func (f *plainFile) insert(mark, entries string) {
	for i := range f.objects {
		o := &f.objects[i]
		head := o.text[:min(len(o.text), 60)]
		if at := bytes.Index(head, []byte(mark)); at >= 0 {
			o.put(at+len(mark), entries)
			return
		}
	}
}

func (o *object) put(at int, entries string) {
	o.text = slices.Concat(o.text[:at], []byte(entries), o.text[at:])
}

// bytes puts the file together.
func (f *plainFile) bytes() []byte {
	var b bytes.Buffer
	b.Write(f.head)
	offsets := make([]int, len(f.objects)+1)
	for _, o := range f.objects {
		offsets[o.num] = b.Len()
		b.Write(o.text)
	}
	at := b.Len()
	fmt.Fprintf(&b, "xref\n0 %d\n0000000000 65535 f \n", len(offsets))
	for _, o := range offsets[1:] {
		fmt.Fprintf(&b, "%010d 00000 n \n", o)
	}
	fmt.Fprintf(&b, "trailer\n<<\n/Size %d\n%s\nstartxref\n%d\n%%%%EOF\n", len(offsets), f.trailer, at)
	return b.Bytes()
}

// structure adds the structure tree (14.7), the tree that leads from content to
// its element (14.7.4.4), and to each page its key in that.
func (f *plainFile) structure(t *tags) {
	const mark = " 0 obj\n<</Type /Page\n"
	var pages []int
	for i := range f.objects {
		o := &f.objects[i]
		lead := strconv.Itoa(o.num) + mark
		if bytes.HasPrefix(o.text, []byte(lead)) {
			entries := "/Tabs /S\n"
			if n := len(pages); n < len(t.pages) && len(t.pages[n]) > 0 {
				entries = fmt.Sprintf("/StructParents %d\n", n) + entries
			}
			o.put(len(lead), entries)
			pages = append(pages, o.num)
		}
	}
	root := len(f.objects) + 1
	for i, e := range t.all {
		e.num = root + 2 + i
	}
	f.add(root, fmt.Sprintf(
		"<</Type /StructTreeRoot /K %d 0 R /ParentTree %d 0 R /ParentTreeNextKey %d>>",
		t.root.num, root+1, len(pages)))
	var nums strings.Builder
	for i, owners := range t.pages {
		if len(owners) == 0 {
			continue
		}
		fmt.Fprintf(&nums, "%d [", i)
		for _, e := range owners {
			fmt.Fprintf(&nums, "%d 0 R ", e.num)
		}
		nums.WriteString("]\n")
	}
	f.add(root+1, "<</Nums [\n"+nums.String()+"]>>")
	for _, e := range t.all {
		f.add(e.num, e.source(root, pages))
	}
	f.insert("/Type /Catalog\n", fmt.Sprintf("/MarkInfo <</Marked true>>\n/StructTreeRoot %d 0 R\n", root))
}

func (f *plainFile) add(num int, dict string) {
	f.objects = append(f.objects, object{num, []byte(strconv.Itoa(num) + " 0 obj\n" + dict + "\nendobj\n")})
}

// source writes the dictionary of an element (14.7.2, table 323). Content that
// stands on the same page as the first of it is named by its number alone.
func (e *element) source(root int, pages []int) string {
	above := root
	if e.above != nil {
		above = e.above.num
	}
	page, kids := 0, make([]string, 0, len(e.kids))
	for _, k := range e.kids {
		switch {
		case k.element != nil:
			kids = append(kids, strconv.Itoa(k.element.num)+" 0 R")
			continue
		case page == 0:
			page = k.page
		}
		if k.page == page {
			kids = append(kids, strconv.Itoa(k.mcid))
		} else {
			kids = append(kids, fmt.Sprintf("<</Type /MCR /Pg %d 0 R /MCID %d>>", pages[k.page-1], k.mcid))
		}
	}
	s := fmt.Sprintf("<</S /%s /P %d 0 R", e.role, above)
	if page > 0 {
		s += fmt.Sprintf(" /Pg %d 0 R", pages[page-1])
	}
	if e.alt != "" {
		s += " /Alt " + pdffile.TextString(e.alt)
	}
	if e.attr != "" {
		s += " /A <<" + e.attr + ">>"
	}
	if b := e.box; b != nil {
		s += fmt.Sprintf(" /A <</O /Layout /Placement /Block /BBox [%.2f %.2f %.2f %.2f]>>", b.x0, b.y0, b.x1, b.y1)
	}
	switch len(kids) {
	case 0:
	case 1:
		s += " /K " + kids[0]
	default:
		s += " /K [" + strings.Join(kids, " ") + "]"
	}
	return s + ">>"
}
