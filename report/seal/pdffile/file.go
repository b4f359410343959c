// Package pdffile reads the part of PDF that certificates are written in, and
// appends to such files: attachments, and the place for a signature.
//
// The bytes of a file come in; objects, or a longer file, go out. It reads
// cross-reference tables and not cross-reference streams, opens no encrypted
// file, draws nothing, and leaves every byte it was given as it was. Any input
// is refused or read within fixed bounds of time and memory. It knows nothing
// of keys and signatures beyond where they stand.
//
// Source: ISO 32000-1:2008, sections 7.3 (objects), 7.5 (file structure),
// 7.5.6 (incremental updates), 7.11 (file specifications), 12.8 (signatures).
package pdffile

import (
	"bytes"
	"maps"
	"slices"

	"proveout/plans/fact"
)

const (
	// MaxSize is the size in bytes above which a file is not looked at.
	MaxSize      = 16 << 20
	maxRevisions = 64
	maxObjects   = 50000
)

// A File is a PDF file that was opened for reading.
type File struct {
	// Trailer is the newest trailer dictionary.
	Trailer Object
	// Revisions are the states the file went through, the oldest first.
	Revisions []Revision

	data    []byte
	objects map[int]place
	cache   map[int]*indirect
	open    open
	nodes   int // values that may still be read
	left    int // bytes that may still be read; parts of a file can overlap
	again   int // bytes that were read twice

	unpacked int64 // bytes of attachments that may still be unpacked
}

// A Revision is one state of a file that was updated by appending.
type Revision struct {
	XRef int // where its cross-reference table begins
	End  int // its length in bytes, end-of-file mark and its line end included
}

type place struct {
	offset int // 0 for a free number
	gen    int
}

type indirect struct {
	num, gen int
	value    Object
	stream   []byte // as stored; nil unless a stream
	end      int    // after "endobj"
}

// Read opens a file. It refuses whatever a certificate does not use, and
// whatever two readers could take in different ways.
func Read(data []byte) (*File, error) {
	if len(data) > MaxSize {
		return nil, fact.New("pdffile.too-large", "most", fact.In(MaxSize>>20, "MiB").Whole()).Err()
	}
	if !bytes.HasPrefix(data, []byte("%PDF-1.")) && !bytes.HasPrefix(data, []byte("%PDF-2.")) {
		return nil, fact.New("pdffile.not-pdf").Err()
	}
	f := newFile(data)
	if err := f.tables(); err != nil {
		return nil, err
	}
	return f, nil
}

func newFile(data []byte) *File {
	return &File{
		data: data, objects: map[int]place{}, cache: map[int]*indirect{},
		nodes: maxNodes, left: allowance(len(data)), unpacked: maxUnpacked,
	}
}

// allowance is how many bytes of a file may be read. An honest one is read about
// once; in another, parts may overlap.
func allowance(size int) int { return 2*size + 4096 }

// tables reads the chain of cross-reference tables, from the last one back.
func (f *File) tables() error {
	at, err := lastTable(f.data)
	if err != nil {
		return err
	}
	end := len(f.data)
	for {
		if len(f.Revisions) == maxRevisions {
			return fact.New("pdffile.too-many-updates").Err()
		}
		trailer, stop, err := f.table(at)
		if err != nil {
			return err
		}
		if stop > end || len(f.Revisions) == 0 && stop != end {
			return fact.New("pdffile.end-elsewhere").Err()
		}
		f.Revisions = append(f.Revisions, Revision{XRef: at, End: stop})
		if len(f.Revisions) == 1 {
			f.Trailer = trailer
		}
		prev := trailer.Get("Prev")
		if prev.Kind == Null {
			break
		}
		if prev.Kind != Integer || prev.Int <= 0 || prev.Int >= int64(at) {
			return fact.New("pdffile.table-chain").Err()
		}
		end, at = at, int(prev.Int)
	}
	slices.Reverse(f.Revisions)
	return nil
}

// lastTable reads where the last cross-reference table begins, from the last
// lines of the file.
func lastTable(data []byte) (int, error) {
	from := max(0, len(data)-64)
	i := bytes.LastIndex(data[from:], []byte("startxref"))
	if i < 0 {
		return 0, fact.New("pdffile.no-end").Err()
	}
	p := &parser{data: data, pos: from + i + len("startxref")}
	p.space()
	n, ok := p.digits()
	if !ok || n <= 0 || n >= int64(len(data)) {
		return 0, fact.New("pdffile.no-table-place").Err()
	}
	return int(n), nil
}

// table reads one cross-reference table with its trailer, and returns the
// length of the file up to its end-of-file mark.
func (f *File) table(at int) (trailer Object, end int, err error) {
	p := f.parser(at)
	defer f.took(p, at)
	if f.left < 0 {
		return trailer, 0, errTooMuch
	}
	if !p.word("xref") {
		return trailer, 0, fact.New("pdffile.no-table").Err()
	}
	for {
		p.space()
		if p.word("trailer") {
			break
		}
		if err := f.section(p); err != nil {
			return trailer, 0, err
		}
	}
	if trailer, err = p.value(0); err != nil {
		return trailer, 0, err
	}
	switch {
	case trailer.Kind != Dict:
		return trailer, 0, fact.New("pdffile.no-trailer").Err()
	case trailer.has("Encrypt"):
		return trailer, 0, fact.New("pdffile.encrypted").Err()
	case trailer.has("XRefStm"):
		return trailer, 0, fact.New("pdffile.two-tables").Err()
	}
	p.space()
	if !p.word("startxref") {
		return trailer, 0, fact.New("pdffile.no-end").Err()
	}
	p.space()
	if n, ok := p.digits(); !ok || n != int64(at) {
		return trailer, 0, fact.New("pdffile.table-elsewhere").Err()
	}
	for p.pos < len(p.data) && isSpace(p.data[p.pos]) {
		p.pos++
	}
	if !bytes.HasPrefix(p.data[p.pos:], []byte("%%EOF")) {
		return trailer, 0, fact.New("pdffile.no-mark").Err()
	}
	end = p.pos + len("%%EOF")
	if end < len(f.data) && f.data[end] == '\r' {
		end++
	}
	if end < len(f.data) && f.data[end] == '\n' {
		end++
	}
	return trailer, end, nil
}

// section reads one run of numbers of a cross-reference table. Tables are read
// from the newest to the oldest, so the first entry for a number counts.
func (f *File) section(p *parser) error {
	first, ok := p.digits()
	p.space()
	count, ok2 := p.digits()
	malformed := fact.New("pdffile.table-malformed", "at", p.pos).Err()
	if !ok || !ok2 || first+count > maxObjects {
		return malformed
	}
	p.space()
	for i := range int(count) {
		line := p.data[p.pos:]
		if len(line) < 20 {
			return malformed
		}
		q := &parser{data: line[:20]}
		offset, ok := q.digits()
		q.space()
		gen, ok2 := q.digits()
		q.space()
		if !ok || !ok2 || q.pos != 17 || gen > 65535 || !isSpace(line[18]) || !isSpace(line[19]) {
			return malformed
		}
		pl := place{int(offset), int(gen)}
		switch line[17] {
		case 'n':
			if offset <= 0 || offset >= int64(len(p.data)) {
				return fact.New("pdffile.table-outside").Err()
			}
		case 'f':
			pl.offset = 0
		default:
			return malformed
		}
		if num := int(first) + i; num > 0 {
			if _, newer := f.objects[num]; !newer {
				f.objects[num] = pl
			}
		}
		p.pos += 20
	}
	return nil
}

// parser reads from a place in the file.
func (f *File) parser(at int) *parser {
	return &parser{data: f.data, pos: at, nodes: &f.nodes, open: &f.open}
}

// took notes what a parser read from a place on.
func (f *File) took(p *parser, from int) {
	f.left -= p.pos - from
	f.again += p.again
}

// object reads the numbered object.
func (f *File) object(num int) (*indirect, error) {
	if o, ok := f.cache[num]; ok {
		if o == nil {
			return nil, fact.New("pdffile.object-itself", "object", num).Err()
		}
		return o, nil
	}
	pl, ok := f.objects[num]
	if !ok || pl.offset == 0 {
		return nil, fact.New("pdffile.object-missing", "object", num).Err()
	}
	f.cache[num] = nil
	p := f.parser(pl.offset)
	defer f.took(p, pl.offset)
	if f.left < 0 {
		return nil, errTooMuch
	}
	n, ok := p.digits()
	p.space()
	g, ok2 := p.digits()
	p.space()
	if !ok || !ok2 || int(n) != num || int(g) != pl.gen || !p.word("obj") {
		return nil, fact.New("pdffile.object-elsewhere", "object", num).Err()
	}
	o := &indirect{num: num, gen: pl.gen}
	var err error
	if o.value, err = p.value(0); err != nil {
		return nil, err
	}
	p.space()
	if p.word("stream") {
		if err := f.stream(p, o); err != nil {
			return nil, err
		}
	}
	p.space()
	if !p.word("endobj") {
		return nil, fact.New("pdffile.object-malformed", "object", num).Err()
	}
	o.end = p.pos
	f.cache[num] = o
	return o, nil
}

// each reads all objects, in the order of their numbers.
func (f *File) each(use func(*indirect)) error {
	for _, num := range slices.Sorted(maps.Keys(f.objects)) {
		if f.objects[num].offset == 0 {
			continue
		}
		in, err := f.object(num)
		if err != nil {
			return err
		}
		use(in)
	}
	return nil
}

// stream reads the bytes of a stream whose dictionary was read.
func (f *File) stream(p *parser, o *indirect) error {
	if p.pos < len(p.data) && p.data[p.pos] == '\r' {
		p.pos++
	}
	if p.pos >= len(p.data) || p.data[p.pos] != '\n' {
		return p.malformed()
	}
	p.pos++
	wrongLength := fact.New("pdffile.stream-length", "at", p.pos).Err()
	length, err := f.resolve(o.value.Get("Length"))
	if err != nil {
		return err
	}
	if o.value.Kind != Dict || length.Kind != Integer || length.Int < 0 || length.Int > int64(len(p.data)-p.pos) {
		return wrongLength
	}
	o.stream = p.data[p.pos : p.pos+int(length.Int) : p.pos+int(length.Int)]
	p.pos += int(length.Int)
	p.space()
	if !p.word("endstream") {
		return wrongLength
	}
	return nil
}

// resolve follows a reference to its value; any other object is returned as it is.
func (f *File) resolve(o Object) (Object, error) {
	if o.Kind != Ref {
		return o, nil
	}
	in, err := f.target(o)
	if err != nil {
		return Object{}, err
	}
	if in.value.Kind == Ref {
		return Object{}, fact.New("pdffile.object-malformed", "object", in.num).Err()
	}
	return in.value, nil
}

// target is the object that a reference names.
func (f *File) target(o Object) (*indirect, error) {
	if o.Kind != Ref {
		return nil, fact.New("pdffile.no-reference").Err()
	}
	in, err := f.object(int(o.Int))
	if err != nil {
		return nil, err
	}
	if in.gen != o.Gen {
		return nil, fact.New("pdffile.object-malformed", "object", in.num).Err()
	}
	return in, nil
}

// lookup walks down dictionaries by key from o, following references.
func (f *File) lookup(o Object, keys ...string) (Object, error) {
	o, err := f.resolve(o)
	for _, k := range keys {
		if err != nil {
			return Object{}, err
		}
		o, err = f.resolve(o.Get(k))
	}
	return o, err
}

// catalog is the document catalog.
func (f *File) catalog() (*indirect, error) {
	in, err := f.target(f.Trailer.Get("Root"))
	if err != nil {
		return nil, err
	}
	if in.value.Kind != Dict || !in.value.Get("Type").isName("Catalog") {
		return nil, fact.New("pdffile.no-catalog").Err()
	}
	return in, nil
}

// pages are the pages in their order; there is at least one.
func (f *File) pages(catalog Object) ([]*indirect, error) {
	var pages []*indirect
	seen := map[int]bool{}
	var walk func(ref Object, depth int) error
	walk = func(ref Object, depth int) error {
		node, err := f.target(ref)
		if err != nil {
			return err
		}
		if seen[node.num] || depth > maxDepth {
			return fact.New("pdffile.page-tree").Err()
		}
		seen[node.num] = true
		if node.value.Get("Type").isName("Page") {
			pages = append(pages, node)
			return nil
		}
		kids, err := f.resolve(node.value.Get("Kids"))
		if err != nil {
			return err
		}
		for _, k := range kids.Items {
			if err := walk(k, depth+1); err != nil {
				return err
			}
		}
		return nil
	}
	if err := walk(catalog.Get("Pages"), 0); err != nil {
		return nil, err
	}
	if len(pages) == 0 {
		return nil, fact.New("pdffile.no-page").Err()
	}
	return pages, nil
}
