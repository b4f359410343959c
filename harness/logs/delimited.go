package logs

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"
)

// A delimited cuts lines into fields.
type delimited struct {
	at      []int // field of each column of the map
	fields  int   // of the header
	split   int   // field that splits the runs; -1
	delim   byte
	comment []byte
}

// newDelimited finds the map's columns in the header line.
func newDelimited(name string, m *Map, header []byte) (*delimited, []Ignored, error) {
	d := &delimited{delim: m.Delimiter[0], split: -1, comment: []byte(m.Comment)}
	problem := func(column int, fix, format string, args ...any) *Problem {
		return &Problem{File: name, Line: m.Header, Column: column, What: fmt.Sprintf(format, args...), Fix: fix}
	}
	fields, quote := splitFields(header, d.delim, nil)
	if quote != nil {
		return nil, nil, problem(charAt(header, quote.at), `close the quote with "`, "header: %s", quote.what)
	}
	d.fields = len(fields)
	names := texts(fields)
	where := func(h string) (int, *Problem) {
		i := slices.Index(names, h)
		if i < 0 {
			return 0, problem(1, "check the log map against this file, or try the file without a map",
				"the header has no column %q; it has %s", h, quotedList(names))
		}
		if k := slices.Index(names[i+1:], h); k >= 0 {
			k += i + 1
			return 0, problem(charAt(header, fields[k].at), "give the columns different names",
				"columns %d and %d are both called %q", i+1, k+1, h)
		}
		return i, nil
	}
	for _, col := range m.Columns {
		i, p := where(col.Header)
		if p != nil {
			return nil, nil, p
		}
		if slices.Contains(d.at, i) {
			return nil, nil, problem(charAt(header, fields[i].at), "leave one of the two out",
				"the log map reads column %q twice", col.Header)
		}
		d.at = append(d.at, i)
	}
	if m.Split.By == SplitColumn {
		var p *Problem
		if d.split, p = where(m.Split.Column); p != nil {
			return nil, nil, p
		}
	}
	var ignored []Ignored
	for i, n := range names {
		if !slices.Contains(d.at, i) {
			ignored = append(ignored, Ignored{n, recognise(n).why})
		}
	}
	return d, ignored, nil
}

// texts returns the texts of fields.
func texts(fields []field) []string {
	var out []string
	for _, f := range fields {
		out = append(out, string(f.text))
	}
	return out
}

func quotedList(names []string) string {
	if len(names) > 12 {
		names = append(slices.Clone(names[:12]), "…")
	}
	q := make([]string, len(names))
	for i, n := range names {
		q[i] = shown(n)
	}
	return strings.Join(q, ", ")
}

func (d *delimited) cut(line []byte, out *fields) (row bool, bad *BadRow) {
	if len(d.comment) > 0 && bytes.HasPrefix(line, d.comment) {
		return false, nil
	}
	if k := bytes.IndexByte(line, 0); k >= 0 {
		return false, &BadRow{
			Column: charAt(line, k),
			What:   "zero bytes stand here, as in a file that was cut off while it was written",
			Fix:    "copy the file again, or cut the line out",
		}
	}
	fields, quote := splitFields(line, d.delim, out.all[:0])
	out.all = fields
	if quote != nil {
		const fix = `close the quote with "; a row is one line`
		return false, &BadRow{Column: charAt(line, quote.at), What: quote.what, Fix: fix}
	}
	for len(fields) > d.fields && len(fields[len(fields)-1].text) == 0 {
		fields = fields[:len(fields)-1]
	}
	if len(fields) != d.fields {
		at := len(line)
		if len(fields) > d.fields {
			at = fields[d.fields].at
		}
		what := fmt.Sprintf("the row has %s, the header has %d", count(len(fields), "field"), d.fields)
		return false, &BadRow{Column: charAt(line, at), What: what, Fix: d.countFix(line, len(fields))}
	}
	for c, i := range d.at {
		out.found[c] = fields[i]
	}
	if d.split >= 0 {
		out.split = fields[d.split].text
	}
	return true, nil
}

func (d *delimited) countFix(line []byte, fields int) string {
	if fields == 1 {
		for _, other := range []byte{',', ';', '\t'} {
			if other != d.delim && bytes.Count(line, []byte{other}) == d.fields-1 {
				return fmt.Sprintf("the header is parted by %q, this row by %q: use one of them", d.delim, other)
			}
		}
	}
	if fields > d.fields && d.delim == ',' {
		return "if the decimal sign is a comma, part the fields with semicolons; else take out the extra fields"
	}
	return "complete the row or take it out; a file that was cut off ends so"
}

// A field is the text of a field without quotes and spaces around it, and the
// byte of the line where it begins.
type field struct {
	text []byte
	at   int
}

// A quoting is a mistake in the quotes of a line, and the byte where it stands.
type quoting struct {
	at   int
	what string
}

// splitFields parts a line as RFC 4180, section 2, has it, with spaces around a
// field allowed, and appends the fields. A line feed inside quotes is not: a row
// is one line. A blank as the delimiter stands for runs of blanks and tabs.
func splitFields(line []byte, delim byte, fields []field) ([]field, *quoting) {
	return splitFirst(line, delim, math.MaxInt, fields)
}

// splitFirst parts a line as splitFields does, and looks at no more than the
// first so many fields.
func splitFirst(line []byte, delim byte, most int, fields []field) ([]field, *quoting) {
	tab := delim // a second delimiter
	if delim == ' ' {
		tab = '\t'
	}
	for i := 0; ; i++ {
		for i < len(line) && (line[i] == ' ' || line[i] == '\t' && delim != '\t') {
			i++
		}
		at := i
		var text []byte
		if i < len(line) && line[i] == '"' {
			text, i = unquote(line, i)
			if i < 0 {
				return nil, &quoting{at, "the quote that begins here is not closed"}
			}
			for ; i < len(line) && line[i] != delim; i++ {
				if line[i] != ' ' && line[i] != '\t' {
					return nil, &quoting{i, "text stands behind a closing quote"}
				}
			}
		} else {
			for i < len(line) && line[i] != delim && line[i] != tab {
				i++
			}
			text = line[at:i]
		}
		if n := len(text); n == 0 || !plain(text[0]) || !plain(text[n-1]) {
			text = bytes.TrimSpace(text)
		}
		fields = append(fields, field{text, at})
		if i >= len(line) || len(fields) == most {
			return fields, nil
		}
	}
}

// plain reports whether c is an ASCII character that prints.
func plain(c byte) bool { return c > ' ' && c < utf8.RuneSelf }

// unquote reads the quoted field at line[i] and returns its text and the byte
// behind the closing quote, or -1.
func unquote(line []byte, i int) ([]byte, int) {
	var text []byte
	for i++; i < len(line); i++ {
		if line[i] != '"' {
			text = append(text, line[i])
			continue
		}
		if i+1 < len(line) && line[i+1] == '"' {
			text = append(text, '"')
			i++
			continue
		}
		return text, i + 1
	}
	return nil, -1
}

// charAt returns the character, from 1, of the byte at in line.
func charAt(line []byte, at int) int { return utf8.RuneCount(line[:min(at, len(line))]) + 1 }

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
