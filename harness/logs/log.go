package logs

import (
	"bytes"
	"fmt"
	"math"

	"proveout/harness/reading"
)

// A cutter finds the fields of the map's columns in a line.
type cutter interface {
	// cut puts the fields of a line, which is not blank, into out. It reports
	// whether the line is a row, or what is wrong with it.
	cut(line []byte, out *fields) (row bool, bad *BadRow)
}

// fields is what was found in a line.
type fields struct {
	found []field // of each column of the map, without text where there is none
	split []byte  // of the column that splits the runs
	all   []field // of the whole line
}

// A log takes the lines of a file one after the other: it finds its header,
// reads the rows, keeps time going forward, and parts the runs.
type log struct {
	name   string
	m      Map
	each   func(reading.Row) error
	cells  []cell // of the map's columns
	cutter cutter // nil until the header was there
	clk    *clock // of a time that is no plain number; else nil
	tc     int    // column of the time; -1 when there is none

	counted bool // the time stands behind the values of the columns
	slot    int  // rows so far, bad ones too, by which it is counted
	first   int  // slot of the first row of the run

	line   int  // lines taken
	text   bool // one of them was not blank
	header []byte
	fields fields
	values []float64 // of the row that is being read
	err    error     // of who takes the rows

	runs    []Run
	fresh   bool    // the next row begins a run
	key     string  // of the last row, in the column that splits the runs
	last    float64 // time of the last row of the run
	from    float64 // time of its first row
	day     float64 // added to a time of day
	stated  float64 // free text: the time last stated
	hasTime bool

	count   int64
	aside   SetAside
	ignored []Ignored
}

// newLog fills in what the map leaves out and checks it.
func newLog(name string, m Map, each func(reading.Row) error) (*log, error) {
	if m.Encoding == "" {
		m.Encoding = UTF8
	}
	if m.Decimal == "" {
		m.Decimal = "."
	}
	if errs := m.Check(); len(errs) > 0 {
		return nil, &Problem{File: name, What: "log map: " + errs[0].Error(), Fix: errs[0].Fix}
	}
	n := len(m.Columns)
	l := &log{name: name, m: m, each: each, tc: m.Place("time"), values: make([]float64, n, n+1)}
	if l.tc == n { // the time is counted from row to row
		l.tc, l.counted, l.values = -1, true, l.values[:n+1]
	}
	l.fields.found = make([]field, n)
	if l.tc >= 0 && m.Columns[l.tc].Time != "" {
		l.clk, _ = newClock(m.Columns[l.tc].Time) // checked with the map
	}
	for _, c := range m.Columns {
		cl := newCell(c, m.Decimal[0], l.clk)
		cl.mark = m.Thousands
		l.cells = append(l.cells, cl)
	}
	var err error
	switch m.Format {
	case JSONLines:
		l.cutter = newObjects(&m)
	case Text:
		l.cutter, err = newFreeText(&m)
	}
	return l, err
}

// notWide refuses a file in UTF-16, by its first bytes, that the map gives
// another encoding.
func (l *log) notWide(first []byte) error {
	mark := bytes.HasPrefix(first, []byte("\xff\xfe")) || bytes.HasPrefix(first, []byte("\xfe\xff"))
	if !mark || l.m.Encoding.wide() {
		return nil
	}
	return &Problem{
		File: l.name, Line: 1, Column: 1,
		What: fmt.Sprintf("the file is in UTF-16, the log map says %s", l.m.Encoding),
		Fix:  `write encoding = "utf-16le" or "utf-16be" in the log map`,
	}
}

// take takes the next line of the file. A row that cannot be read is set aside,
// or ends the reading where the map allows none.
func (l *log) take(line []byte) error {
	row, bad, err := l.cut(line)
	if err != nil {
		return err
	}
	if row || bad != nil {
		l.slot++
	}
	if row {
		bad = l.row(line)
	}
	if bad != nil {
		bad.Line = l.line
		l.aside.add(*bad)
		if l.m.MaxBad == 0 {
			return bad.problem(l.name)
		}
	}
	return l.err
}

// cut finds the fields of the next line and reports whether it is a row.
func (l *log) cut(line []byte) (row bool, bad *BadRow, err error) {
	if l.line++; l.line == 1 {
		line = bytes.TrimPrefix(line, byteOrderMark)
	}
	blank := len(bytes.TrimSpace(line)) == 0
	l.text = l.text || !blank
	if l.m.Format == Delimited && l.line <= l.m.Header+l.m.Skip {
		if l.line == l.m.Header {
			l.header = bytes.Clone(line)
			l.cutter, l.ignored, err = newDelimited(l.name, &l.m, l.header)
		}
		return false, nil, err
	}
	switch l.m.Split.By {
	case SplitHeader:
		if bytes.Equal(line, l.header) {
			l.fresh = true
			return false, nil, nil
		}
	case SplitMarker:
		if bytes.Contains(line, []byte(l.m.Split.Marker)) {
			l.fresh = true
			if l.m.Format != Text { // there, a line that begins a run may hold values, too
				return false, nil, nil
			}
		}
	}
	if blank {
		return false, nil, nil
	}
	row, bad = l.cutter.cut(line, &l.fields)
	return row, bad, nil
}

// row reads the fields that were found in a line, and keeps the row or says what
// is wrong with it.
func (l *log) row(line []byte) *BadRow {
	empty := true
	for k := range l.cells {
		c, f := &l.cells[k], l.fields.found[k]
		v, decimals, ok := c.value(f.text)
		if ok {
			empty = false
			c.note(decimals, f.text)
		} else if what, fix := c.refusal(f.text, l.m.Format); what != "" {
			if l.header != nil && bytes.Equal(line, l.header) {
				what = "the header stands here again"
				fix = `if the file holds several runs, say so in a log map: [split] by = "header"`
			}
			return &BadRow{Column: charAt(line, f.at), Header: c.header, What: what, Fix: fix}
		}
		l.values[k] = v
	}
	if empty {
		if l.m.Format == Text {
			return nil
		}
		return &BadRow{Column: 1, What: "the row holds no value", Fix: "take the row out"}
	}
	if l.m.Split.By == SplitColumn && l.key != string(l.fields.split) {
		l.key, l.fresh = string(l.fields.split), true
	}
	kept, what, fix := l.time()
	if what != "" {
		at := charAt(line, l.fields.found[l.tc].at)
		return &BadRow{Column: at, Header: l.cells[l.tc].header, What: what, Fix: fix}
	}
	if kept {
		l.keep()
	}
	return nil
}

// time brings the time of a row into the run's own, and reports whether the row
// is kept, or what is wrong with its time. It sets fresh when the time says that
// a run begins.
//
// A time that goes back inside a run is refused and not sorted: it comes from a
// second run, a clock that was set, or rows of two programs in one file, and
// nobody but the bench knows which.
func (l *log) time() (kept bool, what, fix string) {
	if l.tc < 0 {
		return true, "", ""
	}
	v := l.values[l.tc]
	if l.m.Format == Text {
		switch {
		case !math.IsNaN(v):
			l.stated, l.hasTime = v, true
		case !l.hasTime:
			return false, "no time stands before this row", "let the pattern find a time above it"
		default:
			v = l.stated
		}
		if l.bare() {
			return false, "", ""
		}
	}
	fresh := l.fresh || len(l.runs) == 0
	if l.clk != nil && l.clk.form == daily {
		// Half a day back is midnight; less is a time that goes back.
		if v+l.day < l.last-43200 && !fresh {
			l.day += 86400
		}
		v += l.day
	}
	if !fresh && v < l.last {
		if l.m.Split.By != SplitBack {
			return false, fmt.Sprintf("the time goes back by %.6g s", l.last-v),
				`if the file holds several runs, say how they part in a log map: [split] by = "time-back"`
		}
		fresh, l.fresh = true, true
	}
	if fresh {
		l.from = v
	}
	l.last = v
	if l.clk != nil && l.clk.form != counted {
		v -= l.from // what a clock shows says nothing by itself; plain numbers stay
	}
	l.values[l.tc] = v
	return true, "", ""
}

// bare reports whether a row of free text holds no value but the time.
func (l *log) bare() bool {
	for c, v := range l.values {
		if c != l.tc && !math.IsNaN(v) {
			return false
		}
	}
	return true
}

// keep adds the row to its run and hands it on.
func (l *log) keep() {
	if l.fresh || len(l.runs) == 0 {
		l.fresh = false
		l.runs = append(l.runs, Run{})
	}
	run := &l.runs[len(l.runs)-1]
	if l.counted {
		if run.Count == 0 {
			l.first = l.slot
		}
		l.last, l.from = float64(l.slot-l.first)*l.m.Every, 0
		l.values[len(l.cells)] = l.last
	}
	run.Count++
	run.Seconds = l.last - l.from
	l.count++
	for c := range l.cells {
		if v := l.values[c]; v == v {
			l.cells[c].seen++
		}
	}
	if l.each != nil {
		l.err = l.each(reading.Row{Run: len(l.runs), Line: int64(l.line), Values: l.values})
	}
}

func emptyLog(name string) *Problem {
	return &Problem{
		File: name, Line: 1, Column: 1,
		What: "the log is empty",
		Fix:  "copy the file again, or check that the program wrote it",
	}
}

// finish judges the log as a whole and sums it up.
func (l *log) finish() (Summary, error) {
	m := &l.m
	switch bad := l.aside.Bad; {
	case !l.text:
		return Summary{}, emptyLog(l.name)
	case l.cutter == nil:
		return Summary{}, &Problem{
			File: l.name, Line: l.line + 1,
			What: fmt.Sprintf("the log ends before its header on line %d", m.Header),
			Fix:  "check the key header of the log map",
		}
	case bad > 0 && (l.count == 0 || float64(bad) > m.MaxBad/100*float64(bad+l.count)):
		p := l.aside.BadRows[0].problem(l.name)
		p.What = fmt.Sprintf("%d of %d rows are bad, more than the %g %% the map allows; the first: %s",
			bad, bad+l.count, m.MaxBad, p.What)
		return Summary{}, p
	case l.count == 0:
		return Summary{}, l.noRow()
	}
	s := Summary{Map: *m, Runs: l.runs, Count: l.count, SetAside: l.aside, Ignored: l.ignored}
	for c, col := range m.Columns {
		if l.cells[c].seen == 0 {
			return Summary{}, &Problem{
				File: l.name, Line: max(m.Header, 1), Column: 1,
				What: fmt.Sprintf("column %q holds no value in any row", col.Header),
				Fix:  "check that the sensor was connected, or leave the column out in a log map",
			}
		}
		s.Columns = append(s.Columns, reading.Column{
			Name: col.Quantity, Header: col.Header, Unit: col.Unit,
			Resolution: l.cells[c].resolution(), Place: col.Place,
		})
	}
	if l.counted {
		s.Columns = append(s.Columns, reading.Column{Name: "time", Unit: "s", Resolution: m.Every})
	}
	return s, nil
}

func (l *log) noRow() *Problem {
	if l.aside.Torn != nil {
		return l.aside.Torn.problem(l.name)
	}
	p := &Problem{File: l.name, Line: l.line + 1, Column: 1}
	p.Fix = "check that the program wrote its log to the end"
	switch l.m.Format {
	case Text:
		p.What, p.Fix = "no line fits the pattern", "mend the pattern of the log map"
	case JSONLines:
		p.What = "the log holds no row"
	default:
		p.What = "the log holds a header and no row"
	}
	return p
}
