package document

import (
	"strings"
)

// A KeyTable is the reference text of the keys of one table.
type KeyTable struct {
	File  string    `json:"file"`           // "plan", "family"
	Table string    `json:"table"`          // its header, "[[step]]"; empty for the top of the file
	Of    string    `json:"of,omitempty"`   // which tables of this header, where they differ: kind = "soak"
	What  string    `json:"what,omitempty"` // what such a table is for
	Keys  []KeyText `json:"keys"`
}

// A KeyText is the reference text of one key.
type KeyText struct {
	Key     string   `json:"key"`
	Type    string   `json:"type"`              // how it is written
	Words   []string `json:"words,omitempty"`   // the words that may stand there
	Needed  bool     `json:"needed,omitempty"`  // it must be there
	Default string   `json:"default,omitempty"` // what holds without it
	What    string   `json:"what"`
}

// Reference describes keys, and those of the tables inside them. They are those
// of a table without values, so that what they hold is the default.
func Reference(file, header string, keys []Key) []KeyTable {
	table := KeyTable{File: file, Table: header}
	var inside []KeyTable
	path := strings.Trim(header, "[]")
	for _, k := range keys {
		text := KeyText{Key: k.Name, Type: k.To.Type, Words: k.To.words, Default: k.Absent, What: k.What}
		text.Needed = k.Needed != ""
		if k.Absent == "" && !text.Needed {
			text.Default = k.To.Text()
		}
		table.Keys = append(table.Keys, text)
		if k.To.inner != nil {
			header := "[" + strings.TrimPrefix(path+"."+k.Name, ".") + "]"
			if k.To.Type != "table" {
				header = "[" + header + "]"
			}
			inside = append(inside, Reference(file, header, k.To.inner())...)
		}
	}
	return append([]KeyTable{table}, inside...)
}

// Text lays the table out in lines of 60 columns.
func (t KeyTable) Text() string {
	w := NewWriter(60)
	title := t.Table
	if title == "" {
		title = "Top of a " + t.File + " file"
	}
	if t.Of != "" {
		title += " with " + t.Of
	}
	if t.What != "" {
		title += ": " + t.What
	}
	w.Line(0, title)
	widths := []int{17, 20, 19}
	if len(t.Keys) == 0 {
		w.Line(2, "no keys of its own")
	} else {
		w.Row(widths, "key", "type", "default")
	}
	for _, k := range t.Keys {
		w.Row(widths, k.Key, k.Type, k.absent())
		w.Line(4, k.What)
		if len(k.Words) > fewWords {
			w.Line(4, "words: "+strings.Join(k.Words, ", "))
		}
	}
	return w.String()
}

func (k KeyText) absent() string {
	switch {
	case k.Needed:
		return "must be there"
	case k.Default == "":
		return "–"
	}
	return k.Default
}

// WordsAt returns the words that may stand at a key inside a table of keys:
// "bench.slot.kind".
func WordsAt(keys []Key, path string) []string {
	name, rest, deeper := strings.Cut(path, ".")
	for _, k := range keys {
		if k.Name != name {
			continue
		}
		if deeper && k.To.inner != nil {
			return WordsAt(k.To.inner(), rest)
		}
		return k.To.words
	}
	return nil
}

// A Fact is one setting or limit in words.
type Fact struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

// Facts lists what keys say beyond their defaults, which are the values of the
// same keys of a table without values.
func Facts(keys, defaults []Key) []Fact {
	var out []Fact
	for i, k := range keys {
		text := k.To.Text()
		if text == defaults[i].To.Text() {
			text = ""
		}
		if k.Says != "" {
			text = k.Says
		}
		if k.Label != "-" && text != "" {
			out = append(out, Fact{k.label(), text})
		}
	}
	return out
}

func (k Key) label() string {
	if k.Label != "" {
		return k.Label
	}
	return strings.ReplaceAll(k.Name, "_", " ")
}
