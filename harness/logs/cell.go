package logs

import (
	"bytes"
	"fmt"
	"math"

	"proveout/plans/quantity"
)

// A cell reads the fields of one column.
type cell struct {
	header   string
	quantity string
	measure  measure
	unit     quantity.Unit
	inverse  bool // the file holds one over the quantity
	isTime   bool
	clk      *clock // of a time that is no plain number
	decimal  byte
	mark     string // between thousands; empty: none

	seen    int64 // values that are there
	written int   // most digits behind the decimal sign
	needed  int   // the same without zeros at the end
	shape   shape // of what is written
}

// lowest stands for "no digit seen yet" in written and needed.
const lowest = -1 << 30

func newCell(c Column, decimal byte, clk *clock) cell {
	cl := cell{
		header: c.Header, quantity: c.Quantity, measure: measures[c.Quantity], isTime: c.Quantity == "time",
		decimal: decimal, written: lowest, needed: lowest,
	}
	if c.Time != "" {
		cl.clk = clk
	} else {
		cl.unit, cl.inverse, _ = unitOf(c)
	}
	if c.Time == TimeMinute {
		cl.unit, _ = quantity.InFile(quantity.Duration, "min") // its last digit counts minutes
	}
	return cl
}

// unitOf is the unit of a column, and whether it is that of the inverse. known is
// false where the quantity has no such unit.
func unitOf(c Column) (u quantity.Unit, inverted, known bool) {
	if u, known = quantity.InFile(measures[c.Quantity].dim, c.Unit); known {
		return u, false, true
	}
	u, known = quantity.InFile(inverse(c.Quantity), c.Unit)
	return u, known, known
}

// value returns the value of a field, and how many decimals it is written with.
// ok is false, and v NaN, when there is none that can be read.
func (c *cell) value(text []byte) (v float64, decimals int, ok bool) {
	if c.clk != nil {
		v, decimals, ok = c.clk.read(text)
	} else if v, decimals, ok = parseNumber(c.plain(text), c.decimal, c.unit.Power()); ok {
		if v = c.unit.Finish(v); c.inverse {
			v = 1 / v
		}
		ok = v >= c.measure.lo && v <= c.measure.hi
	}
	if !ok {
		v = math.NaN()
	}
	return v, decimals, ok
}

// plain is a number without the marks between its thousands, where it has them
// in the right places.
func (c *cell) plain(text []byte) []byte {
	if c.mark == "" {
		return text
	}
	return withoutMarks(text, c.mark, c.decimal)
}

// note takes in how finely a value is written.
func (c *cell) note(decimals int, text []byte) {
	c.shape.note(text, decimals)
	if decimals <= c.needed {
		return
	}
	c.written = max(c.written, decimals)
	if c.clk == nil { // the zeros of a clock count like any digit
		decimals -= endZeros(text, c.decimal)
	}
	c.needed = max(c.needed, decimals)
}

// resolution returns one step of the last digit of the column, base unit. Zeros
// that end every value of a column of 20 rows or more do not count: a program
// that prints whole degrees as 55.0 knows whole degrees.
func (c *cell) resolution() float64 {
	places := c.written
	if c.seen >= 20 {
		places = c.needed
	}
	step := c.unit.Step(places)
	if c.inverse || places == lowest || math.IsInf(step, 0) {
		return 0
	}
	return step
}

// refusal says why a field without a value makes its row a bad one; what is
// empty when it does not.
func (c *cell) refusal(text []byte, f Format) (what, fix string) {
	switch {
	case missing(text) && c.isTime && f != Text: // there, a row takes the time above it
		return "the row has no time", "complete the row or take it out"
	case missing(text):
		return "", ""
	case c.clk != nil:
		return shown(string(text)) + " is not a time", timeFix
	case isNumber(text, c.decimal):
		m := c.measure
		what = fmt.Sprintf("%s is outside what %s can be (%g to %g%s)",
			shown(string(text)), c.quantity, m.lo, m.hi, baseUnit(m.dim))
		return what, "check the unit, and whether the sensor was connected"
	}
	return shown(string(text)) + " is not a number", c.numberFix(text)
}

const timeFix = "write times as 2026-11-24T22:41:39, as hh:mm:ss or as seconds, or give the layout in a log map"

// numberFix says what may put a number right that cannot be read.
func (c *cell) numberFix(field []byte) string {
	other := byte(',')
	if c.decimal == ',' {
		other = '.'
	}
	switch {
	case bytes.IndexByte(field, other) >= 0 && bytes.IndexByte(field, c.decimal) < 0:
		return fmt.Sprintf("if the decimal sign is %q, say so with --decimal %[1]s; "+
			"if it stands between thousands, with --thousands %[1]s", string(other))
	case bytes.IndexByte(field, other) >= 0:
		return "write numbers without a sign between thousands"
	case bytes.Contains(field, []byte("\ufffd")):
		return "copy the file again: it is cut off, or in another encoding than it seems"
	}
	if i := bytes.LastIndexAny(field, "0123456789"); i >= 0 && isNumber(field[:i+1], c.decimal) {
		return "write the number alone; its unit belongs in the header"
	}
	return "mend or take out the line, or allow a share of bad rows in a log map: max_bad_percent = 1"
}

// missing reports whether a field says that there is no value.
func missing(field []byte) bool {
	switch string(bytes.ToLower(field)) {
	case "", "-", "--", "---", "n/a", "na", "nan", "null", "none":
		return true
	}
	return false
}
