package logs

import (
	"bytes"
	"fmt"
	"math"

	"proveout/plans/quantity"
)

// keptBad is how many bad rows a summary describes.
const keptBad = 20

// refused holds the rows of one block that were set aside.
type refused struct {
	bad      []BadRow // the first of them; Line counts from 0 in the block
	badCount int64
}

func (r *refused) refuse(b BadRow) {
	r.badCount++
	if len(r.bad) < keptBad {
		r.bad = append(r.bad, b)
	}
}

// rows are the rows of one block, as a parser leaves them.
type rows struct {
	refused
	n     int         // rows
	lines int32       // of the block
	cols  [][]float64 // of each column, one value a row
	line  []int32     // line of the block a row stands on, from 0
	key   []uint64    // of the split column's text, one a row
	marks []int       // rows before which a run begins

	written []int   // of each column, most digits behind the decimal sign
	needed  []int   // the same without zeros at the end
	seen    []int64 // values that are there

	row    []float64 // the row that is being read, NaN where it has no value
	rowKey uint64
	fields []field // of its line
}

// lowest stands for "no digit seen yet" in written and needed.
const lowest = -1 << 30

// reset makes r ready for another block.
func (r *rows) reset(columns int) {
	if r.cols == nil {
		r.cols, r.row = make([][]float64, columns), make([]float64, columns)
		r.written, r.needed, r.seen = make([]int, columns), make([]int, columns), make([]int64, columns)
	}
	for c := range r.cols {
		r.cols[c] = r.cols[c][:0]
		r.written[c], r.needed[c], r.seen[c] = lowest, lowest, 0
	}
	r.n, r.lines, r.line, r.key, r.marks = 0, 0, r.line[:0], r.key[:0], r.marks[:0]
	r.refused = refused{bad: r.bad[:0]}
}

// begin makes the row ready to be read.
func (r *rows) begin() {
	for c := range r.row {
		r.row[c] = math.NaN()
	}
	r.rowKey = 0
}

// keep adds the row that was read, which stands on the given line.
func (r *rows) keep(line int32) {
	for c, v := range r.row {
		r.cols[c] = append(r.cols[c], v)
		if v == v {
			r.seen[c]++
		}
	}
	r.line, r.key = append(r.line, line), append(r.key, r.rowKey)
	r.n++
}

// empty reports whether the row that was read holds no value at all.
func (r *rows) empty() bool {
	for _, v := range r.row {
		if v == v {
			return false
		}
	}
	return true
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
	col      int // of the rows
	header   string
	quantity string
	measure  measure
	unit     quantity.Unit
	clk      *clock // of a time that is no plain number
	decimal  byte
}

func newCell(m *Map, col int, clk *clock) cell {
	c := m.Columns[col]
	cl := cell{col: col, header: c.Header, quantity: c.Quantity, measure: measures[c.Quantity], decimal: m.Decimal[0]}
	cl.unit, _ = quantity.InFile(cl.measure.dim, c.Unit)
	if c.Time != "" {
		cl.clk = clk
	}
	return cl
}

// read puts the value of a field into the row of out, or says why it cannot.
func (c *cell) read(field []byte, out *rows) (what, fix string) {
	var v float64
	var decimals int
	var ok bool
	if c.clk != nil {
		v, decimals, ok = c.clk.read(field)
	} else if v, decimals, ok = parseNumber(field, c.decimal, c.unit.Power()); ok {
		v = c.unit.Finish(v)
		if m := &c.measure; !(v >= m.lo && v <= m.hi) {
			what = fmt.Sprintf("%s is outside what %s can be (%g to %g%s)",
				shown(string(field)), c.quantity, m.lo, m.hi, baseUnit(m.dim))
			return what, "check the unit, and whether the sensor was connected"
		}
	}
	switch {
	case ok:
		out.row[c.col] = v
		if decimals > out.needed[c.col] {
			c.finer(field, decimals, out)
		}
	case missing(field):
	case c.clk != nil:
		return shown(string(field)) + " is not a time", timeFix
	default:
		return shown(string(field)) + " is not a number", c.numberFix(field)
	}
	return "", ""
}

const timeFix = "write times as 2026-11-24T22:41:39, as hh:mm:ss or as seconds, or give the layout in a log map"

// finer notes a value that is written more finely than those before it.
func (c *cell) finer(field []byte, decimals int, out *rows) {
	zeros := 0
	if c.clk == nil {
		zeros = endZeros(field, c.decimal)
	}
	out.written[c.col] = max(out.written[c.col], decimals)
	out.needed[c.col] = max(out.needed[c.col], decimals-zeros)
}

// numberFix says what may put a number right that cannot be read.
func (c *cell) numberFix(field []byte) string {
	other := byte(',')
	if c.decimal == ',' {
		other = '.'
	}
	switch {
	case bytes.IndexByte(field, other) >= 0 && bytes.IndexByte(field, c.decimal) < 0:
		return `if the decimal sign is "` + string(other) + `", say so in a log map: decimal = "` + string(other) + `"`
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
