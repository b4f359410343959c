package logs

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
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

func (o *objects) cut(line []byte, out *fields) (row bool, bad *BadRow) {
	clear(out.found)
	out.split = nil
	var header, fix string
	at, what := members(line, func(key string, value []byte, at int) (what string) {
		if o.split != "" && key == o.split {
			out.split = value
		}
		c, ok := o.columns[key]
		if !ok {
			return ""
		}
		if out.found[c].at > 0 {
			header, fix = key, "take one of the two out"
			return "the key stands twice"
		}
		text, ok := scalar(value)
		if !ok {
			header, fix = key, "write a number, or null where there is no value"
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
func members(line []byte, each func(key string, value []byte, at int) string) (int, string) {
	d := json.NewDecoder(bytes.NewReader(line))
	if open, _ := d.Token(); open != json.Delim('{') {
		return len(line) - len(bytes.TrimLeft(line, " \t")), "the line is not a JSON object"
	}
	for d.More() {
		key, err := d.Token()
		if err != nil {
			return broken(d, err, "a comma and a key in quotes should stand here")
		}
		var value json.RawMessage
		if err := d.Decode(&value); err != nil {
			return broken(d, err, "the value cannot be read")
		}
		at := int(d.InputOffset()) - len(value)
		if what := each(key.(string), value, at); what != "" {
			return at, what
		}
	}
	if _, err := d.Token(); err != nil {
		return broken(d, err, "a comma or the end of the object should stand here")
	}
	if rest := line[d.InputOffset():]; len(bytes.TrimSpace(rest)) > 0 {
		return len(line) - len(bytes.TrimLeft(rest, " \t")), "text stands behind the object"
	}
	return 0, ""
}

// broken says where and why a line is no object: what, unless it ends too early.
func broken(d *json.Decoder, err error, what string) (int, string) {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		what = "the object is not closed"
	}
	return int(d.InputOffset()), what
}
