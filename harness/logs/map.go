// Package logs reads the logs that load and sensor programs write.
//
// A file comes in: delimited text with a header, JSON lines, or free text, in
// any of the usual encodings. Rows of quantities in base units go out, in the
// order of the file, with a summary. What each column is and how it is written
// is stated by a [Map]; [Settle] makes one for an unknown file, and asks what it
// leaves open.
//
// A log is streamed: memory does not grow with its length. A row is one line. A
// log that cannot be understood gives a [Problem] with line and column. The
// package keeps no files, knows no steps and judges nothing.
//
// Base units: time, frame-time and frame-stamp s, temperatures °C, fps 1/s, power W, clocks
// Hz, busy and fan-duty as a ratio (1 is 100 %), fan-speed 1/s, voltage V,
// current A; frames and score are plain numbers.
package logs

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"proveout/plans/document"
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// A Format is how the rows of a log are written.
type Format string

// The formats.
const (
	Delimited Format = "delimited"  // fields between delimiters, below a header
	JSONLines Format = "json-lines" // one JSON object a line
	Text      Format = "text"       // free text, read by a regular expression
)

// An Encoding is how the characters of a log are written.
type Encoding string

// The encodings.
const (
	UTF8        Encoding = "utf-8"
	UTF16LE     Encoding = "utf-16le"
	UTF16BE     Encoding = "utf-16be"
	CodePage437 Encoding = "cp437"
	CodePage850 Encoding = "cp850"
	Windows1252 Encoding = "cp1252"
)

// A Map says how a log is written and what its columns are. It is kept with the
// job, so that the log is read the same way each time.
type Map struct {
	Format    Format   `json:"format"`
	Encoding  Encoding `json:"encoding"`
	Delimiter string   `json:"delimiter,omitempty"` // one ASCII character
	Decimal   string   `json:"decimal,omitempty"`   // "." or ","
	Header    int      `json:"header,omitempty"`    // line of the header, from 1
	Skip      int      `json:"skip,omitempty"`      // lines below the header that are not rows
	Comment   string   `json:"comment,omitempty"`   // lines that begin so are passed over
	Pattern   string   `json:"pattern,omitempty"`   // of free text; its named groups are the columns
	Columns   []Column `json:"columns"`
	Split     Split    `json:"split,omitzero"`
	Thousands string   `json:"thousands,omitempty"` // what stands between thousands; empty: nothing
	// Every is the time from row to row, in s, of a log without a time; 0 where it
	// has one. The rows then have a time behind the values of their columns.
	Every float64 `json:"every_s,omitempty"`
	// Found says what was made out from the rows, since the file does not say it.
	Found []fact.Fact `json:"found,omitempty"`
	// MaxBad is the share of rows, in percent, that may be bad before the log is
	// refused. 0: none.
	MaxBad float64 `json:"max_bad_percent,omitempty"`
}

// A Column says what one column of the log is. Columns that the map does not
// name are passed over.
type Column struct {
	Header   string `json:"header"`   // as the file calls it: header, JSON key or group
	Quantity string `json:"quantity"` // one of Quantities()
	Unit     string `json:"unit,omitempty"`
	Place    string `json:"place,omitempty"` // of a temperature: die, heatsink, case, board
	// Time is how a time is written: empty for a plain number, TimeClock,
	// TimeDate, or a layout of YYYY MM DD hh mm ss with any text between them.
	Time string `json:"time,omitempty"`
}

// How a time may be written, apart from a plain number.
const (
	TimeDate   = "RFC 3339" // 2026-11-24T22:41:39.5+01:00; space for T and no offset will do
	TimeClock  = "hh:mm:ss" // time of day, passes over midnight; AM or PM may stand behind it
	TimeMinute = "hh:mm"    // the same without seconds
	TimeSecond = "mm:ss"    // minutes and seconds since something began
)

// A Split is the rule that cuts a log into runs.
type Split struct {
	By     string `json:"by,omitempty"`
	Column string `json:"column,omitempty"` // with SplitColumn: header of the column
	Marker string `json:"marker,omitempty"` // with SplitMarker: what the line contains
}

// The rules of a Split. Without one the log is one run.
const (
	SplitColumn = "column" // a run ends where the column changes its value
	SplitBack   = "time-back"
	SplitMarker = "marker" // a line that contains the marker begins a run
	SplitHeader = "header" // the header again begins a run
)

// Place is where the first column of a quantity stands; −1 when there is none.
func (m Map) Place(quantity string) int {
	i := slices.IndexFunc(m.Columns, func(c Column) bool { return c.Quantity == quantity })
	if i < 0 && quantity == "time" && m.Every > 0 {
		return len(m.Columns)
	}
	return i
}

// Check returns what is wrong with the map, each with the key it stands at.
func (m *Map) Check() []KeyError {
	var errs []KeyError
	bad := func(key, fix, format string, args ...any) {
		errs = append(errs, KeyError{key, fmt.Sprintf(format, args...), fix})
	}
	m.checkWords(bad)
	switch m.Format {
	case Delimited:
		ascii := len(m.Delimiter) == 1 && m.Delimiter[0] < utf8.RuneSelf
		if !ascii || strings.ContainsAny(m.Delimiter, "\"\r\n0123456789+-") {
			bad("delimiter", `write ",", ";" or "\t"`, "delimiter %s cannot part fields", shown(m.Delimiter))
		}
		if m.Delimiter == m.Decimal {
			bad("decimal", "give one of them another character",
				"delimiter and decimal sign are both %s", shown(m.Decimal))
		}
		if m.Header < 1 || m.Header > 1000 {
			bad("header", "write the line the header stands on, from 1 to 1000", "header = %d is no line", m.Header)
		}
		if m.Skip < 0 || m.Skip > 1000 {
			bad("skip", "write how many lines below the header are not rows", "skip = %d is not possible", m.Skip)
		}
	case Text:
		m.checkPattern(bad)
	}
	if !(m.Every >= 0 && m.Every <= 86400) {
		bad("every", "write the time from row to row, such as \"1 s\"", "%g s from row to row is not possible", m.Every)
	}
	if m.Thousands != "" && m.Thousands == m.Decimal {
		bad("thousands", "give one of them another character", "%s has two meanings", shown(m.Thousands))
	}
	if !(m.MaxBad >= 0 && m.MaxBad <= 100) {
		bad("max_bad_percent", "write 0 to 100", "a share of %g %% is not possible", m.MaxBad)
	}
	m.checkSplit(bad)
	m.checkColumns(bad)
	return errs
}

// A KeyError is a mistake in a map at one of its keys ("column.2.unit").
type KeyError struct{ Key, What, Fix string }

func (e KeyError) Error() string { return e.Key + ": " + e.What }

type complain func(key, fix, format string, args ...any)

// checkWords looks at the keys that take one of a few words. Those of a file are
// looked at as it is read; a map may also come from a job or a record.
func (m *Map) checkWords(bad complain) {
	check := func(at string, keys []document.Key) {
		for _, k := range keys {
			words, word := document.WordsAt(keys, k.Name), k.To.Text()
			if len(words) > 0 && !slices.Contains(words, word) {
				bad(at+k.Name, "write one of "+strings.Join(words, ", "), "%s is not known here", shown(word))
			}
		}
	}
	check("", m.keys())
	for i := range m.Columns {
		check(fmt.Sprintf("column.%d.", i+1), columnKeys(&m.Columns[i]))
	}
	if m.Split.By != "" {
		check("split.", splitKeys(&m.Split))
	}
}

func (m *Map) checkPattern(bad complain) {
	re, err := regexp.Compile(m.Pattern)
	switch {
	case m.Pattern == "":
		bad("pattern", `write a regular expression such as "temp=(?P<temp>[0-9.]+)"`, "free text needs a pattern")
	case err != nil:
		bad("pattern", "see RE2 syntax for regular expressions", "%v", err)
	default:
		for i, c := range m.Columns {
			if !slices.Contains(re.SubexpNames(), c.Header) {
				bad(fmt.Sprintf("column.%d.header", i+1), "write (?P<"+c.Header+">…) in the pattern",
					"the pattern has no group named %s", shown(c.Header))
			}
		}
	}
}

func (m *Map) checkSplit(bad complain) {
	s := m.Split
	switch s.By {
	case SplitBack:
		if m.Place("time") < 0 {
			bad("split.by", "map a column to time", "a split where the time goes back needs a time")
		}
	case SplitHeader:
		if m.Format != Delimited {
			bad("split.by", `use "marker"`, "only a delimited log has a header")
		}
	case SplitColumn:
		if s.Column == "" {
			bad("split.column", "name the column as the log calls it", "the split names no column")
		}
	case SplitMarker:
		if s.Marker == "" {
			bad("split.marker", "write what the marker line contains", "the split names no marker")
		}
	}
}

func (m *Map) checkColumns(bad complain) {
	seen := map[string]int{}
	values, unknown := 0, 0
	for i, c := range m.Columns {
		key := fmt.Sprintf("column.%d.", i+1)
		q, ok := measures[c.Quantity]
		if !ok {
			unknown++ // which has been told
			continue
		}
		if c.Header == "" {
			bad(key+"header", "name the column as the log calls it", "the column has no header")
		}
		if c.Quantity != "time" {
			values++
		}
		switch {
		case c.Time != "" && c.Quantity != "time":
			bad(key+"time", "take it out", "a %s is not written as a time", c.Quantity)
		case c.Time != "":
			if _, err := newClock(c.Time); err != nil {
				bad(key+"time", `write "RFC 3339", "hh:mm:ss" or a layout such as "DD.MM.YYYY hh:mm:ss"`, "%v", err)
			}
		case c.Unit == "" && !q.bare && c.Quantity != "time" && c.Quantity != "frame-stamp":
			bad(key+"unit", "write the unit the log uses", "a %s needs a unit", c.Quantity)
		case c.Unit != "":
			if _, _, known := unitOf(c); !known {
				bad(key+"unit", "write one of "+strings.Join(quantity.FileSpellings(q.dim), ", "),
					"a %s cannot be in %s", c.Quantity, shown(c.Unit))
			}
		}
		what := c.Quantity + " " + c.Place
		if first, twice := seen[what]; twice {
			bad(key+"quantity", "leave one of them out, or give them places",
				"columns %d and %d are both the %s", first, i+1, strings.TrimSpace(what))
		}
		seen[what] = i + 1
	}
	if values == 0 && unknown == 0 {
		bad("column", "add a [[column]] with a quantity beside the time", "no column holds a value")
	}
}
