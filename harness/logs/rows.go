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

// rows are the rows of one block, as parsing leaves them.
type rows struct {
	refused
	n     int         // rows
	lines int32       // of the block
	cols  [][]float64 // of each column, one value a row
	line  []int32     // line of the block a row stands on, from 0
	at    []int32     // byte of the line where its time begins
	key   []uint64    // of the text of the column that splits the runs
	marks []int       // rows before which a run begins

	written []int   // of each column, most digits behind the decimal sign
	needed  []int   // the same without zeros at the end
	seen    []int64 // values that are there

	// The row that is being read.
	found  []field   // of each column, without text where there is none
	split  []byte    // what stands in the column that splits the runs
	row    []float64 // NaN where there is no value
	rowAt  int32
	fields []field // of the whole line
}

// lowest stands for "no digit seen yet" in written and needed.
const lowest = -1 << 30

// reset makes r ready for another block.
func (r *rows) reset(columns int) {
	if r.cols == nil {
		r.cols, r.row, r.found = make([][]float64, columns), make([]float64, columns), make([]field, columns)
		r.written, r.needed, r.seen = make([]int, columns), make([]int, columns), make([]int64, columns)
	}
	for c := range r.cols {
		r.cols[c] = r.cols[c][:0]
		r.written[c], r.needed[c], r.seen[c] = lowest, lowest, 0
	}
	r.line, r.at, r.key, r.marks = r.line[:0], r.at[:0], r.key[:0], r.marks[:0]
	r.n, r.lines, r.refused = 0, 0, refused{bad: r.bad[:0]}
}

// keep adds the row that was read.
func (r *rows) keep() {
	for c, v := range r.row {
		r.cols[c] = append(r.cols[c], v)
		if v == v {
			r.seen[c]++
		}
	}
	r.line, r.at = append(r.line, r.lines), append(r.at, r.rowAt)
	r.key = append(r.key, fnv(r.split))
	r.n++
}

// finer notes a value that is written more finely than those before it.
func (r *rows) finer(column, decimals, zeros int) {
	r.written[column] = max(r.written[column], decimals)
	r.needed[column] = max(r.needed[column], decimals-zeros)
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
	header   string
	quantity string
	measure  measure
	unit     quantity.Unit
	isTime   bool
	clk      *clock // of a time that is no plain number
	decimal  byte
}

func newCell(c Column, decimal byte, clk *clock) cell {
	cl := cell{header: c.Header, quantity: c.Quantity, measure: measures[c.Quantity], decimal: decimal}
	cl.unit, _ = quantity.InFile(cl.measure.dim, c.Unit)
	if cl.isTime = c.Quantity == "time"; c.Time != "" {
		cl.clk = clk
	}
	return cl
}

// value returns the value of a field, and how many decimals it is written with.
// ok is false, and v NaN, when there is none that can be read.
func (c *cell) value(text []byte) (v float64, decimals int, ok bool) {
	if c.clk != nil {
		v, decimals, ok = c.clk.read(text)
	} else if v, decimals, ok = parseNumber(text, c.decimal, c.unit.Power()); ok {
		v = c.unit.Finish(v)
		ok = v >= c.measure.lo && v <= c.measure.hi
	}
	if !ok {
		v = math.NaN()
	}
	return v, decimals, ok
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

// endZeros returns how many zeros end a field behind its decimal sign. Those of
// a clock count like any digit.
func (c *cell) endZeros(text []byte) int {
	if c.clk != nil {
		return 0
	}
	return endZeros(text, c.decimal)
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
