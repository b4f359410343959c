package logs

import (
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"proveout/plans/document"
)

// Hints are what a person says of a log that its map does not.
type Hints struct {
	Columns []Column // in the place of those of the same header or quantity
	Units   []Unit
	Place   string   // where the temperature sensor sits
	MaxBad  *float64 // share of rows that may be bad, in percent
}

// A Unit is that of the column with a header or a quantity.
type Unit struct{ Name, Unit string }

// Understand reads the beginning of a log: with the map, or as it can be made
// out where the map has no format; and with the hints. It returns the map that
// follows and what the log is with it. The error is a KeyError when the map
// itself is at fault.
func Understand(name string, r io.Reader, m Map, h Hints) (Map, Preview, error) {
	s, err := sampleOf(name, r)
	if err != nil {
		return m, Preview{}, err
	}
	if m.Format == "" {
		if m, err = sniff(name, s); err != nil && len(h.Columns) > 0 {
			m, err = layout(name, s, h.Columns)
		}
		if err != nil {
			return m, Preview{}, err
		}
	}
	for _, column := range h.Columns {
		m.Columns = slices.DeleteFunc(m.Columns, func(c Column) bool {
			return c.Header == column.Header || c.Quantity == column.Quantity
		})
		m.Columns = append(m.Columns, column)
	}
	for _, u := range h.Units {
		i := slices.IndexFunc(m.Columns, func(c Column) bool { return c.Header == u.Name || c.Quantity == u.Name })
		if i < 0 {
			return m, Preview{}, fmt.Errorf("--unit: the map has no column %q", u.Name)
		}
		m.Columns[i].Unit = u.Unit
	}
	for i := range m.Columns {
		if h.Place != "" && m.Columns[i].Quantity == "temperature" {
			m.Columns[i].Place = h.Place
		}
	}
	if h.MaxBad != nil {
		m.MaxBad = *h.MaxBad
	}
	if errs := m.Check(); len(errs) > 0 {
		return m, Preview{}, errs[0]
	}
	if i := m.Place("time"); i >= 0 && m.Columns[i].Time == "" {
		readTime(name, s, m, &m.Columns[i])
	}
	p, err := preview(name, s, m)
	return m, p, err
}

// layout makes out how a delimited log is written whose columns a person knows:
// encoding, delimiter, decimal sign, and line of the header that has them all.
// The map has no columns yet.
func layout(name string, s sample, known []Column) (Map, error) {
	var headers []string
	for _, c := range known {
		headers = append(headers, c.Header)
	}
	m := Map{Format: Delimited, Encoding: detectEncoding(s.bytes)}
	lines := s.lines(m.Encoding)
	for i, line := range lines[:min(len(lines), headerLines)] {
		for _, delim := range []byte(",;\t| ") {
			names := texts(fieldsOf(line, delim))
			if slices.ContainsFunc(headers, func(h string) bool { return !slices.Contains(names, h) }) {
				continue
			}
			m.Header, m.Delimiter, m.Decimal = i+1, string(delim), sniffDecimal(lines[i+1:], delim)
			return m, nil
		}
	}
	return m, &Problem{
		File: name,
		What: fmt.Sprintf("no line near the beginning has the columns %s", strings.Join(headers, ", ")),
		Fix:  "write the names as the header of the log has them",
	}
}

// readTime says of the column of the time how it is written, by the first one of
// the sample.
func readTime(name string, s sample, m Map, c *Column) {
	l, err := newLog(name, m, nil)
	if err != nil {
		return // it will be told with the rows
	}
	var first []byte
	for _, line := range s.lines(l.m.Encoding) {
		if row, _, _ := l.cut([]byte(line)); row && !missing(l.fields.found[l.tc].text) {
			first = l.fields.found[l.tc].text
			break
		}
	}
	c.Time, _ = timeForm(string(first), l.m.Decimal)
	if c.Time == "" && c.Unit == "" {
		c.Unit = "s"
	}
}

// TextMap makes the map of a log of free text: the named groups of the pattern
// are columns, named after their quantity.
func TextMap(pattern string) (Map, error) {
	re, err := regexp.Compile(pattern)
	if err != nil {
		return Map{}, err
	}
	m := Map{Format: Text, Encoding: UTF8, Decimal: ".", Pattern: pattern}
	for _, group := range re.SubexpNames() {
		if group == "" {
			continue
		}
		column, err := ColumnOf(group, strings.ReplaceAll(group, "_", "-"))
		if err != nil {
			return m, fmt.Errorf("the group %w", err)
		}
		m.Columns = append(m.Columns, column)
	}
	if len(m.Columns) == 0 {
		return m, errors.New("no group has a name; write for instance 'at (?P<temperature>[0-9.]+) C'")
	}
	return m, nil
}

// ColumnOf is the column of a header that a person says the quantity of. A
// temperature is in °C where nothing else is said; other quantities must say
// their unit.
func ColumnOf(header, quantity string) (Column, error) {
	if known := Quantities(); !slices.Contains(known, quantity) {
		if near := document.Nearest(quantity, known); near != "" {
			return Column{}, fmt.Errorf("%q is no quantity; did you mean %q?", quantity, near)
		}
		return Column{}, fmt.Errorf("%q is no quantity; known are: %s", quantity, strings.Join(known, ", "))
	}
	c := Column{Header: header, Quantity: quantity}
	if strings.Contains(quantity, "temperature") || quantity == "ambient" {
		c.Unit = "°C"
	}
	return c, nil
}
