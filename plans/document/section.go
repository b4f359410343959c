package document

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// MaxFile is the largest file, in bytes, that is read.
const MaxFile = 1 << 20

// MaxItems bounds the lists of a file, so that a hostile one costs little.
const MaxItems = 1000

// Read reads a file by the keys that it may have; check looks at the file as a
// whole once its keys are read, and may be nil. The example is what to do about
// an empty file. It returns every problem that is found, in the order of the
// file.
func Read(name string, data []byte, example string, keys []Key, check func(*Section)) []Problem {
	if len(data) > MaxFile {
		return []Problem{TooLarge(name, int64(len(data)))}
	}
	c := NewCollector(name, data)
	root := c.Parse()
	switch {
	case root == nil: // said already
	case len(root.Entries) == 0:
		c.Add(Span{}, "the file is empty", example)
	default:
		newSection(c, root, "").read(keys, check)
	}
	return c.Sorted()
}

// TooLarge says that a file is larger than [MaxFile].
func TooLarge(name string, size int64) Problem {
	what := fmt.Sprintf("the file has %d bytes; 1 MiB is the most that is read", size)
	return Problem{File: name, What: what, Fix: "give the right file"}
}

// A Section is one table of a file while it is read.
type Section struct {
	c         *Collector
	table     *Table
	path      string   // "step", "thermal": what messages call it
	known     []string // the keys that may stand here
	elsewhere []string // keys that are here and belong elsewhere
	before    int      // problems found before this section began
}

func newSection(c *Collector, t *Table, path string) *Section {
	return &Section{c: c, table: t, path: path, before: c.found}
}

// read takes in the keys of the section and complains of all others.
func (s *Section) read(keys []Key, check func(*Section)) {
	s.Read(keys)
	if check != nil {
		check(s)
	}
	s.complainOfUnknown()
}

// Read takes in more keys of the section.
func (s *Section) Read(keys []Key) {
	for _, k := range keys {
		s.known = append(s.known, k.Name)
		e := s.table.Get(k.Name)
		switch {
		case e == nil && k.Needed != "":
			s.Missing(k.Name, k.Needed)
		case e == nil:
		case k.Filled != "" && e.Value.Type == Array && len(e.Value.Items) == 0:
			s.Problem(k.Name, "the list is empty", k.Filled)
		default:
			k.To.Read(s, k.Name, e.Value)
		}
	}
}

// Over is the section with another table in place of its own: that of a family
// with the keys of one variant put in.
func (s *Section) Over(t *Table) *Section { return newSection(s.c, t, s.path) }

// Table returns what is read.
func (s *Section) Table() *Table { return s.table }

// Sound reports whether nothing was wrong in this section so far.
func (s *Section) Sound() bool { return s.c.found == s.before && !s.c.partial }

// Partial reports whether only part of something is read, so that nothing can be
// said of what is missing.
func (s *Section) Partial() bool { return s.c.partial }

// Quiet does something while nothing is said of what is missing.
func (s *Section) Quiet(do func()) {
	before := s.c.partial
	s.c.partial = true
	do()
	s.c.partial = before
}

// Full reports whether so many problems are known that no more are wanted.
func (s *Section) Full() bool {
	s.c.many = s.c.many || s.c.full()
	return s.c.full()
}

// Has reports whether a key is there.
func (s *Section) Has(key string) bool { return s.table.Get(key) != nil }

// Line returns the line of a place, for messages.
func (s *Section) Line(at Span) int { return s.c.Line(at.Begin) }

// Name returns what messages call a key: "step.duration".
func (s *Section) Name(key string) string {
	if s.path == "" {
		return key
	}
	return s.path + "." + key
}

// Add records a problem of a key at a place.
func (s *Section) Add(at Span, key, what, fix string) { s.c.Add(at, s.Name(key)+": "+what, fix) }

// Problem records a problem at the value of a key, or at the table when the
// key is absent.
func (s *Section) Problem(key, what, fix string) {
	at := s.table.At
	if e := s.table.Get(key); e != nil {
		at = e.Value.At
	}
	s.Add(at, key, what, fix)
}

// Missing records that a key must be there: example says how to write it, or is
// the header of its table. Of a part nothing is said.
func (s *Section) Missing(key, example string) {
	if s.c.partial || s.Has(key) {
		return
	}
	fix := "add " + key + " = " + example
	if isHeader := example[0] == '[' && strings.HasSuffix(strings.TrimRight(example, "]"), key); isHeader {
		fix = "add " + example + " and the keys below it"
	}
	s.Add(s.table.At, key, "missing", fix)
}

// Know takes keys for known without reading them.
func (s *Section) Know(keys []string) { s.known = append(s.known, keys...) }

// Misplaced records that a known key does not belong here.
func (s *Section) Misplaced(e *Entry, what, fix string) {
	s.elsewhere = append(s.elsewhere, e.Key)
	s.Add(e.At, e.Key, what, fix)
}

// complainOfUnknown complains of keys that may not stand here.
func (s *Section) complainOfUnknown() {
	known := map[string]bool{}
	for _, k := range slices.Concat(s.known, s.elsewhere) {
		known[k] = true
	}
	for _, e := range s.table.Entries {
		if known[e.Key] {
			continue
		}
		if s.Full() {
			return
		}
		what, fix := "unknown key", "remove it"
		smallLetters := func(k string) bool { return strings.EqualFold(k, e.Key) }
		if i := slices.IndexFunc(s.known, smallLetters); i >= 0 {
			what, fix = "keys are written in small letters", `write "`+s.known[i]+`"`
		} else if n := Nearest(e.Key, s.known); n != "" {
			fix = `did you mean "` + n + `"?`
		} else if len(s.known) > 0 {
			fix = "remove it; the keys here are " + Listed(s.known)
		}
		s.c.Add(e.At, shortened(s.Name(e.Key), 120)+": "+what, fix)
	}
}

// Is reports whether a value has the wanted type, and complains if it has not.
func (s *Section) Is(key string, v *Value, want Type) bool {
	if v.Type == want || want == Float && v.Type == Integer {
		return true
	}
	fix := ""
	switch {
	case want == String && v.Raw != "":
		fix = `put it in quotes: "` + strings.Trim(v.Raw, `"'`) + `"`
	case want == Boolean && (v.Text == "true" || v.Text == "false"):
		fix = "write " + v.Text + " without quotes"
	case want == Boolean:
		fix = "write true or false"
	case want == Array && v.Type != Group:
		fix = "write [" + v.Raw + "]"
	case want == Float || want == Integer:
		if _, err := strconv.ParseFloat(v.Text, 64); err == nil {
			fix = "write " + v.Text + " without quotes"
		}
	case want == Group:
		fix = "write [" + s.Name(key) + "] and the keys below it"
	}
	s.Add(v.At, key, "expected "+want.String()+", found "+v.Type.String(), fix)
	return false
}

// Items returns the items of a list, [MaxItems] at most.
func (s *Section) Items(key string, v *Value) []*Value {
	if !s.Is(key, v, Array) {
		return nil
	}
	if len(v.Items) <= MaxItems {
		return v.Items
	}
	s.Add(v.Items[MaxItems].At, key, fmt.Sprintf("more than %d items", MaxItems), "")
	return v.Items[:MaxItems]
}

// sections returns the tables of a list, told apart by the values of the keys
// in by.
func (s *Section) sections(key string, v *Value, by []string) []*Section {
	if v.Type != Array {
		fix := ""
		if v.Type == Group {
			fix = "write [[" + s.Name(key) + "]] with two brackets"
		}
		s.Add(s.table.Get(key).At, key, "expected a list of tables, found "+v.Type.String(), fix)
		return nil
	}
	var out []*Section
	first := map[string]int{}
	for _, item := range s.Items(key, v) {
		if !s.Is(key, item, Group) {
			continue
		}
		one := newSection(s.c, item.Table, s.Name(key))
		out = append(out, one)
		if e := item.Table.Get(firstOf(by)); e != nil && e.Value.Type == String {
			one.twice(first, by, e)
		}
	}
	return out
}

func firstOf(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return list[0]
}

// twice complains when an earlier table has the same name.
func (s *Section) twice(first map[string]int, by []string, e *Entry) {
	id := s.table.Identity(by)
	line := first[id]
	if line == 0 {
		first[id] = s.c.Line(e.Value.At.Begin)
		return
	}
	what, fix := Quoted(e.Value.Text)+" stands twice", "give each its own "+e.Key
	if len(by) > 1 {
		var words []string
		for i, part := range strings.Split(id, "\x00") {
			words = append(words, by[i]+" "+Quoted(part))
		}
		what, fix = strings.Join(words, " on ")+" stands twice", "put them into one table"
	}
	s.Add(e.Value.At, e.Key, what+"; first on line "+strconv.Itoa(line), fix)
}

// Identity is what tells the tables of a list apart: the texts of the given
// keys.
func (t *Table) Identity(by []string) string {
	var parts []string
	for _, key := range by {
		text := ""
		if e := t.Get(key); e != nil {
			text = e.Value.Text
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, "\x00")
}
