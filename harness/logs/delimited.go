package logs

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"
)

// A delimited reads rows of fields. It has a short way for plain numbers and a
// long one, line by line, for all else; both give the same rows.
type delimited struct {
	cells   []cell // one a field of the header
	delim   byte
	decimal byte
	columns int
	keyed   bool
	marker  []byte
	header  []byte
	again   []byte // the header, when it begins a run
	comment []byte
	needs   bool // without a time, a row needs a value
}

// newDelimited finds the map's columns in the header line.
func newDelimited(name string, m *Map, header []byte, clk *clock) (*delimited, []Ignored, error) {
	d := &delimited{delim: m.Delimiter[0], decimal: m.Decimal[0], columns: len(m.Columns), comment: []byte(m.Comment)}
	header = trimLine(header)
	d.header = slices.Clone(header)
	fields, err := splitFields(header, d.delim)
	if err != nil {
		return nil, nil, &Problem{File: name, Line: int64(m.Header), Column: charAt(header, err.at), What: "header: " + err.what, Fix: `close the quote with "`}
	}
	names := make([]string, len(fields))
	d.cells = make([]cell, len(fields))
	for i, f := range fields {
		names[i] = string(f.text)
		d.cells[i].col = -1
	}
	where := func(h string) (int, *Problem) {
		i := slices.Index(names, h)
		if i < 0 {
			return 0, &Problem{File: name, Line: int64(m.Header), Column: 1, What: fmt.Sprintf("the header has no column %q; it has %s", h, quotedList(names)),
				Fix: "check the log map against this file, or try the file without a map"}
		}
		if k := slices.Index(names[i+1:], h); k >= 0 {
			k += i + 1
			return 0, &Problem{File: name, Line: int64(m.Header), Column: charAt(header, fields[k].at), What: fmt.Sprintf("columns %d and %d are both called %q", i+1, k+1, h),
				Fix: "give the columns different names"}
		}
		return i, nil
	}
	hasTime := false
	for c, col := range m.Columns {
		i, p := where(col.Header)
		if p != nil {
			return nil, nil, p
		}
		if d.cells[i].col >= 0 {
			return nil, nil, &Problem{File: name, Line: int64(m.Header), Column: charAt(header, fields[i].at), What: fmt.Sprintf("the log map reads column %q twice", col.Header), Fix: "leave one of the two out"}
		}
		d.cells[i] = newCell(c, col, clk)
		hasTime = hasTime || col.Quantity == "time"
	}
	d.needs = !hasTime
	switch m.Split.By {
	case SplitColumn:
		i, p := where(m.Split.Column)
		if p != nil {
			return nil, nil, p
		}
		d.cells[i].key, d.keyed = true, true
	case SplitMarker:
		d.marker = []byte(m.Split.Marker)
	case SplitHeader:
		d.again = d.header
	}
	var ignored []Ignored
	for i, c := range d.cells {
		if c.col < 0 {
			ignored = append(ignored, Ignored{names[i], recognise(names[i]).why})
		}
	}
	return d, ignored, nil
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

func (d *delimited) parse(text []byte, out *rows) {
	out.reset(text, d.columns, d.keyed, len(d.cells))
	slow := len(d.marker) > 0
	for i, line := 0, int32(0); i < len(text); line++ {
		if !slow {
			if end := d.plain(text, i, out); end > 0 {
				out.line[out.n] = line
				out.n++
				i = end
				continue
			}
		}
		end := i + bytes.IndexByte(text[i:], '\n')
		d.long(text[i:end], line, out)
		i = end + 1
	}
}

// plain reads the row that begins at text[i] if it is made of plain numbers and
// fields that are passed over. It returns where the next line begins, or 0.
func (d *delimited) plain(text []byte, i int, out *rows) int {
	if len(d.comment) > 0 && text[i] == d.comment[0] {
		return 0
	}
	last := len(d.cells) - 1
	n := out.n
	for f := range d.cells {
		c := &d.cells[f]
		var end int
		if c.col >= 0 && c.clk == nil {
			for text[i] == ' ' {
				i++
			}
			mantissa, places, e, neg, ok := scanDecimal(text, i, d.decimal)
			if !ok {
				return 0
			}
			v, ok := assemble(mantissa, c.unit.Power()-places, neg)
			if !ok {
				return 0
			}
			v = c.unit.Finish(v)
			if !(v >= c.lo && v <= c.hi) {
				return 0
			}
			out.cols[c.col][n] = v
			if places > out.needed[c.col] {
				d.fine(text[:e], places, c.col, out)
			}
			end = e
			if c.key {
				out.key[n] = fnv(text[i:end])
			}
		} else if end = d.other(c, text, i, out); end < 0 {
			return 0
		}
		if f < last {
			if text[end] != d.delim {
				return 0
			}
			i = end + 1
			continue
		}
		if text[end] == '\r' {
			end++
		}
		if text[end] != '\n' {
			return 0
		}
		i = end + 1
	}
	for c := range out.seen {
		out.seen[c]++
	}
	return i
}

// other reads a field that is not a number: a time, the column that splits runs,
// or one that is passed over. It returns the byte behind it, or -1.
func (d *delimited) other(c *cell, text []byte, i int, out *rows) int {
	end := i
	for text[end] != d.delim && text[end] != '\n' {
		if text[end] == '"' || text[end] == 0 {
			return -1
		}
		end++
	}
	if c.key {
		out.key[out.n] = fnv(bytes.TrimSpace(text[i:end]))
	}
	if c.clk != nil {
		v, places, err := c.clk.read(bytes.TrimSuffix(text[i:end], []byte{'\r'}))
		if err != nil {
			return -1
		}
		out.cols[c.col][out.n] = v
		out.written[c.col] = max(out.written[c.col], places)
		out.needed[c.col] = max(out.needed[c.col], places)
	}
	return end
}

// fine notes a value that is written more finely than those before it.
func (d *delimited) fine(number []byte, places, col int, out *rows) {
	zeros := 0
	for k := len(number) - 1; zeros < places && number[k] == '0'; k-- {
		zeros++
	}
	out.digits(col, places, zeros)
}

// long reads one line field by field.
func (d *delimited) long(line []byte, n int32, out *rows) {
	line = trimLine(line)
	if len(d.marker) > 0 && bytes.Contains(line, d.marker) {
		out.marks = append(out.marks, out.n)
		return
	}
	if len(bytes.TrimSpace(line)) == 0 || (len(d.comment) > 0 && bytes.HasPrefix(line, d.comment)) {
		return
	}
	if len(d.again) > 0 && bytes.Equal(line, d.again) {
		out.marks = append(out.marks, out.n)
		return
	}
	bad := BadRow{Line: int64(n), Column: 1}
	if k := bytes.IndexByte(line, 0); k >= 0 {
		bad.What, bad.Fix, bad.Column = "zero bytes stand here, as in a file that was cut off while it was written", "copy the file again, or cut the line out", charAt(line, k)
		out.refuse(bad)
		return
	}
	fields, quote := splitFields(line, d.delim)
	if quote != nil {
		bad.What, bad.Fix, bad.Column = quote.what, `close the quote with "; a row is one line`, charAt(line, quote.at)
		out.refuse(bad)
		return
	}
	for len(fields) > len(d.cells) && len(fields[len(fields)-1].text) == 0 {
		fields = fields[:len(fields)-1]
	}
	if len(fields) != len(d.cells) {
		bad.What = fmt.Sprintf("the row has %s, the header has %d", count(len(fields), "field"), len(d.cells))
		bad.Fix = d.countFix(line, len(fields))
		bad.Column = utf8.RuneCount(line) + 1
		if len(fields) > len(d.cells) {
			bad.Column = charAt(line, fields[len(d.cells)].at)
		}
		out.refuse(bad)
		return
	}
	d.row(line, fields, bad, out)
}

func (d *delimited) countFix(line []byte, fields int) string {
	if fields == 1 {
		for _, other := range []byte{',', ';', '\t'} {
			if other != d.delim && bytes.Count(line, []byte{other}) == len(d.cells)-1 {
				return fmt.Sprintf("the header is parted by %q, this row by %q: use one of them", d.delim, other)
			}
		}
	}
	if fields > len(d.cells) && d.delim == ',' {
		return "if the decimal sign is a comma, part the fields with semicolons; else take out the extra fields"
	}
	return "complete the row or take it out; a file that was cut off ends so"
}

// row reads the fields into the next row.
func (d *delimited) row(line []byte, fields []field, bad BadRow, out *rows) {
	any := false
	for f := range d.cells {
		c := &d.cells[f]
		if c.key {
			out.key[out.n] = fnv(fields[f].text)
		}
		if c.col < 0 {
			continue
		}
		what, fix := c.read(fields[f].text, d.decimal, out)
		gone := math.IsNaN(out.cols[c.col][out.n])
		if what == "" && c.isTime && gone {
			what, fix = "the row has no time", "complete the row or take it out"
		}
		if what != "" {
			bad.Column, bad.Header, bad.What, bad.Fix = charAt(line, fields[f].at), c.header, what, fix
			if bytes.Equal(line, d.header) {
				bad.What, bad.Fix = "the header stands here again", `if the file holds several runs, say so in a log map: [split] by = "header"`
			}
			d.forget(f, out)
			out.refuse(bad)
			return
		}
		any = any || !gone
	}
	if d.needs && !any {
		bad.What, bad.Fix = "the row holds no value", "take the row out"
		out.refuse(bad)
		return
	}
	out.line[out.n] = int32(bad.Line)
	out.n++
}

// forget takes the values of a row that was refused at field f out of the count.
func (d *delimited) forget(f int, out *rows) {
	for k := range f {
		if c := d.cells[k].col; c >= 0 && !math.IsNaN(out.cols[c][out.n]) {
			out.seen[c]--
		}
	}
}

func (d *delimited) find(line []byte, col int) int {
	fields, _ := splitFields(trimLine(line), d.delim)
	for f, c := range d.cells {
		if c.col == col && f < len(fields) {
			return charAt(line, fields[f].at)
		}
	}
	return 0
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
// field allowed. A line feed inside quotes is not: a row is one line.
func splitFields(line []byte, delim byte) (fields []field, bad *quoting) {
	for i := 0; ; {
		for i < len(line) && (line[i] == ' ' || (line[i] == '\t' && delim != '\t')) {
			i++
		}
		at := i
		var text []byte
		if i < len(line) && line[i] == '"' {
			var end int
			text, end = unquote(line, i)
			if end < 0 {
				return nil, &quoting{at, "the quote that begins here is not closed"}
			}
			i = end
			for i < len(line) && line[i] != delim {
				if line[i] != ' ' && line[i] != '\t' {
					return nil, &quoting{i, "text stands behind a closing quote"}
				}
				i++
			}
		} else {
			end := bytes.IndexByte(line[i:], delim)
			if end < 0 {
				end = len(line) - i
			}
			text = line[i : i+end]
			i += end
		}
		fields = append(fields, field{bytes.TrimSpace(text), at})
		if i >= len(line) {
			return fields, nil
		}
		i++
	}
}

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

func trimLine(line []byte) []byte { return bytes.TrimSuffix(line, []byte{'\r'}) }

// charAt returns the character, from 1, of the byte at in line.
func charAt(line []byte, at int) int { return utf8.RuneCount(line[:min(at, len(line))]) + 1 }

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
