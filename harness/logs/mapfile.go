package logs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"
)

// ParseMap reads a log map written in TOML. Every problem found is returned, in
// the order of the file; the map is usable only when there is none.
func ParseMap(name string, data []byte) (Map, []*Problem) {
	m := Map{Encoding: UTF8, Decimal: "."}
	md, err := toml.NewDecoder(bytes.NewReader(data)).Decode(&m)
	if err != nil {
		return Map{}, []*Problem{tomlProblem(name, data, err)}
	}
	if m.Format == Delimited {
		if m.Delimiter == "" {
			m.Delimiter = ","
		}
		if m.Header == 0 {
			m.Header = 1
		}
	}
	at := keyLines(data)
	var problems []*Problem
	tables := map[string]bool{}
	for _, k := range md.Undecoded() {
		if len(k) > 1 && tables[k[0]] {
			continue // its table is already a problem
		}
		tables[k.String()] = true
		problems = append(problems, unknownKey(name, at, k))
	}
	for _, e := range m.Check() {
		p := &Problem{File: name, What: e.What, Fix: e.Fix}
		p.Line, p.Column = at.find(e.Key)
		problems = append(problems, p)
	}
	slices.SortStableFunc(problems, func(a, b *Problem) int {
		if a.Line != b.Line {
			return int(a.Line - b.Line)
		}
		return a.Column - b.Column
	})
	return m, problems
}

func tomlProblem(name string, data []byte, err error) *Problem {
	p := &Problem{File: name, Line: 1, Column: 1, What: err.Error(), Fix: "see the log map that logmap try writes"}
	var pe toml.ParseError
	if errors.As(err, &pe) {
		p.Line, p.Column, p.What = int64(pe.Position.Line), max(pe.Position.Col, 1), pe.Message
		if p.What == "" {
			p.What = strings.TrimPrefix(pe.Error(), fmt.Sprintf("toml: line %d: ", pe.Position.Line))
		}
		return p
	}
	// A value of the wrong type: the library says `incompatible types: …` with
	// the line of the key at best.
	p.What = strings.TrimPrefix(p.What, "toml: ")
	if rest, ok := strings.CutPrefix(p.What, "line "); ok {
		digits, tail, _ := strings.Cut(rest, " ")
		if n, err := strconv.Atoi(strings.TrimRight(digits, ":")); err == nil {
			p.Line, p.What = int64(n), strings.TrimSpace(tail)
		}
	}
	p.Fix = `texts stand in quotes, numbers without`
	return p
}

func mapKeys() []string {
	return []string{"format", "encoding", "delimiter", "decimal", "header", "skip", "comment", "pattern", "max_bad_percent", "column", "split"}
}

func unknownKey(name string, at keyPositions, k toml.Key) *Problem {
	known := mapKeys()
	switch {
	case len(k) > 1 && k[0] == "column":
		known = []string{"header", "quantity", "unit", "place", "time"}
	case len(k) > 1 && k[0] == "split":
		known = []string{"by", "column", "marker"}
	}
	last := k[len(k)-1]
	p := &Problem{File: name, What: fmt.Sprintf("key %q is not known", last), Fix: "known here are " + strings.Join(known, ", ")}
	if best, d := nearest(last, known); d <= 2 {
		p.Fix = fmt.Sprintf("did you mean %q?", best)
	}
	p.Line, p.Column = at.findUnknown(k)
	return p
}

// nearest returns the word of the list that is the fewest single-letter changes
// away.
func nearest(word string, list []string) (string, int) {
	best, least := "", 1<<30
	for _, w := range list {
		if d := distance(word, w); d < least {
			best, least = w, d
		}
	}
	return best, least
}

func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diag := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			next := min(diag+cost, row[j]+1, row[j+1]+1)
			diag, row[j+1] = row[j+1], next
		}
	}
	return row[len(b)]
}

// keyPositions says where the keys of a map stand: "column.2.unit" to line and
// column.
type keyPositions map[string][2]int

func keyLines(data []byte) keyPositions {
	at := keyPositions{}
	prefix, columns := "", 0
	for i, line := range strings.Split(string(data), "\n") {
		text := strings.TrimSpace(line)
		indent := len([]rune(line)) - len([]rune(strings.TrimLeft(line, " \t"))) + 1
		switch {
		case text == "" || text[0] == '#':
		case strings.HasPrefix(text, "[["):
			columns++
			prefix = fmt.Sprintf("column.%d.", columns)
			at.set(strings.TrimSuffix(prefix, "."), i+1, indent)
			at.set("column", i+1, indent)
		case text[0] == '[':
			table := strings.Trim(strings.SplitN(text, "]", 2)[0], "[ ")
			prefix = table + "."
			at.set(table, i+1, indent)
		default:
			if key, _, ok := strings.Cut(text, "="); ok {
				at.set(prefix+strings.Trim(strings.TrimSpace(key), `"'`), i+1, indent)
			}
		}
	}
	return at
}

func (at keyPositions) set(key string, line, column int) {
	if _, ok := at[key]; !ok {
		at[key] = [2]int{line, column}
	}
}

// find returns the place of a key, or of the table it belongs to, or the
// beginning of the file.
func (at keyPositions) find(key string) (int64, int) {
	for key != "" {
		if p, ok := at[key]; ok {
			return int64(p[0]), p[1]
		}
		i := strings.LastIndexByte(key, '.')
		if i < 0 {
			break
		}
		key = key[:i]
	}
	return 1, 1
}

// findUnknown returns the first place of a key as the TOML library names it,
// without the number of a [[column]].
func (at keyPositions) findUnknown(k toml.Key) (int64, int) {
	line, column := int64(1<<62), 1
	for key, p := range at {
		parts := strings.Split(key, ".")
		if len(k) > 1 && len(parts) == 3 && parts[0] == k[0] {
			parts = []string{parts[0], parts[2]}
		}
		if slices.Equal(parts, k) && int64(p[0]) < line {
			line, column = int64(p[0]), p[1]
		}
	}
	if line == 1<<62 {
		return at.find(k.String())
	}
	return line, column
}

// Write writes the map as TOML, with a word on each key.
func (m Map) Write(w io.Writer) error {
	var b strings.Builder
	b.WriteString("# How to read a log. Lines that begin with # are remarks.\n\n")
	key := func(k, v, why string) {
		fmt.Fprintf(&b, "%-9s = %s", k, v)
		if why != "" {
			fmt.Fprintf(&b, "  # %s", why)
		}
		b.WriteByte('\n')
	}
	key("format", quote(string(m.Format)), "delimited, json-lines or text")
	key("encoding", quote(string(m.Encoding)), "utf-8, utf-16le, utf-16be, cp437, cp850 or cp1252")
	if m.Delimiter != "" {
		key("delimiter", quote(m.Delimiter), "")
	}
	if m.Decimal != "" {
		key("decimal", quote(m.Decimal), "decimal sign")
	}
	if m.Header != 0 {
		key("header", strconv.Itoa(m.Header), "line of the header")
	}
	if m.Skip != 0 {
		key("skip", strconv.Itoa(m.Skip), "lines below the header that are not rows")
	}
	if m.Comment != "" {
		key("comment", quote(m.Comment), "lines that begin so are passed over")
	}
	if m.Pattern != "" {
		key("pattern", quote(m.Pattern), "named groups are the columns")
	}
	key("max_bad_percent", strconv.FormatFloat(m.MaxBad, 'f', -1, 64), "share of rows that may be bad")
	for _, c := range m.Columns {
		b.WriteString("\n[[column]]\n")
		key("header", quote(c.Header), "")
		key("quantity", quote(c.Quantity), "")
		for _, kv := range [][2]string{{"unit", c.Unit}, {"place", c.Place}, {"time", c.Time}} {
			if kv[1] != "" {
				key(kv[0], quote(kv[1]), "")
			}
		}
	}
	if m.Split.By != "" {
		b.WriteString("\n[split]\n")
		key("by", quote(m.Split.By), "column, time-back, marker or header begins a new run")
		for _, kv := range [][2]string{{"column", m.Split.Column}, {"marker", m.Split.Marker}} {
			if kv[1] != "" {
				key(kv[0], quote(kv[1]), "")
			}
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// quote writes a TOML basic string (TOML 1.0.0, section String).
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\t':
			b.WriteString(`\t`)
		case r == '\n':
			b.WriteString(`\n`)
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
