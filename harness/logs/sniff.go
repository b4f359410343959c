package logs

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"proveout/harness/reading"
)

const (
	headerLines = 40 // lines among which the header is looked for
	previewRows = 8
)

// A Preview shows the first rows of a log as a map reads them.
type Preview struct {
	Header  []string // as the file calls its columns
	Ignored []Ignored
	Rows    []PreviewRow
	Bad     []BadRow
}

// A PreviewRow is one row as the file has it and as it is understood.
type PreviewRow struct {
	Line   int
	Run    int // from 1
	Text   string
	Values []float64 // base units, in the order of Map.Columns
}

// lines decodes the sample and parts it; a line that the end of the sample may
// have cut is left out.
func (s sample) lines(e Encoding) []string {
	text := bytes.TrimPrefix(e.text(s.bytes), byteOrderMark)
	lines := strings.Split(string(text), "\n")
	if n := len(lines); n > 1 && (!s.whole || lines[n-1] == "") {
		lines = lines[:n-1]
	}
	for i := range lines {
		lines[i] = strings.TrimSuffix(lines[i], "\r")
	}
	return lines
}

// preview reads the rows of a sample.
func preview(name string, s sample, m Map) (Preview, error) {
	var p Preview
	m.MaxBad = 100
	lines := s.lines(m.Encoding)
	if m.Format == Delimited && m.Header <= len(lines) {
		p.Header = texts(fieldsOf(lines[m.Header-1], m.Delimiter[0]))
	}
	l, err := newLog(name, m, func(r reading.Row) error {
		if len(p.Rows) < previewRows {
			p.Rows = append(p.Rows, PreviewRow{int(r.Line), r.Run, lines[r.Line-1], slices.Clone(r.Values)})
		}
		return nil
	})
	if err == nil {
		err = l.notWide(s.bytes)
	}
	if err != nil {
		return p, err
	}
	for i, line := range lines {
		take := l.take
		if i+1 == len(lines) && s.whole && !s.ended() {
			take = l.takeLast
		}
		if err := take([]byte(line)); err != nil {
			return p, err
		}
	}
	sum, err := l.finish()
	if err != nil {
		return p, err
	}
	p.Ignored, p.Bad = sum.Ignored, sum.BadRows
	if sum.Torn != nil {
		p.Bad = append(p.Bad, *sum.Torn)
	}
	return p, nil
}

func sniff(name string, s sample, h Hints) (Map, error) {
	m := Map{Encoding: detectEncoding(s.bytes), Decimal: "."}
	lines := s.lines(m.Encoding)
	if strings.TrimSpace(strings.TrimPrefix(strings.Join(lines, ""), "\ufeff")) == "" {
		return m, emptyLog(name)
	}
	if p := notText(name, lines); p != nil {
		return m, p
	}
	if len(lines) > 2 && s.whole && !s.ended() {
		lines = lines[:len(lines)-1] // a torn row tells nothing: 238,0 of 238,000
	}
	first := slices.IndexFunc(lines, func(l string) bool { return strings.TrimSpace(l) != "" })
	if strings.HasPrefix(strings.TrimSpace(lines[first]), "{") {
		m.Format = JSONLines
		return m, sniffObjects(name, lines, first, &m, h)
	}
	m.Format = Delimited
	return m, sniffDelimited(name, lines, first, &m, h)
}

// notText finds what no log of text holds.
func notText(name string, lines []string) *Problem {
	for i, l := range lines {
		// A line of zeros alone is the end of a file that was cut off, which its
		// rows will show.
		if k := strings.IndexByte(l, 0); k >= 0 && strings.Trim(l, "\x00") != "" {
			return &Problem{
				File: name, Line: i + 1, Column: utf8.RuneCountInString(l[:k]) + 1,
				What: "the file is not text: it holds a zero byte",
				Fix:  "name the log that the program wrote as text, not a picture, an archive or its own binary file",
			}
		}
	}
	if len(lines) == 1 && strings.Count(lines[0], "\r") > 1 {
		return &Problem{
			File: name, Line: 1, Column: strings.IndexByte(lines[0], '\r') + 1,
			What: "the lines end in a carriage return alone",
			Fix:  "save the file with line feeds",
		}
	}
	return nil
}

// A column is what sniffing found out about one column of a log.
type column struct {
	guess
	header string
	at     int    // character of its line where the name begins
	value  string // the first value; empty when there is none
	line   int    // where that stands
	char   int
}

// A heading is one way to read a line as a header.
type heading struct {
	line    int // from 0
	delim   byte
	fields  []field
	guesses []guess
	known   int // columns that are understood, twice those whose unit is
	skip    int // 1 when the next line holds the units
}

func headingOf(line string, n int, delim byte, hints Hints) heading {
	h := heading{line: n, delim: delim, fields: fieldsOf(line, delim)}
	for _, f := range h.fields {
		h.add(hints.guess(string(f.text)))
	}
	return h
}

func (h *heading) add(g guess) {
	h.guesses = append(h.guesses, g)
	switch {
	case g.quantity == "":
	case g.unit != "" || g.time != "" || g.hinted || measures[g.quantity].bare:
		h.known += 2
	default:
		h.known++
	}
}

// withUnits reads the heading again with the units of the line below it, if that
// line holds nothing but units.
func (h heading) withUnits(below string, hints Hints) heading {
	units := fieldsOf(below, h.delim)
	if units == nil || len(units) != len(h.fields) {
		return h
	}
	both := heading{line: h.line, delim: h.delim, fields: h.fields, skip: 1}
	any := false
	for i, f := range h.fields {
		text := string(f.text)
		u := strings.Trim(string(units[i].text), "[]()")
		if _, _, ok := anyUnit(u); ok {
			any = true
			if text != "" {
				text += " [" + u + "]"
			}
		} else if u != "" && u != "-" {
			return h
		}
		both.add(hints.guess(text))
	}
	if !any || both.known < h.known {
		return h
	}
	return both
}

// fieldsOf parts a line; nil when its quotes are wrong.
func fieldsOf(line string, delim byte) []field {
	fields, _ := splitFields([]byte(line), delim, nil)
	return fields
}

// sniffDelimited finds the header, the delimiter and the decimal sign. Of all
// ways to read one of the first lines as a header it takes the one in which the
// most columns are understood, because titles, remarks and the rows themselves
// hold names of quantities only by chance; between equals the first line, and
// on that line the delimiter that makes the most fields.
func sniffDelimited(name string, lines []string, first int, m *Map, hints Hints) error {
	delims := ",;\t"
	if len(hints.Columns) > 0 {
		delims += "| " // a person says what stands between them
	}
	var best heading
	for i := first; i < min(len(lines), first+headerLines); i++ {
		for _, delim := range []byte(delims) {
			h := headingOf(lines[i], i, delim, hints)
			if i+1 < len(lines) {
				h = h.withUnits(lines[i+1], hints)
			}
			more := h.known == best.known && h.line == best.line && len(h.fields) > len(best.fields)
			if more || h.known > best.known {
				best = h
			}
		}
	}
	if p := hints.unnamed(name, best); p != nil {
		return p
	}
	if best.known == 0 {
		return noHeader(name, lines[first], first)
	}
	m.Header, m.Skip = best.line+1, best.skip
	m.Delimiter = string(best.delim)
	below := lines[best.line+1:]
	var open string
	m.Decimal, m.Thousands, open = sniffDecimal(below, best.delim)
	for _, l := range below {
		if strings.HasPrefix(l, "#") && len(fieldsOf(l, best.delim)) != len(best.fields) {
			m.Comment = "#"
		}
	}
	columns := make([]column, len(best.fields))
	for i, f := range best.fields {
		columns[i] = column{guess: best.guesses[i], header: string(f.text), at: charAt([]byte(lines[best.line]), f.at)}
	}
	for i := m.Header + m.Skip; i < len(lines); i++ {
		fields := fieldsOf(lines[i], best.delim)
		if len(fields) != len(columns) {
			continue
		}
		for k, f := range fields {
			if c := &columns[k]; c.value == "" && !missing(f.text) {
				c.value, c.line, c.char = string(f.text), i+1, charAt([]byte(lines[i]), f.at)
			}
		}
	}
	if err := twice(name, m.Header, columns); err != nil {
		return err
	}
	if err := choose(name, m.Header, columns, m); err != nil {
		return err
	}
	if open == "" || hints.Decimal != "" || hints.Thousands != "" || m.tooLarge(columns, below) {
		return nil
	}
	return &Open{Problem: &Problem{
		File: name, Line: m.Header + 1, Column: 1,
		What: fmt.Sprintf("nothing tells whether %q in numbers such as %s is the decimal sign or stands between thousands",
			m.Decimal, open),
		Fix: fmt.Sprintf("say it with --decimal %s or with --thousands %[1]s", m.Decimal),
	}, Ask: AskSign, Name: m.Decimal, Choices: []string{"decimal", "thousands"}}
}

// tooLarge reports whether some number of the map's columns would be more than its
// quantity can be if the decimal sign stood between thousands.
func (m *Map) tooLarge(columns []column, rows []string) bool {
	for _, c := range m.Columns {
		k := slices.IndexFunc(columns, func(of column) bool { return of.header == c.Header })
		u, inverted, known := unitOf(c)
		if c.Quantity == "time" || inverted || !known && !measures[c.Quantity].bare {
			continue
		}
		most := measures[c.Quantity].hi
		if c.Quantity == "frame-time" {
			most = slowestFrame
		}
		for _, l := range rows {
			fields := fieldsOf(l, m.Delimiter[0])
			if k >= len(fields) {
				continue
			}
			text := fields[k].text
			plain := withoutMarks(text, m.Decimal, 0)
			if v, _, ok := parseNumber(plain, 0, 0); ok && !bytes.Equal(plain, text) && u.Base(v) > most {
				return true
			}
		}
	}
	return false
}

// noHeader says why no line is a header, by the first line that is not blank.
func noHeader(name, line string, first int) error {
	p := &Problem{
		File: name, Line: first + 1, Column: 1,
		Fix: `begin the log with a line that names its columns and their units, such as "time_s,temp_c", ` +
			"or say what the columns are with --column HEADER=QUANTITY",
	}
	if strings.HasPrefix(strings.TrimSpace(line), "[") && strings.Contains(line, "{") {
		p.What = "the file is one JSON array"
		p.Fix = "write one JSON object a line, without brackets and commas around them"
		return p
	}
	delim := byte(',')
	for _, other := range []byte(";\t") {
		if strings.IndexByte(line, other) >= 0 && strings.IndexByte(line, delim) < 0 {
			delim = other
		}
	}
	fields, bad := splitFields([]byte(line), delim, nil)
	if bad != nil {
		p.Column, p.What, p.Fix = charAt([]byte(line), bad.at), "header: "+bad.what, `close the quote with "`
		return p
	}
	if isNumber(fields[0].text, '.') {
		p.What = "the header is missing: the first line holds numbers"
		return p
	}
	for _, other := range []byte("| ") {
		if len(fields) == 1 && headingOf(line, first, other, Hints{}).known > 2 {
			p.What = fmt.Sprintf("the columns are parted by %q, which is not guessed", other)
			p.Fix = fmt.Sprintf("part them by comma, semicolon or tab, or write a log map with delimiter = %q",
				string(other))
			return p
		}
	}
	var why []string
	for _, f := range fields[:min(len(fields), 8)] {
		why = append(why, shown(string(f.text))+" "+recognise(string(f.text)).why)
	}
	p.What = "no column of the header is understood: " + strings.Join(why, "; ")
	return p
}

// A signs counts what the numbers of a log show of its decimal sign.
type signs struct {
	commas, points         int // numbers with the sign
	sureCommas, surePoints int // such as no mark between thousands could part
	sure, mark             string
	example                [2]string // of a number that may have a comma, a point, between thousands
}

func (g *signs) look(text []byte) {
	if mark, decimal := certainMark(text); mark != "" {
		g.mark, g.sure = mark, cmp.Or(decimal, g.sure)
	}
	for i, of := range []struct {
		sign      byte
		all, sure *int
	}{{',', &g.commas, &g.sureCommas}, {'.', &g.points, &g.surePoints}} {
		if bytes.IndexByte(text, of.sign) < 0 || !isNumber(text, of.sign) {
			continue
		}
		*of.all++
		whole, _, _ := bytes.Cut(bytes.TrimLeft(text, "+-"), []byte{of.sign})
		grouped := !bytes.Equal(withoutMarks(text, string(of.sign), 0), text)
		if !grouped || string(whole) == "0" {
			*of.sure++
		} else {
			g.example[i] = string(text)
		}
	}
}

// decimal is the decimal sign: of two that both occur the one that must be one,
// else the one that more numbers have.
func (g *signs) decimal() string {
	switch {
	case g.sure != "":
		return g.sure
	case g.sureCommas > 0 && g.surePoints == 0, g.sureCommas == g.surePoints && g.commas > g.points,
		g.sureCommas > g.surePoints:
		return ","
	}
	return "."
}

// sniffDecimal says which decimal sign the rows have, and what stands between
// thousands, where numbers show it. open is a number such as 16,667 where the
// sign may be either and no other number tells.
func sniffDecimal(rows []string, delim byte) (decimal, mark, open string) {
	var seen signs
	for _, l := range rows {
		for _, f := range fieldsOf(l, delim) {
			seen.look(f.text)
		}
	}
	decimal = seen.decimal()
	switch {
	case seen.sure != "" || delim == ',':
	case decimal == "," && seen.sureCommas == 0:
		open = seen.example[0]
	case decimal == "." && seen.surePoints == 0 && delim == ';': // which a comma in numbers calls for
		open = seen.example[1]
	}
	if delim == ',' && seen.sure == "" && seen.sureCommas == 0 {
		decimal = "." // a comma would stand in quotes, and none that must be a decimal sign does
	}
	switch mark = seen.mark; {
	case mark == "" && decimal == "," && seen.sureCommas > 0 && seen.points > 0 && seen.surePoints == 0:
		mark = "."
	case mark == "" && decimal == "." && seen.surePoints > 0 && seen.commas > 0 && seen.sureCommas == 0:
		mark = ","
	case mark == " " && delim == ' ' || mark == decimal:
		mark = ""
	}
	return decimal, mark, open
}

// twice refuses two columns of the same name that would be read.
func twice(name string, line int, columns []column) error {
	first := map[string]int{}
	for i, c := range columns {
		k, seen := first[c.header]
		if !seen {
			first[c.header] = i
		} else if c.quantity != "" {
			return &Problem{
				File: name, Line: line, Column: c.at,
				What: fmt.Sprintf("columns %d and %d are both called %q", k+1, i+1, c.header),
				Fix:  "give the columns different names",
			}
		}
	}
	return nil
}

// choose puts the columns that are understood into the map. header is the line
// that names them. Between two that are the same, the one whose unit is known or
// that a person names counts.
func choose(name string, header int, columns []column, m *Map) error {
	values := 0
	seen := map[string]int{} // what a column is, to its place among the columns
	for i, c := range columns {
		what := c.what()
		twin, again := seen[what]
		switch {
		case c.quantity == "" || c.quantity == "time":
			continue
		case again && c.sure() == columns[twin].sure():
			return &Problem{
				File: name, Line: header, Column: c.at,
				What: fmt.Sprintf("columns %q and %q are both the %s", columns[twin].header, c.header, what),
				Fix:  "say in a log map which of them counts",
			}
		case again && c.sure() < columns[twin].sure():
			continue
		case again:
			columns[twin].quantity = ""
		}
		seen[what] = i
	}
	times := bestTime(columns, m)
	for i, c := range columns {
		at, value := seen[c.what()]
		if value && at == i {
			values++
		} else if i != times {
			continue
		}
		m.Columns = append(m.Columns, Column{
			Header: c.header, Quantity: c.quantity, Unit: c.unit, Place: c.place, Time: c.time,
		})
	}
	if values > 0 {
		return nil
	}
	if times >= 0 && isNumber([]byte(columns[times].value), m.Decimal[0]) && onlyFrames(columns, times) {
		m.Columns[0].Quantity = "frame-stamp"
		return nil
	}
	return noValue(name, header, columns)
}

// what is what the column holds, and where.
func (c *column) what() string { return strings.TrimSpace(c.place + " " + c.quantity) }

// sure ranks how well a column is known: a person names it, or its unit is known.
func (c *column) sure() int {
	switch {
	case c.hinted:
		return 2
	case c.unit != "" || measures[c.quantity].bare:
		return 1
	}
	return 0
}

// noValue says why no column is understood beside the time. It points to the
// first column whose name says something, if only half of it.
func noValue(name string, header int, columns []column) error {
	var why []string
	var worst column
	for _, c := range columns {
		if c.quantity != "" || len(why) == 8 {
			continue
		}
		why = append(why, shown(c.header)+" "+c.why)
		if worst.at == 0 || c.why != unknownWhy && worst.why == unknownWhy {
			worst = c
		}
	}
	if len(why) == 0 {
		why = []string{"only the time is there"}
	}
	return &Problem{
		File: name, Line: header, Column: max(worst.at, 1),
		What: "no column holds a value that is understood: " + strings.Join(why, "; "),
		Fix: `name the quantity and the unit, as in "temp_c" or "Core temp [°C]", ` +
			"or say what the columns are with --column HEADER=QUANTITY",
	}
}

// onlyFrames says that a log has nothing but times and perhaps the number of
// each frame: then each row is a frame.
func onlyFrames(columns []column, times int) bool {
	for i, c := range columns {
		words, _ := splitHeader(c.header)
		b := bag(words)
		b.take("frame", "frames", "number", "no", "nr", "index")
		if i != times && len(b) > 0 {
			return false
		}
	}
	return len(columns) <= 2
}

// bestTime picks the column for the time; −1 when there is none. A plain count
// with its unit goes before a time of day, which falls back at midnight and with
// summer time, and both before a count of nobody knows what.
func bestTime(columns []column, m *Map) int {
	best, rank := -1, 0
	for i, c := range columns {
		if c.quantity != "time" {
			continue
		}
		number := isNumber([]byte(c.value), m.Decimal[0])
		of := 1
		switch {
		case c.hinted:
			of = 4
		case number && c.unit != "":
			of = 3
		case !number && len(formsOf([]string{c.value})) > 0:
			of = 2
		}
		if of > rank {
			best, rank = i, of
		}
	}
	return best
}

// sniffObjects takes the columns from the keys of the first objects.
func sniffObjects(name string, lines []string, first int, m *Map, hints Hints) error {
	var columns []column
	for i := first; i < min(len(lines), first+200); i++ {
		line := []byte(lines[i])
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		at, what := members(line, func(header string, value []byte, pos int) string {
			k := slices.IndexFunc(columns, func(c column) bool { return c.header == header })
			if k < 0 {
				k = len(columns)
				columns = append(columns, column{guess: hints.guess(header), header: header, at: 1})
			}
			if text, ok := scalar(value); ok && columns[k].value == "" && !missing(text) {
				c := &columns[k]
				c.value, c.line, c.char = string(text), i+1, charAt(line, pos)
				c.at = c.char // for want of a header
			}
			return ""
		})
		if what != "" && i == first {
			return &Problem{
				File: name, Line: i + 1, Column: charAt(line, at),
				What: what, Fix: "write one JSON object a line",
			}
		}
	}
	if p := hints.unseen(name, columns); p != nil {
		return p
	}
	return choose(name, first+1, columns, m)
}
