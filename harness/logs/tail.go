package logs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/text/transform"

	"proveout/harness/reading"
)

// A Tail reads a log that another program is still writing. It looks at the
// file by its size, so it works over a share too, and it takes whole lines
// only: a half-written one waits for its end. A file that was cut, replaced or
// renamed away is begun anew from its first line.
//
// It is for looking on: bad rows are counted and never end it. The evidence is
// the file, imported when it is complete.
type Tail struct {
	path  string
	given Map
	each  func(reading.Row) error
	kept  func(part int, b []byte) error

	Hints Hints // what a person says of the log

	offset int64  // bytes of the file taken
	head   []byte // its first bytes, to know it by
	last   []byte // the bytes before offset, for the same
	wait   []byte // bytes of a log whose header is not complete
	part   int    // files begun, from 1; 0 before the first byte
	flow   *tailFlow
	asked  *Open // why it is not known how the log is read, where a person can say it
}

// A tailFlow is one file of a tail once its map is known.
type tailFlow struct {
	log  *log
	text bytes.Buffer // decoded, behind the last whole line
	into io.Writer    // decodes into text
}

// A TailState is what a poll found.
type TailState struct {
	Grown   bool   // bytes came in
	Part    int    // which file it is, from 1; 0 while there is none
	Rows    int64  // of this file
	Bad     int64  // rows set aside, of this file
	LastBad string // the newest of them
	Waiting string // why no row can be read yet; empty once one can
}

const (
	tailPiece = 1 << 20 // bytes taken at a poll, so that each is short
	tailHead  = 256
	tailLast  = 64
	tailSniff = 32 << 10 // bytes after which a log must have shown what it is
)

// NewTail begins to follow the file at path, which need not be there yet. A map
// without a format is sniffed once the header is there. Rows go to each; the
// bytes of each file begun go to kept, which may be nil.
func NewTail(path string, m Map, each func(reading.Row) error, kept func(part int, b []byte) error) *Tail {
	return &Tail{path: path, given: m, each: each, kept: kept}
}

// Part returns the number of the file that is being read, from 1; 0 before the
// first byte.
func (t *Tail) Part() int { return t.part }

// Map returns the map the log is read with; false while it is not known.
func (t *Tail) Map() (Map, bool) {
	if t.flow == nil {
		return Map{}, false
	}
	return t.flow.log.m, true
}

// Poll takes what has been written since the last poll, at most 1 MiB.
func (t *Tail) Poll() (TailState, error) {
	var st TailState
	f, err := os.Open(t.path)
	if errors.Is(err, fs.ErrNotExist) {
		st.Waiting = filepath.Base(t.path) + " is not there yet"
		return t.state(st), nil
	}
	if err != nil {
		return st, fmt.Errorf("following the log: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return st, fmt.Errorf("following the log: %w", err)
	}
	if !info.Mode().IsRegular() {
		return st, fmt.Errorf("%s is not a regular file", t.path)
	}
	if t.part > 0 && t.replaced(f, info.Size()) {
		t.begin()
	}
	fresh := make([]byte, min(max(info.Size()-t.offset, 0), tailPiece))
	n, err := f.ReadAt(fresh, t.offset)
	if err != nil && err != io.EOF {
		return st, fmt.Errorf("following %s: %w", filepath.Base(t.path), err)
	}
	if fresh = t.settled(fresh[:n]); len(fresh) > 0 {
		st.Grown = true
		if err := t.take(fresh); err != nil {
			return st, err
		}
	}
	return t.state(st), nil
}

func (t *Tail) begin() {
	t.offset, t.head, t.last, t.wait, t.flow = 0, nil, nil, nil, nil
	t.part++
}

// replaced reports whether the file is no longer the one that was followed: it
// is shorter, or its bytes are others. Names and inode numbers say nothing on a
// share.
func (t *Tail) replaced(f io.ReaderAt, size int64) bool {
	if size < t.offset {
		return true
	}
	same := func(at int64, want []byte) bool {
		got := make([]byte, len(want))
		n, err := f.ReadAt(got, at)
		return (err == nil || err == io.EOF) && bytes.Equal(got[:n], want)
	}
	return !same(0, t.head) || !same(t.offset-int64(len(t.last)), t.last)
}

// settled leaves out zeros at the end: a share shows them where bytes have been
// announced and not yet sent.
func (t *Tail) settled(b []byte) []byte {
	if t.wide(b) {
		return b
	}
	if i := bytes.IndexByte(b, 0); i >= 0 {
		return b[:i]
	}
	return b
}

// wide reports whether the log is UTF-16, where zeros are usual.
func (t *Tail) wide(b []byte) bool {
	e := t.given.Encoding
	switch {
	case t.flow != nil:
		e = t.flow.log.m.Encoding
	case e == "":
		e = detectEncoding(append(bytes.Clone(t.wait), b...))
	}
	return e.wide()
}

func (t *Tail) take(fresh []byte) error {
	if t.part == 0 {
		t.part = 1
	}
	t.offset += int64(len(fresh))
	if room := tailHead - len(t.head); room > 0 {
		t.head = append(t.head, fresh[:min(room, len(fresh))]...)
	}
	t.last = append(t.last, fresh...)
	t.last = bytes.Clone(t.last[max(0, len(t.last)-tailLast):])
	if t.kept != nil {
		if err := t.kept(t.part, fresh); err != nil {
			return fmt.Errorf("keeping a copy of %s: %w", filepath.Base(t.path), err)
		}
	}
	if t.flow != nil {
		return t.read(fresh)
	}
	t.wait = append(t.wait, fresh...)
	flow, err := t.open()
	t.asked = nil
	if err != nil {
		errors.As(err, &t.asked)
		if len(t.wait) > tailSniff {
			return err
		}
		return nil
	}
	t.flow = flow
	raw := t.wait
	t.wait = nil
	return t.read(raw)
}

// open finds the map of the log from what has come in, once its header and a
// row are whole.
func (t *Tail) open() (*tailFlow, error) {
	name := filepath.Base(t.path)
	m := t.given
	sniffed := m.Format == ""
	if sniffed || m.isOpen() {
		whole := t.wait
		if !t.wide(nil) {
			whole = whole[:bytes.LastIndexByte(whole, '\n')+1]
		}
		var err error
		if m, err = settled(name, sample{bytes: whole, whole: false}, m, t.Hints); err != nil {
			return nil, err
		}
		if rows := bytes.Count(t.wait, []byte{'\n'}) - m.Header - m.Skip; sniffed && rows < 2 {
			return nil, errors.New(name + " has too few rows yet to be understood")
		}
	}
	l, err := newLog(name, m, t.each)
	if err != nil {
		return nil, err
	}
	l.m.MaxBad = 100
	flow := &tailFlow{log: l}
	flow.into = &flow.text
	if l.m.Encoding != UTF8 {
		flow.into = transform.NewWriter(&flow.text, l.m.Encoding.decoder())
	}
	return flow, nil
}

// read decodes bytes and gives their whole lines on.
func (t *Tail) read(raw []byte) error {
	w := t.flow
	if _, err := w.into.Write(raw); err != nil {
		return fmt.Errorf("following %s: %w", w.log.name, err)
	}
	for {
		end := bytes.IndexByte(w.text.Bytes(), '\n') + 1
		if end == 0 {
			break
		}
		if err := w.log.take(trimEnd(w.text.Next(end))); err != nil {
			return err
		}
	}
	if w.text.Len() > longest {
		return tooLong(w.log.name, w.log.line+1)
	}
	return nil
}

func (t *Tail) state(st TailState) TailState {
	st.Part = t.part
	if t.flow == nil || t.flow.log.cutter == nil {
		if st.Waiting == "" && t.asked != nil {
			st.Waiting = t.asked.Error()
		}
		if st.Waiting == "" {
			st.Waiting = filepath.Base(t.path) + " has no complete header and row yet"
		}
		return st
	}
	l := t.flow.log
	st.Rows, st.Bad = l.count, l.aside.Bad
	if l.aside.Bad > 0 {
		st.LastBad = l.aside.newest.problem(l.name).Error()
	}
	return st
}
