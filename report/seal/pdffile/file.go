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
	"errors"
	"fmt"
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
		return nil, fmt.Errorf("the file is larger than %d MiB", MaxSize>>20)
	}
	if !bytes.HasPrefix(data, []byte("%PDF-1.")) && !bytes.HasPrefix(data, []byte("%PDF-2.")) {
		return nil, errors.New("this is not a PDF file")
	}
	f := &File{data: data, objects: map[int]place{}, cache: map[int]*indirect{}, nodes: maxNodes, left: 2*len(data) + 4096}
	at, err := lastTable(data)
	if err != nil {
		return nil, err
	}
	end := len(data)
	for {
		if len(f.Revisions) == maxRevisions {
			return nil, errors.New("the file was updated too often")
		}
		trailer, stop, err := f.table(at)
		if err != nil {
			return nil, err
		}
		if stop > end || len(f.Revisions) == 0 && stop != end {
			return nil, errors.New("the end of the file is not where its table says")
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
			return nil, errors.New("the chain of cross-reference tables is broken")
		}
		end, at = at, int(prev.Int)
	}
	for i, j := 0, len(f.Revisions)-1; i < j; i, j = i+1, j-1 {
		f.Revisions[i], f.Revisions[j] = f.Revisions[j], f.Revisions[i]
	}
	return f, nil
}

// lastTable reads where the last cross-reference table begins, from the last
// lines of the file.
func lastTable(data []byte) (int, error) {
	from := max(0, len(data)-64)
	i := bytes.LastIndex(data[from:], []byte("startxref"))
	if i < 0 {
		return 0, errors.New("the end of the file is missing or something was appended")
	}
	p := &parser{data: data, pos: from + i + len("startxref")}
	p.space()
	n, ok := p.digits()
	if !ok || n <= 0 || n >= int64(len(data)) {
		return 0, errors.New("the end of the file does not say where its table begins")
	}
	return int(n), nil
}

// table reads one cross-reference table with its trailer, and returns the
// length of the file up to its end-of-file mark.
func (f *File) table(at int) (trailer Object, end int, err error) {
	p := &parser{data: f.data, pos: at, nodes: &f.nodes, open: &f.open}
	defer func() { f.left -= p.pos - at }()
	if f.left < 0 {
		return trailer, 0, errTooMuch
	}
	if !p.word("xref") {
		return trailer, 0, errors.New("the cross-reference table is not where the file says (or is of a kind that certificates do not use)")
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
		return trailer, 0, errors.New("the trailer is missing")
	case trailer.Has("Encrypt"):
		return trailer, 0, errors.New("the file is encrypted")
	case trailer.Has("XRefStm"):
		return trailer, 0, errors.New("the file has two cross-reference tables at once")
	}
	p.space()
	if !p.word("startxref") {
		return trailer, 0, errors.New("the file ends after its trailer")
	}
	p.space()
	if n, ok := p.digits(); !ok || n != int64(at) {
		return trailer, 0, errors.New("a cross-reference table does not say where it stands")
	}
	for p.pos < len(p.data) && isSpace(p.data[p.pos]) {
		p.pos++
	}
	if !bytes.HasPrefix(p.data[p.pos:], []byte("%%EOF")) {
		return trailer, 0, errors.New("the end-of-file mark is missing")
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
	if !ok || !ok2 || first+count > maxObjects {
		return p.fail("the cross-reference table cannot be read")
	}
	p.space()
	for i := range int(count) {
		line := p.data[p.pos:]
		if len(line) < 20 {
			return p.fail("the cross-reference table ends too early")
		}
		q := &parser{data: line[:20]}
		offset, ok := q.digits()
		q.space()
		gen, ok2 := q.digits()
		q.space()
		if !ok || !ok2 || q.pos != 17 || gen > 65535 || !isSpace(line[18]) || !isSpace(line[19]) {
			return p.fail("the cross-reference table cannot be read")
		}
		pl := place{int(offset), int(gen)}
		switch line[17] {
		case 'n':
			if offset <= 0 || offset >= int64(len(p.data)) {
				return p.fail("the cross-reference table points outside the file")
			}
		case 'f':
			pl.offset = 0
		default:
			return p.fail("the cross-reference table cannot be read")
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

// object reads the numbered object.
func (f *File) object(num int) (*indirect, error) {
	if o, ok := f.cache[num]; ok {
		if o == nil {
			return nil, fmt.Errorf("object %d refers to itself", num)
		}
		return o, nil
	}
	pl, ok := f.objects[num]
	if !ok || pl.offset == 0 {
		return nil, fmt.Errorf("object %d is missing", num)
	}
	f.cache[num] = nil
	p := &parser{data: f.data, pos: pl.offset, nodes: &f.nodes, open: &f.open}
	defer func() { f.left -= p.pos - pl.offset }()
	if f.left < 0 {
		return nil, errTooMuch
	}
	n, ok := p.digits()
	p.space()
	g, ok2 := p.digits()
	p.space()
	if !ok || !ok2 || int(n) != num || int(g) != pl.gen || !p.word("obj") {
		return nil, fmt.Errorf("object %d is not where the table says", num)
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
		return nil, fmt.Errorf("object %d does not end", num)
	}
	o.end = p.pos
	f.cache[num] = o
	return o, nil
}

// stream reads the bytes of a stream whose dictionary was read.
func (f *File) stream(p *parser, o *indirect) error {
	if p.pos < len(p.data) && p.data[p.pos] == '\r' {
		p.pos++
	}
	if p.pos >= len(p.data) || p.data[p.pos] != '\n' {
		return p.fail("a stream does not begin on a new line")
	}
	p.pos++
	length, err := f.Resolve(o.value.Get("Length"))
	if err != nil {
		return err
	}
	if o.value.Kind != Dict || length.Kind != Integer || length.Int < 0 || length.Int > int64(len(p.data)-p.pos) {
		return p.fail("a stream has no usable length")
	}
	o.stream = p.data[p.pos : p.pos+int(length.Int) : p.pos+int(length.Int)]
	p.pos += int(length.Int)
	p.space()
	if !p.word("endstream") {
		return p.fail("a stream is longer than it says")
	}
	return nil
}

// Resolve follows a reference to its value; any other object is returned as it is.
func (f *File) Resolve(o Object) (Object, error) {
	if o.Kind != Ref {
		return o, nil
	}
	in, err := f.target(o)
	if err != nil {
		return Object{}, err
	}
	if in.value.Kind == Ref {
		return Object{}, fmt.Errorf("object %d is only a reference", in.num)
	}
	return in.value, nil
}

// target is the object that a reference names.
func (f *File) target(o Object) (*indirect, error) {
	if o.Kind != Ref {
		return nil, errors.New("a reference is missing")
	}
	in, err := f.object(int(o.Int))
	if err != nil {
		return nil, err
	}
	if in.gen != o.Gen {
		return nil, fmt.Errorf("object %d has another generation", in.num)
	}
	return in, nil
}

// Lookup walks down dictionaries by key from o, following references.
func (f *File) Lookup(o Object, keys ...string) (Object, error) {
	o, err := f.Resolve(o)
	for _, k := range keys {
		if err != nil {
			return Object{}, err
		}
		o, err = f.Resolve(o.Get(k))
	}
	return o, err
}

// catalog is the document catalog.
func (f *File) catalog() (*indirect, error) {
	in, err := f.target(f.Trailer.Get("Root"))
	if err != nil {
		return nil, fmt.Errorf("document catalog: %w", err)
	}
	if in.value.Kind != Dict || !in.value.Get("Type").IsName("Catalog") {
		return nil, errors.New("the document catalog is missing")
	}
	return in, nil
}
