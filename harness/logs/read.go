package logs

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"

	"proveout/harness/reading"
)

// An Input is a log to be read.
type Input struct {
	Name   string // for messages
	Reader io.Reader
}

// A Summary says what a log holds.
type Summary struct {
	Map     Map              // it was read with
	Columns []reading.Column // of the rows, in the order of Batch.Columns
	Runs    []Run
	Count   int64    // rows of all runs
	Bad     int64    // rows set aside
	BadRows []BadRow // the first of them
	Ignored []Ignored
}

// Records are the runs as the job keeps them. instrument is that of the bench,
// when one is named.
func (s *Summary) Records(instrument string) ([]reading.Log, error) {
	recipe, err := json.Marshal(s.Map)
	var runs []reading.Log
	for _, r := range s.Runs {
		runs = append(runs, reading.Log{
			Part: r.Number, Map: recipe, Columns: s.Columns,
			Count: r.Count, Bad: s.Bad, Seconds: r.Seconds, Instrument: instrument,
		})
	}
	return runs, err
}

// A Run is one run of a log.
type Run struct {
	Number  int     // from 1
	Count   int64   // rows
	Seconds float64 // first to last time; 0 when the log has no time
}

// An Ignored is a column of the file that the map does not read.
type Ignored struct {
	Header string
	Why    string
}

// A Batch is some rows of one run, column by column, in base units; NaN where
// the log has no value. It is valid until the function it was given to returns.
type Batch struct {
	Run     int
	Columns [][]float64
	first   int64
	line    []int32
}

// Len returns the number of rows.
func (b *Batch) Len() int { return len(b.line) }

// Line returns the line in the file, from 1, that row i stands on.
func (b *Batch) Line(i int) int64 { return b.first + int64(b.line[i]) }

// Read reads a log, gives its rows to each in the order of the file, and says
// what it holds. each may be nil; an error it returns ends the reading and is
// returned. A map without a format is sniffed from the first bytes. Errors are
// of type *Problem where the log is at fault.
func Read(in Input, m Map, each func(*Batch) error) (Summary, error) {
	file := newTap(in)
	if m.Format == "" {
		s, err := file.sample()
		if err != nil {
			return Summary{}, err
		}
		if m, err = sniffMap(in.Name, s); err != nil {
			return Summary{}, err
		}
	}
	log, err := newLog(in.Name, m)
	if err != nil {
		return Summary{}, err
	}
	if err := log.notWide(file); err != nil {
		return Summary{}, err
	}
	lines := file.lines(log.m.Encoding)
	first := newBlock[rows]()
	if lines.fill(&first.piece); first.err != nil {
		return Summary{}, first.err
	}
	if first.text, err = log.begin(first.text, lines.over); err != nil {
		return Summary{}, err
	}
	o := newOrder(log, each)
	if err := inBlocks(lines, first, log.parse, o.block); err != nil {
		return Summary{}, placed(err, o.line+1)
	}
	return o.finish()
}

// placed gives a problem that has no line the line where reading stopped.
func placed(err error, line int64) error {
	if p, ok := err.(*Problem); ok && p.Line == 0 {
		p.Line = line
	}
	return err
}

// A tap hands on the bytes of a file.
type tap struct {
	in    Input
	ahead *bufio.Reader // of the tap: what it reads can be looked at before it is taken
}

func newTap(in Input) *tap {
	t := &tap{in: in}
	t.ahead = bufio.NewReaderSize(t, sampleSize)
	return t
}

func (t *tap) Read(p []byte) (int, error) {
	n, err := t.in.Reader.Read(p)
	if err != nil && err != io.EOF {
		err = fmt.Errorf("reading %s: %w", t.in.Name, err)
	}
	return n, err
}

// sample returns the beginning of the file and leaves it to be read.
func (t *tap) sample() (sample, error) {
	b, err := t.ahead.Peek(sampleSize)
	if err != nil && err != io.EOF {
		return sample{}, err
	}
	return sample{bytes: bytes.Clone(b), whole: err == io.EOF}, nil
}

// lines returns the lines of the file in UTF-8.
func (t *tap) lines(e Encoding) *lines {
	l := &lines{name: t.in.Name, r: t.ahead}
	if d, err := e.decoder(); err == nil && e != UTF8 {
		l.r = d.Reader(t.ahead)
	}
	return l
}

// A cutter finds the fields of the map's columns in a line. It may be used by
// several goroutines at once.
type cutter interface {
	// cut puts the fields of a line, which is not blank, into out.found, without
	// text where there is none, and that of the column that splits the runs into
	// out.split. It reports whether the line is a row, or what is wrong with it.
	cut(line []byte, out *rows) (row bool, bad *BadRow)
}

// A log is how one file is read: its map, and what was made from the map and
// what stands before the rows.
type log struct {
	name    string
	m       Map
	cells   []cell // of the map's columns
	cutter  cutter
	header  []byte // of a delimited log
	marker  []byte // a line that holds it begins a run
	line    int64  // lines before the rows
	ignored []Ignored
}

// newLog fills in what the map leaves out and checks it.
func newLog(name string, m Map) (*log, error) {
	if m.Encoding == "" {
		m.Encoding = UTF8
	}
	if m.Decimal == "" {
		m.Decimal = "."
	}
	if errs := m.Check(); len(errs) > 0 {
		return nil, &Problem{File: name, What: "log map: " + errs[0].Error(), Fix: errs[0].Fix}
	}
	l := &log{name: name, m: m}
	if m.Split.By == SplitMarker {
		l.marker = []byte(m.Split.Marker)
	}
	return l, nil
}

// notWide refuses a file in UTF-16 that the map gives another encoding.
func (l *log) notWide(file *tap) error {
	mark, _ := file.ahead.Peek(2)
	if l.m.Encoding.wide() || string(mark) != "\xff\xfe" && string(mark) != "\xfe\xff" {
		return nil
	}
	return &Problem{
		File: l.name, Line: 1, Column: 1,
		What: fmt.Sprintf("the file is in UTF-16, the log map says %s", l.m.Encoding),
		Fix:  `write encoding = "utf-16le" or "utf-16be" in the log map`,
	}
}

// begin reads what stands before the rows, makes the parser and returns the
// rest. whole says that the text is the whole log.
func (l *log) begin(text []byte, whole bool) ([]byte, error) {
	text = bytes.TrimPrefix(text, byteOrderMark)
	if whole && len(bytes.TrimSpace(text)) == 0 {
		return nil, emptyLog(l.name)
	}
	var clk *clock
	for _, c := range l.m.Columns {
		if c.Quantity == "time" && c.Time != "" {
			clk, _ = newClock(c.Time) // checked with the map
		}
	}
	var err error
	switch l.m.Format {
	case Delimited:
		for range l.m.Header {
			if len(text) == 0 {
				return nil, &Problem{
					File: l.name, Line: l.line + 1,
					What: fmt.Sprintf("the log ends before its header on line %d", l.m.Header),
					Fix:  "check the key header of the log map",
				}
			}
			l.header, text = cutLine(text)
			l.line++
		}
		for range l.m.Skip {
			if len(text) > 0 {
				_, text = cutLine(text)
				l.line++
			}
		}
		l.header = bytes.Clone(l.header) // the text is written over
		l.cutter, l.ignored, err = newDelimited(l.name, &l.m, l.header)
	case JSONLines:
		l.cutter = newObjects(&l.m)
	case Text:
		l.cutter, err = newFreeText(&l.m)
	}
	if err != nil {
		return nil, err
	}
	for _, c := range l.m.Columns {
		l.cells = append(l.cells, newCell(c, l.m.Decimal[0], clk))
	}
	if clk != nil && clk.form == dated {
		l.setBase(text, clk)
	}
	return text, nil
}

func emptyLog(name string) *Problem {
	return &Problem{
		File: name, Line: 1, Column: 1,
		What: "the log is empty",
		Fix:  "copy the file again, or check that the program wrote it",
	}
}

// setBase makes the first time of the log the base of its clock.
func (l *log) setBase(text []byte, clk *clock) {
	if len(text) > 16<<10 {
		text = text[:16<<10]
		text = text[:bytes.LastIndexByte(text, '\n')+1]
	}
	var out rows
	l.parse(text, &out)
	for _, v := range out.cols[l.m.column("time")][:out.n] {
		if v == v {
			clk.base = int64(v)
			return
		}
	}
}

// parse reads whole lines into rows.
func (l *log) parse(text []byte, out *rows) {
	out.reset(len(l.m.Columns))
	for ; len(text) > 0; out.lines++ {
		var line []byte
		line, text = cutLine(text)
		if len(l.marker) > 0 && bytes.Contains(line, l.marker) {
			out.marks = append(out.marks, out.n)
			if l.m.Format != Text { // there, a line that begins a run may hold values, too
				continue
			}
		}
		if len(line) == 0 || line[0] <= ' ' && len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		row, bad := l.cutter.cut(line, out)
		if row {
			bad = l.row(line, out)
		}
		if bad != nil {
			bad.Line = int64(out.lines)
			out.refuse(*bad)
		}
	}
}

// row reads the fields that were found in a line, and keeps the row or says what
// is wrong with it.
func (l *log) row(line []byte, out *rows) *BadRow {
	empty := true
	for k := range l.cells {
		c, f := &l.cells[k], &out.found[k]
		v, decimals, ok := c.value(f.text)
		if ok {
			empty = false
			if decimals > out.needed[k] {
				out.finer(k, decimals, c.endZeros(f.text))
			}
		} else if what, fix := c.refusal(f.text, l.m.Format); what != "" {
			if l.header != nil && bytes.Equal(line, l.header) {
				what = "the header stands here again"
				fix = `if the file holds several runs, say so in a log map: [split] by = "header"`
			}
			return &BadRow{Column: charAt(line, f.at), Header: c.header, What: what, Fix: fix}
		}
		out.row[k] = v
		if c.isTime {
			out.rowAt = int32(f.at)
		}
	}
	switch {
	case !empty:
		out.keep()
	case l.m.Format != Text:
		return &BadRow{Column: 1, What: "the row holds no value", Fix: "take the row out"}
	}
	return nil
}

// cutLine returns the first line, without its end, and what stands behind it.
func cutLine(text []byte) (line, rest []byte) {
	i := bytes.IndexByte(text, '\n')
	if i < 0 {
		return text, nil
	}
	line, rest = text[:i], text[i+1:]
	if i > 0 && line[i-1] == '\r' {
		line = line[:i-1]
	}
	return line, rest
}
