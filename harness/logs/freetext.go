package logs

import (
	"bytes"
	"fmt"
	"math"
	"regexp"
)

// A freeText finds the values of free text by the named groups of a regular
// expression. Lines that do not fit are not rows and not bad. A row without a
// time takes the time last stated above it.
type freeText struct {
	re      *regexp.Regexp
	cells   []cell
	group   []int // of each cell
	key     int   // group of the split column; -1
	decimal byte
	columns int
	marker  []byte
}

func newFreeText(m *Map, clk *clock) (*freeText, error) {
	re, err := regexp.Compile(m.Pattern)
	if err != nil {
		return nil, fmt.Errorf("pattern: %w", err)
	}
	t := &freeText{re: re, decimal: m.Decimal[0], columns: len(m.Columns), key: -1}
	for c, col := range m.Columns {
		t.cells = append(t.cells, newCell(c, col, clk))
		t.group = append(t.group, re.SubexpIndex(col.Header))
	}
	switch m.Split.By {
	case SplitColumn:
		if t.key = re.SubexpIndex(m.Split.Column); t.key < 0 {
			return nil, &Problem{File: "log map", What: fmt.Sprintf("the pattern has no group named %q, which splits the runs", m.Split.Column), Fix: "add the group to the pattern"}
		}
	case SplitMarker:
		t.marker = []byte(m.Split.Marker)
	}
	return t, nil
}

func (t *freeText) parse(text []byte, out *rows) {
	out.reset(text, t.columns, t.key >= 0, 1)
	for n := int32(0); len(text) > 0; n++ {
		i := bytes.IndexByte(text, '\n')
		t.lineOf(trimLine(text[:i]), n, out)
		text = text[i+1:]
	}
}

func (t *freeText) lineOf(line []byte, n int32, out *rows) {
	if len(t.marker) > 0 && bytes.Contains(line, t.marker) {
		out.marks = append(out.marks, out.n)
	}
	at := t.re.FindSubmatchIndex(line)
	if at == nil {
		return
	}
	if t.key >= 0 {
		out.key[out.n] = 0
		if at[2*t.key] >= 0 {
			out.key[out.n] = fnv(line[at[2*t.key]:at[2*t.key+1]])
		}
	}
	any := false
	for k := range t.cells {
		c := &t.cells[k]
		from := at[2*t.group[k]]
		if from < 0 {
			out.cols[c.col][out.n] = math.NaN()
			continue
		}
		what, fix := c.read(bytes.TrimSpace(line[from:at[2*t.group[k]+1]]), t.decimal, out)
		if what != "" {
			for j := range k {
				if !math.IsNaN(out.cols[j][out.n]) {
					out.seen[j]--
				}
			}
			out.refuse(BadRow{Line: int64(n), Column: charAt(line, from), Header: c.header, What: what, Fix: fix})
			return
		}
		any = any || !math.IsNaN(out.cols[c.col][out.n])
	}
	if any {
		out.line[out.n] = n
		out.n++
	}
}

func (t *freeText) find(line []byte, col int) int {
	at := t.re.FindSubmatchIndex(line)
	if at == nil || at[2*t.group[col]] < 0 {
		return 1
	}
	return charAt(line, at[2*t.group[col]])
}
