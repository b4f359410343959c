package document

import (
	"fmt"
	"strconv"
	"strings"
)

// Set returns a text with another value for a key, written as TOML. Everything
// else stays as it is, comments included. The key is named with the tables it
// stands in: "bench.slot.kind". Of a list of tables the first is meant, or
// the one of an id or a number that is named: "bench.instrument[room].title". Without such a
// key the text is returned as it is.
func Set(text, path, value string) string {
	if e := Find(text, path); e != nil {
		return text[:e.Value.At.Begin] + value + text[e.Value.At.End:]
	}
	return text
}

// Cut returns a text without the lines of a key.
func Cut(text, path string) string {
	e := Find(text, path)
	if e == nil {
		return text
	}
	begin := strings.LastIndexByte(text[:e.Value.At.Begin], '\n') + 1
	end := len(text)
	if i := strings.IndexByte(text[e.Value.At.End:], '\n'); i >= 0 {
		end = e.Value.At.End + i + 1
	}
	return text[:begin] + text[end:]
}

// Find returns a key of a text, named as for [Set], or nil.
func Find(text, path string) *Entry {
	t, _ := Parse([]byte(text))
	parts := strings.Split(path, ".")
	for i, part := range parts {
		name, id, _ := strings.Cut(strings.TrimSuffix(part, "]"), "[")
		e := t.Get(name)
		if e == nil || i == len(parts)-1 {
			return e
		}
		t = e.Value.Table
		for n, item := range e.Value.Items {
			if id == "" || id == strconv.Itoa(n+1) || item.Table.Identity([]string{"id"}) == id {
				t = item.Table
				break
			}
		}
	}
	return nil
}

// Quote writes a text as TOML (TOML 1.0.0, basic strings).
func Quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteString("\\" + string(r))
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
