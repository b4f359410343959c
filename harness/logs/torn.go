package logs

import (
	"bytes"

	"proveout/plans/fact"
)

// The last line of a file that was copied while it was written, or whose program
// was stopped, has no end, and its last field may be a part of what it was to be:
// 4 of 47.6. Such a row is set aside unless its last field is shown to be whole.
// What shows it: a closed quote or object; a field behind it; or, where every
// row above is written alike, that it is written as they are. A whole number
// shows nothing so, since 10 may be a part of 100; it is whole where one digit
// more is beyond what the quantity can be.

// alikeRows is how many rows above must be written alike to show how a program
// writes: one that drops zeros at the end and knows halves or quarters writes one
// decimal in at most one row of two (common practice, no source).
const alikeRows = 8

// wholeRows is the same where the rows above are whole numbers, behind which a
// program that drops zeros may still have put decimals.
const wholeRows = 20

var tornRow = BadRow{
	What: "the file ends in this row, whose last value may be cut off: the line has no end",
	Fix:  "copy the file again once its program has closed it; if the row is whole, put a line end behind it",
}

// Notes say what was set aside of a file beside bad rows.
func (s *SetAside) Notes() []fact.Fact {
	if s.Torn == nil {
		return nil
	}
	return []fact.Fact{fact.New("import.torn", "line", s.Torn.Line)}
}

// A shape is how the fields of a column are written.
type shape struct {
	rows         int
	short, long  int // characters
	fewest, most int // decimals
	exponent     bool
}

func (s *shape) note(text []byte, decimals int) {
	if s.rows++; s.rows == 1 {
		s.short, s.long, s.fewest, s.most = len(text), len(text), decimals, decimals
	}
	s.short, s.long = min(s.short, len(text)), max(s.long, len(text))
	s.fewest, s.most = min(s.fewest, decimals), max(s.most, decimals)
	s.exponent = s.exponent || hasExponent(text)
}

func hasExponent(number []byte) bool {
	return bytes.IndexByte(number, 'e') >= 0 || bytes.IndexByte(number, 'E') >= 0
}

// sameLength reports whether a field is as long as every one above it.
func (s *shape) sameLength(text []byte) bool {
	return s.rows >= alikeRows && s.short == s.long && len(text) == s.long
}

// takeLast takes the last line of a file, which has no end.
func (l *log) takeLast(line []byte) error {
	if bytes.IndexByte(line, 0) >= 0 {
		return l.take(line) // more than the row is missing
	}
	row, bad, err := l.cut(line)
	if err != nil {
		return err
	}
	if l.slot++; row && l.ends(line) {
		bad, row = l.row(line), false
	}
	if row || bad != nil {
		torn := tornRow
		torn.Line, torn.Column = l.line, charAt(line, len(line))
		l.aside.Torn = &torn
	}
	return l.err
}

// ends reports whether the fields that were found in a line without an end are
// whole.
func (l *log) ends(line []byte) bool {
	if l.m.Format == JSONLines {
		return true // the object is closed
	}
	for k := range l.cells {
		f := l.fields.found[k]
		behind := f.at+len(f.text) < len(line)
		quoted := l.m.Format == Delimited && f.at < len(line) && line[f.at] == '"'
		if behind || quoted {
			continue
		}
		if !l.cells[k].ends(f.text) {
			return false
		}
	}
	return true
}

// ends reports whether the text of a field that ends its file is whole.
func (c *cell) ends(text []byte) bool {
	if c.clk != nil {
		return c.shape.sameLength(text)
	}
	_, decimals, ok := parseNumber(text, c.decimal, 0)
	switch {
	case !ok || c.shape.exponent || hasExponent(text) || c.shape.fewest != c.shape.most || decimals != c.shape.most:
		return false
	case decimals > 0:
		return c.shape.rows >= alikeRows
	}
	_, _, longer := c.value(append(bytes.Clone(text), '0'))
	return c.shape.rows >= wholeRows && !longer
}

// note takes in how the last field of the row that was read is written.
func (l *failureLayout) note() {
	if n := len(l.fields); n == l.last {
		l.shape.note(l.fields[n-1].text, 0)
	}
}

// ends reports whether the last field of a row without an end is whole.
func (l *failureLayout) ends(line []byte) bool {
	n := len(l.fields)
	if n == 0 || n < l.last {
		return false
	}
	f := l.fields[n-1]
	return f.at+len(f.text) < len(line) || l.shape.sameLength(f.text)
}
