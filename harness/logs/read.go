package logs

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"slices"

	"proveout/harness/reading"
	"proveout/plans/fact"
)

const (
	sampleSize = 64 << 10 // bytes that a map is guessed from
	longest    = 1 << 20  // bytes a line may have
)

// A Summary says what a log holds.
type Summary struct {
	Map     Map              // it was read with
	Columns []reading.Column // of the values of a row
	Runs    []Run
	Count   int64 // rows of all runs
	SetAside
	Ignored []Ignored
}

// Notes say what was found out about the log, and what was set aside beside bad
// rows.
func (s *Summary) Notes() []fact.Fact { return slices.Concat(s.Map.Found, s.SetAside.Notes()) }

// Records are the runs as the job keeps them. instrument is that of the bench,
// when one is named.
func (s *Summary) Records(instrument string) ([]reading.Log, error) {
	recipe, err := json.Marshal(s.Map)
	var runs []reading.Log
	for i, r := range s.Runs {
		runs = append(runs, reading.Log{
			Part: i + 1, Map: recipe, Columns: s.Columns,
			Count: r.Count, Bad: s.all(), Seconds: r.Seconds, Instrument: instrument,
		})
	}
	return runs, err
}

// A Run is one run of a log.
type Run struct {
	Count   int64   // rows
	Seconds float64 // first to last time; 0 when the log has no time
}

// An Ignored is a column of the file that the map does not read.
type Ignored struct {
	Header string
	Why    string
}

// SetAside counts the rows of a file that cannot be read.
type SetAside struct {
	Bad     int64
	BadRows []BadRow // the first of them
	Torn    *BadRow  // the last row, where the file ends in it; not among Bad
	newest  BadRow
}

// all counts the rows set aside, the torn one among them.
func (s *SetAside) all() int64 {
	if s.Torn != nil {
		return s.Bad + 1
	}
	return s.Bad
}

// keptBad is how many bad rows are described.
const keptBad = 20

func (s *SetAside) add(b BadRow) {
	s.Bad++
	s.newest = b
	if len(s.BadRows) < keptBad {
		s.BadRows = append(s.BadRows, b)
	}
}

// Read reads a log, gives its rows to each in the order of the file, and says
// what it holds. Messages call the log by name. each may be nil; an error it
// returns ends the reading and is returned. A map without a format is sniffed
// from the first bytes. Errors are of type *Problem where the log is at fault.
func Read(name string, r io.Reader, m Map, each func(reading.Row) error) (Summary, error) {
	in := bufio.NewReaderSize(r, sampleSize)
	if m.Format == "" {
		s, err := peek(name, in)
		if err != nil {
			return Summary{}, err
		}
		if m, err = settled(name, s, m, Hints{}); err != nil {
			return Summary{}, err
		}
	}
	l, err := newLog(name, m, each)
	if err != nil {
		return Summary{}, err
	}
	first, err := in.Peek(2)
	if err != nil && err != io.EOF {
		return Summary{}, fmt.Errorf("reading %s: %w", name, err)
	}
	if err := l.notWide(first); err != nil {
		return Summary{}, err
	}
	for line, err := range linesOf(name, in, l.m.Encoding) {
		switch {
		case err != nil:
		case line.ended:
			err = l.take(line.text)
		default:
			err = l.takeLast(line.text)
		}
		if err != nil {
			return Summary{}, err
		}
	}
	return l.finish()
}

// A textLine is a line in UTF-8 without its end, which the last one may lack.
type textLine struct {
	text  []byte
	ended bool
}

// linesOf are the lines of a file. Each is valid until the next one is asked for.
func linesOf(name string, r io.Reader, e Encoding) iter.Seq2[textLine, error] {
	return func(yield func(textLine, error) bool) {
		if e != UTF8 {
			r = e.decoder().Reader(r)
		}
		in := bufio.NewReaderSize(r, longest)
		for n := 1; ; n++ {
			line, err := in.ReadSlice('\n')
			switch {
			case err == io.EOF && len(line) == 0:
				return
			case err == bufio.ErrBufferFull:
				yield(textLine{}, tooLong(name, n))
				return
			case err != nil && err != io.EOF:
				yield(textLine{}, fmt.Errorf("reading %s: %w", name, err))
				return
			}
			text := trimEnd(line)
			if !yield(textLine{text, len(text) < len(line)}, nil) || err == io.EOF {
				return
			}
		}
	}
}

// trimEnd takes the end off a line.
func trimEnd(line []byte) []byte {
	return bytes.TrimSuffix(bytes.TrimSuffix(line, []byte{'\n'}), []byte{'\r'})
}

func tooLong(name string, line int) *Problem {
	return &Problem{
		File: name, Line: line,
		What: fmt.Sprintf("a line is longer than %d bytes", longest),
		Fix:  "a log has one row a line; is this the right file?",
	}
}

// A sample is the beginning of a file.
type sample struct {
	bytes []byte
	whole bool // it is all of the file
}

// peek returns the beginning of a file and leaves it to be read.
func peek(name string, in *bufio.Reader) (sample, error) {
	b, err := in.Peek(sampleSize)
	if err != nil && err != io.EOF {
		return sample{}, fmt.Errorf("reading %s: %w", name, err)
	}
	return sample{bytes: bytes.Clone(b), whole: err == io.EOF}, nil
}

// sampleOf reads the beginning of a file.
func sampleOf(name string, r io.Reader) (sample, error) {
	return peek(name, bufio.NewReaderSize(r, sampleSize))
}

// ended reports whether the last line of the sample has an end.
func (s sample) ended() bool {
	tail := bytes.TrimRight(s.bytes, "\x00") // of UTF-16
	return bytes.HasSuffix(tail, []byte{'\n'}) || bytes.HasSuffix(tail, []byte{'\r'})
}
