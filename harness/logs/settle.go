package logs

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// What a file leaves open is found out from its rows where they are certain, and
// then said; else it is asked for. Nothing is assumed in silence.

// An Open is a question that a log leaves open and a person answers with [Hints].
type Open struct {
	*Problem
	Ask     Question
	Name    string   // of the column that lacks a unit
	Choices []string // the answers
}

// A Question is what a file leaves open.
type Question string

// The questions.
const (
	AskUnit  Question = "unit"  // of a column, or how its times are written
	AskRow   Question = "row"   // the time from row to row
	AskSign  Question = "sign"  // whether a comma or point is the decimal sign or stands between thousands
	AskRadix Question = "radix" // whether numbers are decimal or hexadecimal
)

// Unwrap is the problem alone.
func (o *Open) Unwrap() error { return o.Problem }

// A look is the beginning of a log, with what its columns hold as it is written.
type look struct {
	name  string
	m     *Map
	lines []int      // of the rows
	texts [][]string // of each column of the map, and behind them of the clocks beside
	chars []int      // of each column: where the first text stands
	clock []Column   // columns that hold a time and are not in the map
}

// settle completes the columns of a map that say no unit, from the sample, and
// refuses what stays open.
func settle(name string, s sample, m *Map) error {
	if m.isTimeless() {
		return noTime(name, m)
	}
	l := lookAt(name, s, m)
	if l == nil {
		return nil // it will be told with the rows
	}
	order := []string{"frame-time", "frame-stamp", "time", "temperature", "memory-temperature", "ambient"}
	for _, q := range order {
		for k := range m.Columns {
			c := &m.Columns[k]
			if c.Quantity != q || c.Unit != "" || c.Time != "" {
				continue
			}
			if err := l.settle(k, c); err != nil {
				return err
			}
		}
	}
	return l.consistent()
}

// isOpen reports whether a column of the map says no unit, or its rows no time.
func (m *Map) isOpen() bool {
	return m.isTimeless() || slices.ContainsFunc(m.Columns, func(c Column) bool {
		return c.Unit == "" && c.Time == "" && measures[c.Quantity].asked()
	})
}

// isTimeless reports whether the map has a frame rate and nothing that says how
// long a row lasts.
func (m *Map) isTimeless() bool {
	return m.Place("fps") >= 0 && m.Place("time") < 0 && m.Place("frame-time") < 0 && m.Place("frame-stamp") < 0
}

// noTime asks how long a row of a log lasts that has a frame rate and no time.
func noTime(name string, m *Map) error {
	header := m.Columns[m.Place("fps")].Header
	return &Open{Problem: &Problem{
		File: name, Line: max(m.Header, 1), Column: 1,
		What: "the log has a frame rate and no time, so nothing says how long its rows last",
		Fix: fmt.Sprintf("say the time from row to row with --row-every 1s; if each row is one frame, say so with "+
			"--column %q --unit frame-time=fps", header+"=frame-time"),
	}, Ask: AskRow}
}

// lookAt reads what the columns of a map hold near the beginning; nil when the
// rows cannot be read.
func lookAt(name string, s sample, m *Map) *look {
	l := &look{name: name, m: m}
	plain := *m
	plain.Columns, plain.Split, plain.MaxBad, plain.Every = nil, Split{}, 100, 0
	lines := s.lines(m.Encoding)
	headers := l.headers(lines)
	for _, c := range m.Columns {
		plain.Columns = append(plain.Columns, Column{Header: c.Header})
	}
	for _, h := range headers {
		known := slices.ContainsFunc(plain.Columns, func(c Column) bool { return c.Header == h })
		if g := recognise(h); g.quantity == "time" && !known {
			l.clock = append(l.clock, Column{Header: h, Time: g.time, Unit: g.unit})
			plain.Columns = append(plain.Columns, Column{Header: h})
		}
	}
	for k := range plain.Columns { // each as it stands
		plain.Columns[k].Quantity, plain.Columns[k].Place = "score", fmt.Sprint(k)
	}
	rows, err := newLog(name, plain, nil)
	if err != nil {
		return nil
	}
	l.texts, l.chars = make([][]string, len(plain.Columns)), make([]int, len(plain.Columns))
	for i, text := range lines {
		if i+1 == len(lines) && s.whole && !s.ended() {
			break // it may be torn
		}
		line := []byte(text)
		row, _, err := rows.cut(line)
		if err != nil {
			return nil
		}
		if !row {
			continue
		}
		l.lines = append(l.lines, i+1)
		for k, f := range rows.fields.found {
			if len(l.lines) == 1 {
				l.chars[k] = charAt(line, f.at)
			}
			l.texts[k] = append(l.texts[k], string(f.text))
		}
	}
	return l
}

// headers are the names that a delimited log gives its columns, and the keys of
// the first JSON objects.
func (l *look) headers(lines []string) (names []string) {
	switch l.m.Format {
	case Delimited:
		if l.m.Header <= len(lines) {
			return texts(fieldsOf(lines[l.m.Header-1], l.m.Delimiter[0]))
		}
	case JSONLines:
		for _, line := range lines[:min(len(lines), 8)] {
			members([]byte(line), func(key string, _ []byte, _ int) string {
				if !slices.Contains(names, key) {
					names = append(names, key)
				}
				return ""
			})
		}
	}
	return names
}

// numbers are the values of column k, NaN where there is none that can be read.
func (l *look) numbers(k int) []float64 {
	out := make([]float64, len(l.texts[k]))
	for i, t := range l.texts[k] {
		text := []byte(t)
		if l.m.Thousands != "" {
			text = withoutMarks(text, l.m.Thousands, l.m.Decimal[0])
		}
		v, _, ok := parseNumber(text, l.m.Decimal[0], 0)
		if !ok {
			v = math.NaN()
		}
		out[i] = v
	}
	return out
}

// isPlain reports whether column k holds plain numbers, but for a few bad rows.
func (l *look) isPlain(k int) bool {
	there := 0
	for _, t := range l.texts[k] {
		if !missing([]byte(t)) {
			there++
		}
	}
	return 2*len(present(l.numbers(k))) >= there
}

// settle finds out what column k counts in.
func (l *look) settle(k int, c *Column) error {
	if c.Quantity == "time" && !l.isPlain(k) {
		return l.settleForm(k, c)
	}
	values := present(l.numbers(k))
	switch {
	case len(l.lines) == 0:
		c.Unit = unitsFor(c.Quantity)[0] // that there is no row will be told
	case len(values) == 0:
	case c.Quantity == "time":
		if c.Unit, c.Time = l.byClock(k), ""; c.Unit != "" {
			return nil
		}
		if c.Unit = l.byFrames(k); c.Unit == "" {
			c.Unit = l.byDate(c, values)
		}
	case c.Quantity == "frame-time":
		c.Unit = l.byFrameTime(c, values)
	case c.Quantity == "frame-stamp":
		if c.Unit = l.byFrameTime(c, steps(values)); c.Unit == "" {
			c.Unit = l.byDate(c, values)
		}
	default:
		c.Unit = l.byTemperature(c, values)
	}
	if c.Unit == "" {
		return l.ask(k, c, unitsFor(c.Quantity), "the unit")
	}
	return nil
}

// ask is the question what a column is written in.
func (l *look) ask(k int, c *Column, choices []string, what string) error {
	var shown []string
	for _, t := range l.texts[k] {
		if t != "" && len(shown) < 3 {
			shown = append(shown, t)
		}
	}
	answer := c.Quantity + "=" + choices[0]
	if strings.Contains(answer, " ") {
		answer = strconv.Quote(answer)
	}
	p := &Problem{
		File: l.name, Line: max(l.m.Header, 1), Column: 1,
		What: fmt.Sprintf("column %q (%s): neither its header nor its values tell %s: %s",
			c.Header, c.Quantity, what, strings.Join(shown, "; ")),
		Fix: fmt.Sprintf("say it with --unit %s, or with %s in the place of %s", answer,
			strings.Join(choices[1:], " or "), choices[0]),
	}
	return &Open{Problem: p, Ask: AskUnit, Name: c.Quantity, Choices: choices}
}

// unitsFor are the usual units of a quantity, the likeliest first.
func unitsFor(name string) []string {
	switch {
	case measures[name].dim == quantity.Temperature:
		return []string{"°C", "°F", "K"}
	case name == "time":
		return []string{"s", "ms", "min", "h"}
	}
	return []string{"ms", "s", "us"}
}

// found notes how the unit of a column was found out.
func (l *look) found(key fact.Fact) { l.m.Found = append(l.m.Found, key) }

// timeForms are the ways in which a time may be written that are told apart by
// what stands there (common practice, no source).
var timeForms = [...]string{
	TimeDate, TimeClock, TimeMinute, TimeSecond,
	"YYYY-MM-DD hh:mm", "DD.MM.YYYY hh:mm:ss", "DD.MM.YYYY hh:mm", "DD.MM.YY hh:mm:ss",
	"DD/MM/YYYY hh:mm:ss", "MM/DD/YYYY hh:mm:ss", "DD/MM/YYYY hh:mm", "MM/DD/YYYY hh:mm",
	"DD/MM/YYYY hh:mm:ss PM", "MM/DD/YYYY hh:mm:ss PM", "DD/MM/YYYY hh:mm PM", "MM/DD/YYYY hh:mm PM",
}

// formsOf are the ways in which the most of some texts can be read as times; none
// where no text is a time.
func formsOf(texts []string) (forms []string) {
	most := 1
	for _, form := range timeForms {
		clk, err := newClock(form)
		if err != nil {
			continue
		}
		n := 0
		for _, t := range texts {
			if _, _, ok := clk.read([]byte(t)); ok {
				n++
			}
		}
		if n > most {
			most, forms = n, nil
		}
		if n == most {
			forms = append(forms, form)
		}
	}
	return forms
}

// settleForm finds out how a time is written that is no plain number. The rows
// that it does not fit are told as they are read.
func (l *look) settleForm(k int, c *Column) error {
	all := l.texts[k]
	first := slices.IndexFunc(all, func(t string) bool { return !missing([]byte(t)) })
	if first < 0 {
		return nil
	}
	forms := formsOf(all)
	if said := recognise(c.Header).time; slices.Contains(forms, said) {
		forms = []string{said}
	}
	switch len(forms) {
	case 0:
		return &Problem{
			File: l.name, Line: l.lines[first], Column: l.chars[k],
			What: fmt.Sprintf("column %q: %s is not a time", c.Header, shown(all[first])),
			Fix:  timeFix + `: time = "DD/MM/YYYY hh:mm:ss"`,
		}
	case 1:
		c.Time = forms[0]
		return nil
	}
	return l.ask(k, c, forms, "how it is to be read")
}

// perSecond are how many of a unit of time make a second.
var perSecond = []struct {
	unit  string
	count float64
}{{"s", 1}, {"ms", 1e3}, {"us", 1e6}, {"ns", 1e9}, {"min", 1.0 / 60}, {"h", 1.0 / 3600}}

// unitBy is the unit of which so many make a second, within a fifth; empty where
// there is none.
func unitBy(count float64) string {
	for _, u := range perSecond {
		if math.Abs(count/u.count-1) < 0.2 {
			return u.unit
		}
	}
	return ""
}

// byClock compares the numbers of column k with a clock beside them, over ten
// seconds or more.
func (l *look) byClock(k int) string {
	numbers := l.numbers(k)
	for i, beside := range l.clock {
		texts := l.texts[len(l.m.Columns)+i]
		forms := formsOf(texts)
		if len(forms) == 0 {
			continue
		}
		clk, _ := newClock(forms[0]) // orders of day and month agree on what passes within a day
		if clk.form == counted {
			continue
		}
		var n, t, day float64
		first, unit := -1, ""
		for r, text := range texts {
			at, _, ok := clk.read([]byte(text))
			if !ok || math.IsNaN(numbers[r]) {
				continue
			}
			if at += day; clk.form == daily && first >= 0 && at < t-43200 {
				at, day = at+86400, day+86400
			}
			if first < 0 {
				first, n, t = r, numbers[r], at
			}
			if at-t >= 10 {
				unit = unitBy((numbers[r] - n) / (at - t))
			}
		}
		if unit != "" {
			l.found(fact.New("import.unit-by-clock", "column", l.m.Columns[k].Header, "unit", unit, "beside", beside.Header))
			return unit
		}
	}
	return ""
}

// byFrames compares the steps of column k with the times of the frames beside
// them.
func (l *look) byFrames(k int) string {
	frames := l.m.Place("frame-time")
	if frames < 0 || l.m.Columns[frames].Unit == "" {
		return ""
	}
	u, inverted, _ := unitOf(l.m.Columns[frames])
	times, values := l.numbers(k), l.numbers(frames)
	var ratios []float64
	for i := 1; i < min(len(times), len(values)); i++ {
		one := u.Base(values[i])
		if inverted {
			one = 1 / one
		}
		if step := times[i] - times[i-1]; step > 0 && one > 0 {
			ratios = append(ratios, step/one)
		}
	}
	if len(ratios) < 20 {
		return ""
	}
	usual := median(ratios)
	unit, near := unitBy(usual), 0
	for _, r := range ratios {
		if math.Abs(r/usual-1) < 0.25 {
			near++
		}
	}
	if 10*near < 9*len(ratios) {
		unit = "" // samples and frames agree now and then
	}
	if unit != "" {
		l.found(fact.New("import.unit-by-frames", "column", l.m.Columns[k].Header, "unit", unit,
			"beside", l.m.Columns[frames].Header))
	}
	return unit
}

// byDate takes numbers for the time since 1970-01-01 (IEEE Std 1003.1-2017, 4.16)
// where they are a date from 2008 to 2039 and their steps are those of a log: as
// the time since something was switched on they would be too close together.
func (l *look) byDate(c *Column, values []float64) string {
	between := steps(values)
	if len(between) == 0 {
		return ""
	}
	step := median(between)
	for _, u := range perSecond[:3] {
		if values[0] > 1.2e9*u.count && values[0] < 2.2e9*u.count && step > 0 && step <= 120*u.count {
			l.found(fact.New("import.unit-by-date", "column", c.Header, "unit", u.unit))
			return u.unit
		}
	}
	return ""
}

// slowestFrame is the longest a frame takes on a card that shows any, in s (common
// practice, no source).
const slowestFrame = 2.5

// byFrameTime takes numbers for the times of frames where in one unit they are 2
// to 250 ms and in every other one no card shows them so fast or so slowly
// (common practice, no source).
func (l *look) byFrameTime(c *Column, values []float64) string {
	if len(values) == 0 {
		return ""
	}
	usual := median(values)
	unit := ""
	for _, u := range perSecond[:3] {
		switch s := usual / u.count; {
		case s >= 0.002 && s <= 0.25:
			unit = u.unit
		case s >= 0.0002 && s <= slowestFrame:
			return ""
		}
	}
	if unit != "" {
		ms := fact.In(usual, unit).Digits(3)
		l.found(fact.New("import.unit-by-frame-time", "column", c.Header, "unit", unit, "usual", ms))
	}
	return unit
}

// byTemperature takes the temperatures of a log that begins or stays as cool as a
// room for what they are: 5 to 45 °C. In another unit that would be a room below
// freezing, and a card above 150 °C is none that runs (common practice, no
// source). Warm ones may be °C or °F.
func (l *look) byTemperature(c *Column, values []float64) string {
	low, high := slices.Min(values), slices.Max(values)
	for _, u := range []struct {
		unit       string
		zero, size float64
	}{{"°C", 0, 1}, {"K", 273.15, 1}, {"mC", 0, 1000}} {
		cool, hot := (low-u.zero)/u.size, (high-u.zero)/u.size
		if cool >= 5 && cool <= 45 && hot <= 150 {
			l.found(fact.New("import.unit-by-temperature", "column", c.Header, "unit", u.unit,
				"low", fact.In(low, "").Digits(3), "high", fact.In(high, "").Digits(3)))
			return u.unit
		}
	}
	return ""
}

// consistent refuses frames whose times do not add up to the time that passes: one
// of the units is wrong, or the rows are averages or samples and no frames.
func (l *look) consistent() error {
	t, f := l.m.Place("time"), l.m.Place("frame-time")
	if t < 0 || t >= len(l.m.Columns) || f < 0 {
		return nil
	}
	plain := *l.m
	plain.Columns = []Column{l.m.Columns[t], l.m.Columns[f]}
	cells := []cell{newCell(plain.Columns[0], l.m.Decimal[0], nil), newCell(plain.Columns[1], l.m.Decimal[0], nil)}
	if plain.Columns[0].Time != "" {
		clk, err := newClock(plain.Columns[0].Time)
		if err != nil {
			return nil
		}
		cells[0].clk = clk
	}
	cells[0].mark, cells[1].mark = l.m.Thousands, l.m.Thousands
	var passed, frames, before float64
	rows := 0
	for i := range l.lines {
		at, _, okT := cells[0].value([]byte(l.texts[t][i]))
		one, _, okF := cells[1].value([]byte(l.texts[f][i]))
		if !okT || !okF {
			continue
		}
		if step := at - before; rows > 0 && step >= 0 { // another run begins where it goes back
			passed, frames = passed+step, frames+one
		}
		before = at
		rows++
	}
	ratio := frames / passed
	if rows < 10 || passed <= 0 || ratio > 0.3 && ratio < 3 {
		return nil
	}
	header := l.m.Columns[f].Header
	return &Problem{
		File: l.name, Line: max(l.m.Header, 1), Column: 1,
		What: fmt.Sprintf("the frame times of %q add up to %.4g s where %.4g s pass, so they are not those of every frame, "+
			"or one of the two is in another unit", header, frames, passed),
		Fix: fmt.Sprintf("if each stands for several frames, say so with --column %q --unit fps=%s; "+
			"else put the unit right with --unit", header+"=fps", l.m.Columns[f].Unit),
	}
}

// present are the values that are there.
func present(values []float64) []float64 {
	return slices.DeleteFunc(slices.Clone(values), math.IsNaN)
}

// steps are the differences from value to value.
func steps(values []float64) (out []float64) {
	for i := 1; i < len(values); i++ {
		out = append(out, values[i]-values[i-1])
	}
	return out
}

func median(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	return sorted[len(sorted)/2]
}

// certainMark is a mark between thousands that a number shows beyond doubt, with
// the decimal sign where the number has one: the mark stands beside that, twice,
// or is no sign of a number at all.
func certainMark(text []byte) (mark, decimal string) {
	for _, m := range []struct{ mark, decimal string }{
		{",", "."}, {".", ","}, {"'", "."}, {"'", ","}, {"’", "."}, {"’", ","}, {" ", "."}, {" ", ","},
	} {
		plain := withoutMarks(text, m.mark, m.decimal[0])
		if bytes.Equal(plain, text) || !isNumber(plain, m.decimal[0]) {
			continue
		}
		beside, sign := bytes.Contains(text, []byte(m.decimal)), m.mark == "," || m.mark == "."
		switch {
		case beside:
			return m.mark, m.decimal
		case !sign:
			return m.mark, ""
		case bytes.Count(text, []byte(m.mark)) > 1:
			return m.mark, m.decimal
		}
	}
	return "", ""
}
