package logs

import (
	"bytes"
	"encoding/json"
	"math"
)

// An objects reads JSON lines: one object a line (RFC 8259). Keys that the map
// does not name are passed over, and so is what lies deeper.
type objects struct {
	cells []cell
	index map[string]int // of the cells
	key   string         // that splits the runs
}

func newObjects(m *Map, clk *clock) *objects {
	o := &objects{index: map[string]int{}}
	for c, col := range m.Columns {
		o.cells = append(o.cells, newCell(m, c, clk))
		o.index[col.Header] = c
	}
	if m.Split.By == SplitColumn {
		o.key = m.Split.Column
	}
	return o
}

func (o *objects) row(line []byte, n int32, out *rows) {
	bad := BadRow{Line: int64(n), Fix: "write one JSON object a line"}
	out.begin()
	seen := uint64(0)
	at, what := members(line, func(key, value []byte, _ int) (what string) {
		if o.key != "" && string(key) == o.key {
			out.rowKey = fnv(value)
		}
		c, ok := o.index[string(key)]
		if !ok {
			return ""
		}
		cl := &o.cells[c]
		if seen>>c&1 == 1 {
			bad.Header, bad.Fix = cl.header, "take one of the two out"
			return "the key stands twice"
		}
		seen |= 1 << c // more than 64 columns are not looked at so closely
		text, ok := scalar(value)
		if !ok {
			bad.Header, bad.Fix = cl.header, "write a number, or null where there is no value"
			return shown(string(value)) + " is not a number"
		}
		what, fix := cl.read(text, out)
		if what != "" {
			bad.Header, bad.Fix = cl.header, fix
		}
		return what
	})
	if what == "" {
		what = o.lacks(out, &bad)
	}
	if what != "" {
		bad.What, bad.Column = what, charAt(line, at)
		out.refuse(bad)
		return
	}
	out.keep(n)
}

// lacks says what the row lacks that cannot be done without.
func (o *objects) lacks(out *rows, bad *BadRow) string {
	for c := range o.cells {
		if o.cells[c].quantity == "time" && math.IsNaN(out.row[c]) {
			bad.Header, bad.Fix = o.cells[c].header, "complete the row or take it out"
			return "the row has no time"
		}
	}
	if out.empty() {
		bad.Fix = "take the row out"
		return "the row holds no value"
	}
	return ""
}

func (o *objects) find(line []byte, col int) int {
	pos := 0
	members(line, func(key, _ []byte, at int) string {
		if string(key) == o.cells[col].header {
			pos = at
		}
		return ""
	})
	return charAt(line, pos)
}

// scalar returns the text of a JSON value that is a number or a string, and
// nothing for null.
func scalar(value []byte) ([]byte, bool) {
	switch {
	case value[0] == '"':
		var s string
		if json.Unmarshal(value, &s) != nil {
			return nil, false
		}
		return bytes.TrimSpace([]byte(s)), true
	case value[0] == 'n':
		return nil, true
	case value[0] == '-' || value[0]-'0' <= 9:
		return value, true
	}
	return nil, false
}

// members walks the members of the JSON object on a line and calls each with
// key, value and the byte at which the value begins. It returns the byte and the
// reason when the line is not an object or each gives a reason.
func members(line []byte, each func(key, value []byte, at int) string) (int, string) {
	i := space(line, 0)
	if i >= len(line) || line[i] != '{' {
		return i, "the line is not a JSON object"
	}
	i = space(line, i+1)
	if i < len(line) && line[i] == '}' {
		return tail(line, i+1)
	}
	for {
		end := stringEnd(line, i)
		if end < 0 {
			return i, "a key in quotes should stand here"
		}
		key := line[i+1 : end-1]
		if bytes.IndexByte(key, '\\') >= 0 {
			var s string
			if json.Unmarshal(line[i:end], &s) != nil {
				return i, "the key cannot be read"
			}
			key = []byte(s)
		}
		i = space(line, end)
		if i >= len(line) || line[i] != ':' {
			return i, "a colon should stand here"
		}
		i = space(line, i+1)
		end = valueEnd(line, i)
		if end < 0 || !json.Valid(line[i:end]) {
			return i, "the value cannot be read"
		}
		if what := each(key, line[i:end], i); what != "" {
			return i, what
		}
		i = space(line, end)
		if i >= len(line) {
			return i, "the object is not closed"
		}
		if line[i] == '}' {
			return tail(line, i+1)
		}
		if line[i] != ',' {
			return i, "a comma should stand here"
		}
		i = space(line, i+1)
	}
}

func tail(line []byte, i int) (int, string) {
	if i = space(line, i); i < len(line) {
		return i, "text stands behind the object"
	}
	return 0, ""
}

func space(b []byte, i int) int {
	for i < len(b) && (b[i] == ' ' || b[i] == '\t' || b[i] == '\r') {
		i++
	}
	return i
}

// stringEnd returns the byte behind the JSON string at b[i], or -1.
func stringEnd(b []byte, i int) int {
	if i >= len(b) || b[i] != '"' {
		return -1
	}
	for i++; i < len(b); i++ {
		switch b[i] {
		case '\\':
			i++
		case '"':
			return i + 1
		}
	}
	return -1
}

// valueEnd returns the byte behind the JSON value at b[i], or -1.
func valueEnd(b []byte, i int) int {
	if i >= len(b) {
		return -1
	}
	if b[i] == '"' {
		return stringEnd(b, i)
	}
	depth := 0
	for k := i; k < len(b); k++ {
		switch b[k] {
		case '"':
			end := stringEnd(b, k)
			if end < 0 {
				return -1
			}
			k = end - 1
		case '{', '[':
			depth++
		case '}', ']':
			if depth == 0 {
				return k
			}
			if depth--; depth == 0 {
				return k + 1
			}
		case ',':
			if depth == 0 {
				return k
			}
		}
	}
	if depth == 0 {
		return len(b)
	}
	return -1
}
