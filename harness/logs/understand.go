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
// follows and what the log is with it.
func Understand(name string, f io.ReadSeeker, m Map, h Hints) (Map, Preview, error) {
	if m.Format == "" {
		var err error
		if m, err = layOut(name, f, h.Columns); err != nil {
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
	return tryTimes(name, f, m)
}

// layOut makes out how a log is written, if need be by the columns that a person
// knows it to have.
func layOut(name string, f io.ReadSeeker, known []Column) (Map, error) {
	m, _, err := Sniff(name, f)
	if err == nil || len(known) == 0 {
		return m, err
	}
	var headers []string
	for _, c := range known {
		headers = append(headers, c.Header)
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return m, err
	}
	return layout(name, f, headers)
}

// tryTimes reads the log with the map. Where the map does not say how the time
// is written, it takes the way that fits the most rows.
func tryTimes(name string, f io.ReadSeeker, m Map) (Map, Preview, error) {
	at := slices.IndexFunc(m.Columns, func(c Column) bool { return c.Quantity == "time" })
	if at < 0 || m.Columns[at].Time != "" {
		p, err := tryMap(name, f, m)
		return m, p, err
	}
	var best Preview
	var bestMap Map
	var bestErr error
	for i, way := range []string{"", TimeClock, TimeDate} {
		one := m
		one.Columns = slices.Clone(m.Columns)
		one.Columns[at].Time = way
		if way == "" && one.Columns[at].Unit == "" {
			one.Columns[at].Unit = "s"
		}
		p, err := tryMap(name, f, one)
		if i == 0 || len(p.Rows)-len(p.Bad) > len(best.Rows)-len(best.Bad) {
			best, bestMap, bestErr = p, one, err
		}
	}
	return bestMap, best, bestErr
}

// tryMap reads the beginning of a log with a map. The error is a KeyError when
// the map itself is at fault.
func tryMap(name string, f io.ReadSeeker, m Map) (Preview, error) {
	if errs := m.Check(); len(errs) > 0 {
		return Preview{}, errs[0]
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return Preview{}, err
	}
	s, err := sampleOf(name, f)
	if err != nil {
		return Preview{}, err
	}
	return preview(name, s, m)
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
