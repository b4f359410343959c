package logs

import (
	"bytes"
	"fmt"
	"math"

	"proveout/plans/quantity"
)

// rows are the rows of one block, as a parser leaves them.
type rows struct {
	n        int
	cols     [][]float64
	line     []int32  // line of the block a row stands on, from 0
	key      []uint64 // of the split column's text
	marks    []int    // rows before which a marker line stands
	bad      []BadRow // Line counts from 0 in the block
	badCount int64
	lines    int
	written  []int   // most digits behind the decimal sign
	needed   []int   // the same without zeros at the end
	seen     []int64 // values that are there
}

// reset makes room for the rows of text, each of at least shortest bytes.
func (r *rows) reset(text []byte, columns int, keyed bool, shortest int) {
	r.lines = bytes.Count(text, []byte{'\n'})
	room := min(r.lines, len(text)/max(shortest, 1)+1) // lines without a row need none
	if len(r.cols) != columns {
		r.cols = make([][]float64, columns)
		r.written, r.needed, r.seen = make([]int, columns), make([]int, columns), make([]int64, columns)
	}
	for c := range r.cols {
		if cap(r.cols[c]) < room {
			r.cols[c] = make([]float64, room)
		}
		r.cols[c] = r.cols[c][:room]
		r.written[c], r.needed[c], r.seen[c] = lowest, lowest, 0
	}
	if cap(r.line) < room {
		r.line = make([]int32, room)
	}
	r.line = r.line[:room]
	if keyed {
		if cap(r.key) < room {
			r.key = make([]uint64, room)
		}
		r.key = r.key[:room]
	}
	r.n, r.marks, r.bad, r.badCount = 0, r.marks[:0], r.bad[:0], 0
}

// lowest stands for "no digit seen yet" in written and needed.
const lowest = -1 << 30

func (r *rows) refuse(b BadRow) {
	r.badCount++
	if len(r.bad) < keptBad {
		r.bad = append(r.bad, b)
	}
}

// digits notes how finely a value was written.
func (r *rows) digits(col, places, zeros int) {
	r.written[col] = max(r.written[col], places)
	r.needed[col] = max(r.needed[col], places-zeros)
}

// fnv is the 64-bit FNV-1a hash of a field (RFC 9923; from memory).
func fnv(b []byte) uint64 {
	h := uint64(14695981039346656037)
	for _, c := range b {
		h = (h ^ uint64(c)) * 1099511628211
	}
	return h
}

// missing reports whether a field says that there is no value.
func missing(field []byte) bool {
	switch string(bytes.ToLower(field)) {
	case "", "-", "--", "---", "n/a", "na", "nan", "null", "none":
		return true
	}
	return false
}

// A cell reads the fields of one column.
type cell struct {
	col            int // column of the rows; -1 when the field is passed over
	key            bool
	header         string
	unit           quantity.Unit
	quantity, base string
	clk            *clock
	lo, hi         float64
	isTime         bool
}

func newCell(col int, c Column, clk *clock) cell {
	m := measures[c.Quantity]
	u, _ := quantity.InFile(m.dim, c.Unit)
	cl := cell{col: col, header: c.Header, unit: u, lo: m.lo, hi: m.hi, isTime: c.Quantity == "time", quantity: c.Quantity, base: baseUnit(m.dim)}
	if c.Time != "" {
		cl.clk = clk
		cl.lo, cl.hi = math.Inf(-1), math.Inf(1)
	}
	return cl
}

// read puts the value of a field into row out.n, or says why it cannot.
func (c *cell) read(field []byte, decimal byte, out *rows) (what, fix string) {
	if missing(field) {
		out.cols[c.col][out.n] = math.NaN()
		return "", ""
	}
	if c.clk != nil {
		v, places, err := c.clk.read(field)
		if err != nil {
			return shown(string(field)) + " is not a time", `write times as 2026-11-24T22:41:39, as hh:mm:ss or as seconds, or give the layout in a log map`
		}
		out.cols[c.col][out.n] = v
		out.digits(c.col, places, 0)
		out.seen[c.col]++
		return "", ""
	}
	v, places, zeros, ok := parseNumber(field, decimal, c.unit.Power())
	if !ok {
		return shown(string(field)) + " is not a number", numberFix(field, decimal)
	}
	v = c.unit.Finish(v)
	if !(v >= c.lo && v <= c.hi) {
		return fmt.Sprintf("%s is outside what %s can be (%g to %g%s)", shown(string(field)), c.quantity, c.lo, c.hi, c.base), "check the unit, and whether the sensor was connected"
	}
	out.cols[c.col][out.n] = v
	out.digits(c.col, places, zeros)
	out.seen[c.col]++
	return "", ""
}

// numberFix says what may put a number right that cannot be read.
func numberFix(field []byte, decimal byte) string {
	other := byte(',')
	if decimal == ',' {
		other = '.'
	}
	switch {
	case bytes.IndexByte(field, other) >= 0 && bytes.IndexByte(field, decimal) < 0:
		return `if the decimal sign is "` + string(other) + `", say so in a log map: decimal = "` + string(other) + `"`
	case bytes.IndexByte(field, other) >= 0:
		return "write numbers without a sign between thousands"
	case bytes.Contains(field, []byte("\ufffd")):
		return "copy the file again: it is cut off, or in another encoding than it seems"
	}
	if i := bytes.LastIndexAny(field, "0123456789"); i >= 0 {
		if _, _, _, ok := parseNumber(field[:i+1], decimal, 0); ok {
			return "write the number alone; its unit belongs in the header"
		}
	}
	return "mend or take out the line, or allow a share of bad rows in a log map: max_bad_percent = 1"
}
