// Package document reads TOML files by the keys that are declared for them.
//
// A file that people write is described by lists of [Key], each bound to the
// variable that its value goes to. By them [Read] fills the variables and finds
// every [Problem] of the file, with its line and column and how to put it right;
// [Facts] summarises what was read, and [Reference] describes what may be
// written.
//
// Below that stands [Collector.Parse]: text comes in; a tree of tables goes out in which
// every key and every value has its place, with every fault of the text. The
// package knows TOML (version 1.0, and from 1.1 the line breaks in inline tables
// and the escapes \e and \x), and nothing of plans.
package document

import "slices"

// A Span is a piece of the text, as offsets behind a byte order mark.
type Span struct{ Begin, End int }

// A Type is the type of a value.
type Type int

// The types.
const (
	String Type = iota + 1
	Integer
	Float
	Boolean
	Date
	Array
	Group // a table
)

// String names the type for messages.
func (t Type) String() string {
	switch t {
	case String:
		return "text"
	case Integer, Float:
		return "a number"
	case Boolean:
		return "true or false"
	case Date:
		return "a date"
	case Array:
		return "a list"
	case Group:
		return "a table"
	}
	return "nothing"
}

// A Value is one value with its place.
type Value struct {
	Type  Type
	At    Span
	Raw   string // as written, for everything but arrays and tables
	Text  string // String: the text it means; Date: as written
	Int   int64
	Float float64 // also set for an Integer
	Bool  bool
	Items []*Value // Array
	Table *Table   // Group

	made making
}

// TextAt returns the place of some characters of Text. It is exact for a text of
// one line without escapes, otherwise the place of the whole value.
func (v *Value) TextAt(column, width int) Span {
	runes := []rune(v.Text)
	if v.Type != String || v.Raw[1:len(v.Raw)-1] != v.Text {
		return v.At
	}
	column = min(max(column, 0), len(runes))
	begin := v.At.Begin + 1 + len(string(runes[:column]))
	width = max(1, min(width, len(runes)-column))
	return Span{begin, begin + len(string(runes[column:min(column+width, len(runes))]))}
}

// A Table is a set of keys in the order of the text.
type Table struct {
	At      Span // of its header or its opening brace
	Entries []*Entry

	byKey map[string]*Entry
}

// An Entry is a key with its value.
type Entry struct {
	Key   string
	At    Span // of the key
	Value *Value
}

// Get returns the entry of a key, spelled exactly so, or nil.
func (t *Table) Get(key string) *Entry {
	if t == nil {
		return nil
	}
	return t.byKey[key]
}

// Set puts a value under a key, in place of the one it has.
func (t *Table) Set(e *Entry) {
	if old := t.byKey[e.Key]; old != nil {
		*old = *e
		return
	}
	n := *e
	t.add(&n)
}

func (t *Table) add(e *Entry) {
	if t.byKey == nil {
		t.byKey = make(map[string]*Entry)
	}
	t.byKey[e.Key] = e
	t.Entries = append(t.Entries, e)
}

// With is the table with the keys of another in place of its own.
func (t *Table) With(other *Table) *Table {
	out := &Table{At: t.At}
	for _, e := range slices.Concat(t.Entries, other.Entries) {
		out.Set(e)
	}
	return out
}

// With is a table as a value, with the keys of another in place of its own.
func (v *Value) With(other *Table) *Value {
	out := *v
	out.Table = v.Table.With(other)
	return &out
}
