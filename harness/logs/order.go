package logs

import (
	"fmt"
	"math"
	"sort"

	"proveout/harness/reading"
	"proveout/plans/quantity"
)

// An order puts the blocks' rows one after the other: it counts lines, keeps
// time going forward, cuts runs and hands batches out. All that depends on the
// rows before is done here, in one goroutine; parsers see one line at a time, so
// that they can work on several blocks at once.
type order struct {
	log  *log
	each func(*Batch) error
	tc   int // column of the time; -1 when there is none
	clk  *clock

	line    int64 // lines before the block
	runs    []Run
	last    float64 // time of the last row of the run
	from    float64 // time of its first row
	day     float64 // added to a time of day
	prevKey uint64
	fresh   bool    // the next row begins a run
	stated  float64 // free text: the time last stated
	hasTime bool

	count, bad      int64
	badRows         []BadRow
	written, needed []int
	seen            []int64
}

func newOrder(l *log, each func(*Batch) error) *order {
	n := len(l.m.Columns)
	o := &order{
		log: l, each: each, line: l.line, tc: l.m.column("time"),
		written: make([]int, n), needed: make([]int, n), seen: make([]int64, n),
	}
	if o.tc >= 0 && l.m.Columns[o.tc].Time != "" {
		o.clk, _ = newClock(l.m.Columns[o.tc].Time) // checked with the map
	}
	for c := range o.written {
		o.written[c], o.needed[c] = lowest, lowest
	}
	return o
}

// block takes the next block in.
func (o *order) block(b *block[rows]) error {
	r := &b.out
	cuts := o.arrange(b)
	o.bad += r.badCount
	if r.badCount > 0 {
		sort.SliceStable(r.bad, func(i, j int) bool { return r.bad[i].Line < r.bad[j].Line })
		for _, bad := range r.bad {
			bad.Line += o.line + 1
			if len(o.badRows) < keptBad {
				o.badRows = append(o.badRows, bad)
			}
		}
		if o.log.m.MaxBad == 0 {
			return o.badRows[0].problem(o.log.name)
		}
	}
	for c := range o.written {
		o.written[c] = max(o.written[c], r.written[c])
		o.needed[c] = max(o.needed[c], r.needed[c])
		o.seen[c] += r.seen[c]
	}
	o.count += int64(r.n)
	if err := o.deliver(r, cuts); err != nil {
		return err
	}
	o.line += int64(r.lines)
	return nil
}

// A cut says that from this row on the rows belong to a run.
type cut struct{ row, run int }

// arrange checks the times of the block's rows, takes out those that go back,
// and returns where runs begin. The block's first rows go on with the last run.
func (o *order) arrange(b *block[rows]) []cut {
	r := &b.out
	var cuts []cut
	if len(o.runs) > 0 {
		cuts = append(cuts, cut{0, len(o.runs)})
	}
	n, mark := 0, 0
	for i := range r.n {
		for mark < len(r.marks) && r.marks[mark] <= i {
			o.fresh = true
			mark++
		}
		if o.log.m.Split.By == SplitColumn {
			o.fresh = o.fresh || r.key[i] != o.prevKey
			o.prevKey = r.key[i]
		}
		if !o.time(b, i) {
			continue
		}
		if o.fresh || len(o.runs) == 0 {
			o.fresh = false
			o.runs = append(o.runs, Run{Number: len(o.runs) + 1})
			cuts = append(cuts, cut{n, len(o.runs)})
		}
		run := &o.runs[len(o.runs)-1]
		run.Count++
		run.Seconds = o.last - o.from
		if n != i {
			for c := range r.cols {
				r.cols[c][n] = r.cols[c][i]
			}
			r.line[n], r.at[n] = r.line[i], r.at[i]
		}
		n++
	}
	if mark < len(r.marks) {
		o.fresh = true
	}
	r.n = n
	return cuts
}

// time brings the time of row i into the run's own and reports whether the row
// is kept. It sets fresh when the time says that a run begins.
//
// A time that goes back inside a run is refused and not sorted: it comes from a
// second run, a clock that was set, or rows of two programs in one file, and
// nobody but the bench knows which.
func (o *order) time(b *block[rows], i int) bool {
	if o.tc < 0 {
		return true
	}
	r := &b.out
	v := r.cols[o.tc][i]
	if o.log.m.Format == Text {
		bare := o.bare(r, i)
		switch {
		case !math.IsNaN(v):
			o.stated, o.hasTime = v, true
		case !o.hasTime:
			o.refuse(b, i, "no time stands before this row", "let the pattern find a time above it")
			return false
		default:
			v = o.stated
		}
		if bare {
			return false
		}
	}
	fresh := o.fresh || len(o.runs) == 0
	if o.clk != nil && o.clk.form == daily {
		// Half a day back is midnight; less is a time that goes back.
		if v+o.day < o.last-43200 && !fresh {
			o.day += 86400
		}
		v += o.day
	}
	if !fresh && v < o.last {
		if o.log.m.Split.By != SplitBack {
			o.refuse(b, i, fmt.Sprintf("the time goes back by %.6g s", o.last-v),
				`if the file holds several runs, say how they part in a log map: [split] by = "time-back"`)
			return false
		}
		fresh, o.fresh = true, true
	}
	if fresh {
		o.from = v
	}
	o.last = v
	if o.clk != nil && o.clk.form != counted {
		v -= o.from // what a clock shows says nothing by itself; plain numbers stay
	}
	r.cols[o.tc][i] = v
	return true
}

// bare reports whether a row of free text holds no value.
func (o *order) bare(r *rows, i int) bool {
	for c := range r.cols {
		if c != o.tc && !math.IsNaN(r.cols[c][i]) {
			return false
		}
	}
	return true
}

// refuse sets row i aside for its time.
func (o *order) refuse(b *block[rows], i int, what, fix string) {
	r := &b.out
	bad := BadRow{Line: int64(r.line[i]), Header: o.log.m.Columns[o.tc].Header, What: what, Fix: fix}
	if len(o.badRows) < keptBad {
		bad.Column = charAt(lineOf(b.text, int(r.line[i])), int(r.at[i]))
	}
	for c := range r.cols {
		if !math.IsNaN(r.cols[c][i]) {
			r.seen[c]--
		}
	}
	r.refuse(bad)
}

// lineOf returns line n of text, from 0.
func lineOf(text []byte, n int) []byte {
	line, rest := cutLine(text)
	for range n {
		line, rest = cutLine(rest)
	}
	return line
}

// deliver hands the rows out, a batch for each run.
func (o *order) deliver(r *rows, cuts []cut) error {
	if o.each == nil || r.n == 0 {
		return nil
	}
	batch := Batch{Columns: make([][]float64, len(r.cols)), first: o.line + 1}
	for k, c := range cuts {
		end := r.n
		if k+1 < len(cuts) {
			end = cuts[k+1].row
		}
		if end <= c.row {
			continue
		}
		for i := range r.cols {
			batch.Columns[i] = r.cols[i][c.row:end:end]
		}
		batch.line, batch.Run = r.line[c.row:end], c.run
		if err := o.each(&batch); err != nil {
			return err
		}
	}
	return nil
}

// finish judges the log as a whole and sums it up.
func (o *order) finish() (Summary, error) {
	name, m := o.log.name, &o.log.m
	if o.bad > 0 && (o.count == 0 || float64(o.bad) > m.MaxBad/100*float64(o.bad+o.count)) {
		p := o.badRows[0].problem(name)
		p.What = fmt.Sprintf("%d of %d rows are bad, more than the %g %% the map allows; the first: %s",
			o.bad, o.bad+o.count, m.MaxBad, p.What)
		return Summary{}, p
	}
	if o.count == 0 {
		what, fix := "the log holds a header and no row", "check that the program wrote its log to the end"
		if m.Format == Text {
			what, fix = "no line fits the pattern", "mend the pattern of the log map"
		} else if m.Format == JSONLines {
			what = "the log holds no row"
		}
		return Summary{}, &Problem{File: name, Line: o.line + 1, Column: 1, What: what, Fix: fix}
	}
	s := Summary{
		Map: *m, Runs: o.runs, Count: o.count, Bad: o.bad, BadRows: o.badRows,
		Ignored: o.log.ignored,
	}
	for c, col := range m.Columns {
		if o.seen[c] == 0 {
			return Summary{}, &Problem{
				File: name, Line: max(int64(m.Header), 1), Column: 1,
				What: fmt.Sprintf("column %q holds no value in any row", col.Header),
				Fix:  "check that the sensor was connected, or leave the column out in a log map",
			}
		}
		s.Columns = append(s.Columns, reading.Column{
			Name: col.Quantity, Header: col.Header, Unit: col.Unit, Resolution: o.resolution(c), Place: col.Place,
		})
	}
	return s, nil
}

// resolution returns one step of the last digit of column c, base unit. Zeros
// that end every value of a column of 20 rows or more do not count: a program
// that prints whole degrees as 55.0 knows whole degrees.
func (o *order) resolution(c int) float64 {
	places := o.written[c]
	if o.seen[c] >= 20 {
		places = o.needed[c]
	}
	if places == lowest {
		return 0
	}
	col := o.log.m.Columns[c]
	var unit quantity.Unit
	if col.Time == "" {
		unit, _ = quantity.InFile(measures[col.Quantity].dim, col.Unit)
	}
	return unit.Step(places)
}
