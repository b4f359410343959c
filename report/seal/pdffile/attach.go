package pdffile

import (
	"bytes"
	"compress/zlib"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"proveout/plans/fact"
)

// An Attachment is a file that travels inside the PDF.
type Attachment struct {
	Name        string // file name without folders
	Description string
	Type        string // media type, e.g. "application/json"
	Relation    Relation
	Data        []byte

	packed []byte // as stored in the file it was read from
}

// A Relation says what an attachment is to the pages (ISO 32000-2, 7.11.3,
// table 43, AFRelationship).
type Relation string

const (
	Source Relation = "Source" // what the pages were made from
	Data   Relation = "Data"   // what a table or a figure was made from
)

const (
	maxAttachments = 64
	maxUnpacked    = 32 << 20 // bytes of all attachments together
)

func (a Attachment) check() error {
	switch {
	case a.Name == "" || len(a.Name) > 200 || !utf8.ValidString(a.Name) || strings.ContainsAny(a.Name, `/\`):
		return fmt.Errorf("attachment name %q: write a file name of at most 200 bytes, without folders", a.Name)
	case strings.ContainsFunc(a.Name, unicode.IsControl):
		return fmt.Errorf("attachment name %q: holds a control character", a.Name)
	case !utf8.ValidString(a.Description):
		return fmt.Errorf("attachment %q: the description is not UTF-8", a.Name)
	case a.Relation != Source && a.Relation != Data:
		return fmt.Errorf("attachment %q: unknown relation %q", a.Name, a.Relation)
	}
	kind, sub, ok := strings.Cut(a.Type, "/")
	const plain = "abcdefghijklmnopqrstuvwxyz0123456789+.-"
	odd := func(r rune) bool { return !strings.ContainsRune(plain, r) }
	if !ok || kind == "" || sub == "" || len(a.Type) > 100 || strings.ContainsFunc(kind+sub, odd) {
		return fmt.Errorf("attachment %q: write the media type in small letters, as in \"application/json\"", a.Name)
	}
	return nil
}

// Attach appends files to a PDF that has no attachments yet and nothing else that
// is reached by name, as an incremental update: the bytes of pdf stay as they
// are, in front. The same input gives the same output. An empty name tree, as
// some PDF writers leave one, is replaced.
func Attach(pdf []byte, files []Attachment) ([]byte, error) {
	if len(files) == 0 || len(files) > maxAttachments {
		return nil, fmt.Errorf("%d attachments: give 1 to %d", len(files), maxAttachments)
	}
	u, err := newUpdate(pdf)
	if err != nil {
		return nil, err
	}
	f, catalog := u.f, u.catalog.value
	if err := f.unnamed(catalog); err != nil {
		return nil, err
	}
	type leaf struct {
		name string
		num  int
	}
	var leaves []leaf
	var af strings.Builder
	for _, a := range files {
		if err := a.check(); err != nil {
			return nil, err
		}
		if slices.ContainsFunc(leaves, func(l leaf) bool { return l.name == a.Name }) {
			return nil, fmt.Errorf("attachment name %q: stands twice", a.Name)
		}
		n, err := u.attach(a)
		if err != nil {
			return nil, err
		}
		leaves = append(leaves, leaf{a.Name, n})
		fmt.Fprintf(&af, " %d 0 R", n)
	}
	// a name tree is sorted by the bytes of its keys (ISO 32000-1, 7.9.6)
	slices.SortFunc(leaves, func(a, b leaf) int { return bytes.Compare(textBytes(a.name), textBytes(b.name)) })
	var tree strings.Builder
	for _, l := range leaves {
		fmt.Fprintf(&tree, " %s %d 0 R", TextString(l.name), l.num)
	}
	drop := []string{"AF", "Names", "Version", "PageMode"}
	add := fmt.Sprintf("/Version /1.7\n/AF [%s]\n/Names << /EmbeddedFiles << /Names [%s] >> >>\n",
		af.String(), tree.String())
	if mode := catalog.Get("PageMode"); mode.Kind == Name && !mode.isName("UseAttachments") {
		add += "/PageMode " + f.source(mode) + "\n"
	}
	u.replace(u.catalog, f.edit(catalog, drop, add))
	return u.bytes(), nil
}

// unnamed refuses a file in which anything is reached by name: attachments, and
// scripts too.
func (f *File) unnamed(catalog Object) error {
	names, err := f.lookup(catalog, "Names")
	if err != nil {
		return err
	}
	files, err := f.lookup(names, "EmbeddedFiles")
	if err != nil {
		return err
	}
	list := files.Get("Names")
	switch {
	case catalog.has("AF") || files.has("Kids") || len(list.Items) > 0 || list.Kind == Ref:
		return errors.New("the file has attachments already")
	case slices.ContainsFunc(names.Entries, func(e Entry) bool { return e.Key != "EmbeddedFiles" }):
		return errors.New("the file has more in it than pages: scripts, or places with names")
	}
	return nil
}

// attach appends the two objects of an attachment and returns the number of its
// file specification.
func (u *update) attach(a Attachment) (int, error) {
	packed := a.packed
	if packed == nil {
		var err error
		if packed, err = pack(a.Data); err != nil {
			return 0, err
		}
	}
	kind := strings.ReplaceAll(a.Type, "/", "#2F")
	file := u.add(fmt.Sprintf("<< /Type /EmbeddedFile /Subtype /%s /Filter /FlateDecode /Length %d "+
		"/Params << /Size %d >> >>", kind, len(packed), len(a.Data)), packed)
	desc := ""
	if a.Description != "" {
		desc = " /Desc " + TextString(a.Description)
	}
	return u.add(fmt.Sprintf("<< /Type /Filespec /F %s /UF %s%s /AFRelationship /%s /EF << /F %d 0 R /UF %d 0 R >> >>",
		TextString(ascii(a.Name)), TextString(a.Name), desc, a.Relation, file, file), nil), nil
}

// ascii is a file name for readers that know no Unicode.
func ascii(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r > 126 {
			return '_'
		}
		return r
	}, s)
}

// pack deflates at the usual level: the best one takes eight times as long for a
// thirtieth less.
func pack(data []byte) ([]byte, error) {
	var b bytes.Buffer
	w := zlib.NewWriter(&b)
	if _, err := w.Write(data); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// inflate unpacks as many bytes as are left of an allowance, and refuses anything
// behind the packed data.
func inflate(packed []byte, left *int64) ([]byte, error) {
	src := bytes.NewReader(packed)
	var b bytes.Buffer
	r, err := zlib.NewReader(src)
	if err == nil {
		var n int64
		n, err = io.Copy(&b, io.LimitReader(r, *left+1))
		*left -= n
	}
	if err != nil || *left < 0 || src.Len() != 0 {
		return nil, fact.New("pdffile.stream-size").Err()
	}
	return b.Bytes(), nil
}

// Attachments reads the attached files, in the order in which they were given
// to [Attach]. Whether the name tree lists the same is not asked here: it does
// when attaching them again gives the same file.
func (f *File) Attachments() ([]Attachment, error) {
	cat, err := f.catalog()
	if err != nil {
		return nil, err
	}
	af, err := f.resolve(cat.value.Get("AF"))
	if err != nil {
		return nil, err
	}
	if af.Kind != Array {
		return nil, fact.New("pdffile.attachments-in-doubt").Err()
	}
	if len(af.Items) > maxAttachments {
		return nil, fact.New("pdffile.too-many-attachments").Err()
	}
	var out []Attachment
	for _, ref := range af.Items {
		a, err := f.attachment(ref)
		if err != nil {
			return nil, fact.New("pdffile.attachment", "name", strconv.Quote(a.Name), "why", fact.Why(err)).Err()
		}
		out = append(out, a)
	}
	return out, nil
}

func (f *File) attachment(ref Object) (Attachment, error) {
	spec, err := f.target(ref)
	if err != nil {
		return Attachment{}, err
	}
	a := Attachment{
		Name:        spec.value.Get("UF").textString(),
		Description: spec.value.Get("Desc").textString(),
		Relation:    Relation(spec.value.Get("AFRelationship").Text),
	}
	file, err := f.target(spec.value.Get("EF").Get("F"))
	if err != nil {
		return a, err
	}
	a.Type = string(file.value.Get("Subtype").Text)
	size := file.value.Get("Params").Get("Size")
	switch {
	case file.stream == nil || !file.value.Get("Filter").isName("FlateDecode"):
		return a, fact.New("pdffile.attachment-otherwise").Err()
	case size.Kind != Integer || size.Int < 0 || size.Int > f.unpacked:
		return a, fact.New("pdffile.attachment-too-large").Err()
	}
	f.unpacked -= size.Int
	a.packed = file.stream
	left := size.Int
	a.Data, err = inflate(file.stream, &left)
	switch {
	case err != nil:
		return a, err
	case left != 0:
		return a, fact.New("pdffile.stream-size").Err()
	case a.check() != nil:
		return a, fact.New("pdffile.attachment-otherwise").Err()
	}
	return a, nil
}
