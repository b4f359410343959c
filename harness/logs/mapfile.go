package logs

import (
	"cmp"
	"fmt"
	"io"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// usualMap is a map that says nothing.
func usualMap() *Map { return &Map{Encoding: UTF8, Decimal: "."} }

// MapKeys describes the keys that a log map may have.
func MapKeys() []document.KeyTable { return document.Reference("logmap", "", usualMap().keys()) }

// keys are the keys of a log map, bound to its fields.
func (m *Map) keys() []document.Key {
	return []document.Key{
		{Name: "format", To: document.Word(&m.Format, Delimited, JSONLines, Text), Needed: `"delimited"`,
			What: "how the rows are written"},
		{Name: "encoding", To: document.Word(&m.Encoding,
			UTF8, UTF16LE, UTF16BE, CodePage437, CodePage850, Windows1252),
			What: "how the characters are written"},
		{Name: "delimiter", To: document.Verbatim(&m.Delimiter), Absent: `"," where fields are delimited`,
			What: "the character between fields"},
		{Name: "decimal", To: document.Word(&m.Decimal, ".", ","), What: "decimal sign"},
		{Name: "thousands", To: document.Verbatim(&m.Thousands), Absent: "nothing",
			What: "what stands between thousands"},
		{Name: "header", To: document.Whole(&m.Header, 1, 1000), Absent: "1 where fields are delimited",
			What: "line the header stands on"},
		{Name: "skip", To: document.Whole(&m.Skip, 0, 1000), Absent: "0",
			What: "lines below the header that are not rows"},
		{Name: "comment", To: document.Verbatim(&m.Comment), What: "lines that begin so are passed over"},
		{Name: "pattern", To: document.Verbatim(&m.Pattern),
			What: "of free text: a regular expression whose named groups are the columns"},
		{Name: "max_bad_percent", To: document.Own("number", m.readMaxBad, m.maxBad), Absent: "0",
			What: "share of rows that may be bad before the log is refused"},
		{Name: "every", To: document.Own("duration", m.readEvery, m.every), Absent: "the log has a time",
			What: "time from row to row of a log without a time"},
		{Name: "column", To: document.Tables(&m.Columns, columnKeys, nil), Needed: "[[column]]",
			What: "the columns; one that is not named is passed over"},
		{Name: "split", To: document.Inner(&m.Split, splitKeys, nil), Absent: "the log is one run",
			What: "what cuts the log into runs"},
	}
}

func (m *Map) readMaxBad(s *document.Section, key string, v *document.Value) {
	if s.Is(key, v, document.Float) {
		m.MaxBad = v.Float
	}
}

func (m *Map) maxBad() string { return strconv.FormatFloat(m.MaxBad, 'f', -1, 64) }

func (m *Map) readEvery(s *document.Section, key string, v *document.Value) {
	if !s.Is(key, v, document.String) {
		return
	}
	q, err := quantity.Parse(v.Text, quantity.Duration)
	if err != nil || q.Tolerated || q.Value <= 0 {
		s.Add(v.At, key, document.Quoted(v.Text)+" is not a time from row to row", `write it as in "1 s"`)
		return
	}
	m.Every = q.Value
}

func (m *Map) every() string {
	if m.Every == 0 {
		return ""
	}
	return quantity.Format(m.Every, 0, quantity.Duration)
}

func columnKeys(c *Column) []document.Key {
	return []document.Key{
		{Name: "header", To: document.Verbatim(&c.Header), Needed: `"…"`,
			What: "as the file calls it: header, JSON key or group"},
		{Name: "quantity", To: document.Word(&c.Quantity, Quantities()...), Needed: `"temperature"`,
			What: "what it is"},
		{Name: "unit", To: document.Text(&c.Unit), What: "of its numbers"},
		{Name: "place", To: document.Text(&c.Place), What: "of a temperature: die, heatsink, case, board"},
		{Name: "time", To: document.Text(&c.Time), Absent: "a plain number",
			What: `how a time is written: "hh:mm:ss", "hh:mm", "mm:ss", "RFC 3339", ` +
				`or a layout of YYYY MM DD hh mm ss PM`},
	}
}

func splitKeys(s *Split) []document.Key {
	return []document.Key{
		{Name: "by", To: document.Word(&s.By, SplitColumn, SplitBack, SplitMarker, SplitHeader), Needed: `"time-back"`,
			What: "what begins a new run"},
		{Name: "column", To: document.Verbatim(&s.Column), What: "with column: the header of the column that changes"},
		{Name: "marker", To: document.Verbatim(&s.Marker), What: "with marker: what the line contains"},
	}
}

// ParseMap reads a log map written in TOML. Every problem found is returned, in
// the order of the file; the map is usable only when there is none.
func ParseMap(name string, data []byte) (Map, []document.Problem) {
	m := usualMap()
	problems := document.Read(name, data, `begin with format = "delimited"`, m.keys(), func(s *document.Section) {
		if m.Format == Delimited {
			m.Delimiter, m.Header = cmp.Or(m.Delimiter, ","), cmp.Or(m.Header, 1)
		}
		if !s.Sound() {
			return // what its keys say together means nothing yet
		}
		for _, e := range m.Check() {
			at, key := placeOf(s.Table(), e.Key)
			s.Add(at, key, e.What, e.Fix)
		}
	})
	return *m, problems
}

// placeOf returns the place of what stands at a key such as "column.2.unit", or
// of the table that it is missing from, and the key without the number.
func placeOf(t *document.Table, path string) (document.Span, string) {
	key, rest, _ := strings.Cut(path, ".")
	e := t.Get(key)
	switch {
	case e == nil:
		return t.At, path
	case rest == "" && e.Value.Type == document.Array && len(e.Value.Items) > 0:
		return e.Value.Items[0].At, path // the first [[column]] stands for all
	case rest == "":
		return e.Value.At, path
	}
	inner := e.Value.Table
	if e.Value.Type == document.Array {
		number, below, _ := strings.Cut(rest, ".")
		n, err := strconv.Atoi(number)
		if err != nil || n < 1 || n > len(e.Value.Items) {
			return e.Value.At, path
		}
		inner, rest = e.Value.Items[n-1].Table, below
	}
	at, below := placeOf(inner, rest)
	return at, key + "." + below
}

// Write writes the map as TOML, with a word on each key outside its columns.
func (m Map) Write(w io.Writer) error {
	var b strings.Builder
	b.WriteString("# How to read a log. Lines that begin with # are remarks.\n\n")
	writeKeys(&b, m.keys(), true)
	for _, c := range m.Columns {
		b.WriteString("\n[[column]]\n")
		writeKeys(&b, columnKeys(&c), false)
	}
	if m.Split.By != "" {
		b.WriteString("\n[split]\n")
		writeKeys(&b, splitKeys(&m.Split), true)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// writeKeys writes the keys that have a value, each with a remark if wanted.
func writeKeys(b *strings.Builder, keys []document.Key, remarks bool) {
	for _, k := range keys {
		value := k.To.Text()
		switch k.To.Type {
		case "table", "tables":
			continue
		case "number", "whole number":
		default:
			if value != "" {
				value = document.Quote(value)
			}
		}
		if value == "" {
			continue
		}
		fmt.Fprintf(b, "%-9s = %s", k.Name, value)
		if remarks {
			b.WriteString("  # " + k.What)
			if words := document.WordsAt(keys, k.Name); len(words) > 0 {
				b.WriteString(": " + strings.Join(words, ", "))
			}
		}
		b.WriteByte('\n')
	}
}
