package logs

import (
	"bytes"
	"encoding/json"
)

// An objects reads JSON lines: one object a line (RFC 8259). Keys that the map
// does not name are passed over, and so is what lies deeper.
type objects struct {
	columns map[string]int // of the map
	split   string         // key that splits the runs
}

func newObjects(m *Map) *objects {
	o := &objects{columns: map[string]int{}}
	for c, col := range m.Columns {
		o.columns[col.Header] = c
	}
	if m.Split.By == SplitColumn {
		o.split = m.Split.Column
	}
	return o
}

func (o *objects) cut(line []byte, out *rows) (row bool, bad *BadRow) {
	clear(out.found)
	out.split = nil
	var header, fix string
	at, what := members(line, func(key, value []byte, at int) (what string) {
		if o.split != "" && string(key) == o.split {
			out.split = value
		}
		c, ok := o.columns[string(key)]
		if !ok {
			return ""
		}
		if out.found[c].at > 0 {
			header, fix = string(key), "take one of the two out"
			return "the key stands twice"
		}
		text, ok := scalar(value)
		if !ok {
			header, fix = string(key), "write a number, or null where there is no value"
			return shown(string(value)) + " is not a number"
		}
		out.found[c] = field{text, at}
		return ""
	})
	if what == "" {
		return true, nil
	}
	if fix == "" {
		fix = "write one JSON object a line"
	}
	return false, &BadRow{Column: charAt(line, at), Header: header, What: what, Fix: fix}
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
