package logs

import (
	"bytes"
	"fmt"
	"regexp"
)

// A freeText finds the values of free text by the named groups of a regular
// expression. Lines that do not fit are not rows and not bad. A row without a
// time takes the time last stated above it.
type freeText struct {
	re    *regexp.Regexp
	cells []cell
	group []int // of each cell
	key   int   // group of the split column; -1
}

func newFreeText(m *Map, clk *clock) (*freeText, error) {
	re, err := regexp.Compile(m.Pattern)
	if err != nil {
		return nil, fmt.Errorf("pattern: %w", err)
	}
	t := &freeText{re: re, key: -1}
	for c, col := range m.Columns {
		t.cells = append(t.cells, newCell(m, c, clk))
		t.group = append(t.group, re.SubexpIndex(col.Header))
	}
	if m.Split.By == SplitColumn {
		if t.key = re.SubexpIndex(m.Split.Column); t.key < 0 {
			return nil, &Problem{
				File: "log map",
				What: fmt.Sprintf("the pattern has no group named %q, which splits the runs", m.Split.Column),
				Fix:  "add the group to the pattern",
			}
		}
	}
	return t, nil
}

func (t *freeText) row(line []byte, n int32, out *rows) {
	at := t.re.FindSubmatchIndex(line)
	if at == nil {
		return
	}
	out.begin()
	if t.key >= 0 && at[2*t.key] >= 0 {
		out.rowKey = fnv(line[at[2*t.key]:at[2*t.key+1]])
	}
	for k := range t.cells {
		c := &t.cells[k]
		from, to := at[2*t.group[k]], at[2*t.group[k]+1]
		if from < 0 {
			continue
		}
		if what, fix := c.read(bytes.TrimSpace(line[from:to]), out); what != "" {
			out.refuse(BadRow{Line: int64(n), Column: charAt(line, from), Header: c.header, What: what, Fix: fix})
			return
		}
	}
	if !out.empty() {
		out.keep(n)
	}
}

func (t *freeText) find(line []byte, col int) int {
	at := t.re.FindSubmatchIndex(line)
	if at == nil || at[2*t.group[col]] < 0 {
		return 1
	}
	return charAt(line, at[2*t.group[col]])
}
