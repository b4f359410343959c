package logs

import (
	"cmp"
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
	Columns   []Column // in the place of those of the same header or quantity
	Units     []Unit
	Place     string   // where the temperature sensor sits
	MaxBad    *float64 // share of rows that may be bad, in percent
	Every     float64  // s from row to row, where the log has no time; 0: not said
	Decimal   string   // sign; empty: not said
	Thousands string   // mark between thousands; empty: not said
}

// A Unit is that of the column with a header or a quantity; of a time it may be
// how it is written.
type Unit struct{ Name, Unit string }

// isForm reports whether the unit says how a time is written.
func (u Unit) isForm() bool { return u.Unit == TimeDate || strings.Contains(u.Unit, ":") }

// on gives the unit to a column.
func (u Unit) on(c *Column) {
	if c.Unit, c.Time = u.Unit, ""; u.isForm() {
		c.Unit, c.Time = "", u.Unit
	}
}

// guess is what a header says with what a person says of it.
func (h Hints) guess(header string) guess {
	g := recognise(header)
	for _, c := range h.Columns {
		if c.Header == header {
			g = guess{quantity: c.Quantity, unit: c.Unit, place: c.Place, time: c.Time, hinted: true}
			if _, unit := splitHeader(header); g.unit == "" {
				if _, _, known := unitOf(Column{Quantity: c.Quantity, Unit: unit}); known {
					g.unit = unit
				}
			}
		}
	}
	for _, u := range h.Units {
		what := cmp.Or(g.quantity, g.lacking)
		if what == "" || u.Name != header && u.Name != what {
			continue
		}
		c := Column{Unit: g.unit, Time: g.time}
		u.on(&c)
		g.quantity, g.unit, g.time, g.hinted, g.why = what, c.Unit, c.Time, true, ""
	}
	return g
}

// unnamed refuses a header that lacks a column that a person names.
func (h Hints) unnamed(name string, head heading) *Problem {
	var columns []column
	for _, f := range head.fields {
		columns = append(columns, column{header: string(f.text)})
	}
	return h.unseen(name, columns)
}

func (h Hints) unseen(name string, columns []column) *Problem {
	var missing []string
	for _, c := range h.Columns {
		if !slices.ContainsFunc(columns, func(have column) bool { return have.header == c.Header }) {
			missing = append(missing, shown(c.Header))
		}
	}
	if len(missing) == 0 {
		return nil
	}
	return &Problem{
		File: name,
		What: "no line near the beginning has the columns " + strings.Join(missing, ", "),
		Fix:  "write the names as the header of the log has them",
	}
}

// Settle reads the beginning of a log and returns how it is read: with the map,
// or as it can be made out where the map has no format; and with the hints. What
// the log leaves open it finds out from the rows, or refuses as an *[Open]. The
// error is a KeyError when the map itself is at fault.
func Settle(name string, r io.Reader, m Map, h Hints) (Map, error) {
	s, err := sampleOf(name, r)
	if err != nil {
		return m, err
	}
	return settled(name, s, m, h)
}

// Understand is [Settle] that also says what the log is with the map.
func Understand(name string, r io.Reader, m Map, h Hints) (Map, Preview, error) {
	s, err := sampleOf(name, r)
	if err != nil {
		return m, Preview{}, err
	}
	if m, err = settled(name, s, m, h); err != nil {
		return m, Preview{}, err
	}
	p, err := preview(name, s, m)
	return m, p, err
}

func settled(name string, s sample, m Map, h Hints) (Map, error) {
	var err error
	if m.Format == "" {
		if m, err = sniff(name, s, h); err != nil {
			return m, err
		}
		h.Columns = nil // they are in it
	}
	m.Columns = slices.Clone(m.Columns)
	if err := h.on(&m); err != nil {
		return m, err
	}
	if errs := m.Check(); len(errs) > 0 && !lacksUnit(errs[0]) {
		return m, errs[0]
	}
	if err := settle(name, s, &m); err != nil {
		return m, err
	}
	if errs := m.Check(); len(errs) > 0 {
		return m, errs[0]
	}
	return m, nil
}

func lacksUnit(e KeyError) bool { return strings.HasSuffix(e.Key, ".unit") }

// on puts what a person says into a map.
func (h Hints) on(m *Map) error {
	for _, column := range h.Columns {
		m.Columns = slices.DeleteFunc(m.Columns, func(c Column) bool {
			return c.Header == column.Header || c.Quantity == column.Quantity
		})
		m.Columns = append(m.Columns, column)
	}
	for _, u := range h.Units {
		i := slices.IndexFunc(m.Columns, func(c Column) bool { return c.Header == u.Name || c.Quantity == u.Name })
		if i < 0 {
			return fmt.Errorf("--unit: the log has no column %q; say what its columns are with --column HEADER=QUANTITY", u.Name)
		}
		u.on(&m.Columns[i])
	}
	for i := range m.Columns {
		if h.Place != "" && m.Columns[i].Quantity == "temperature" {
			m.Columns[i].Place = h.Place
		}
	}
	if h.MaxBad != nil {
		m.MaxBad = *h.MaxBad
	}
	if h.Every > 0 {
		if m.Place("time") >= 0 {
			return errors.New("--row-every is for a log without a time, and this one has one")
		}
		m.Every = h.Every
	}
	m.Decimal, m.Thousands = cmp.Or(h.Decimal, m.Decimal), cmp.Or(h.Thousands, m.Thousands)
	if m.Decimal == m.Thousands {
		if h.Thousands == "" {
			m.Thousands = ""
		} else if h.Decimal == "" {
			m.Decimal = map[string]string{",": ".", ".": ","}[h.Thousands]
		}
	}
	return nil
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

// ColumnOf is the column of a header that a person says the quantity of. Its
// unit is still to be said or found out.
func ColumnOf(header, quantity string) (Column, error) {
	if known := Quantities(); !slices.Contains(known, quantity) {
		if near := document.Nearest(quantity, known); near != "" {
			return Column{}, fmt.Errorf("%q is no quantity; did you mean %q?", quantity, near)
		}
		return Column{}, fmt.Errorf("%q is no quantity; known are: %s", quantity, strings.Join(known, ", "))
	}
	return Column{Header: header, Quantity: quantity}, nil
}
