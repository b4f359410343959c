package logs

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"
)

const (
	sampleSize  = 64 << 10 // bytes that a map is guessed from
	headerLines = 40       // lines among which the header is looked for
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
	Line   int64
	Text   string
	Values []float64 // base units, in the order of Map.Columns
}

// Sniff reads the beginning of a log and proposes a map for it: encoding,
// delimiter, decimal sign, line of the header, and what each column is. The
// error is a *Problem when the log cannot be understood.
func Sniff(name string, r io.Reader) (Map, Preview, error) {
	s, err := readSample(r)
	if err != nil {
		return Map{}, Preview{}, fmt.Errorf("reading %s: %w", name, err)
	}
	m, err := sniffMap(name, s)
	if err != nil {
		return Map{}, Preview{}, err
	}
	p, err := preview(name, s, m)
	return m, p, err
}

// Try reads the beginning of a log with a map and shows what it finds there.
func Try(name string, r io.Reader, m Map) (Preview, error) {
	s, err := readSample(r)
	if err != nil {
		return Preview{}, fmt.Errorf("reading %s: %w", name, err)
	}
	return preview(name, s, m)
}

// A sample is the beginning of a file.
type sample struct {
	bytes []byte
	whole bool // it is all of the file
}

func readSample(r io.Reader) (sample, error) {
	b := make([]byte, sampleSize)
	n, err := io.ReadFull(r, b)
	switch err {
	case nil:
		return sample{bytes: b}, nil
	case io.EOF, io.ErrUnexpectedEOF:
		return sample{bytes: b[:n], whole: true}, nil
	}
	return sample{}, err
}

// lines decodes the sample and parts it; a line that the end of the sample may
// have cut is left out.
func (s sample) lines(e Encoding) []string {
	text := s.bytes
	if d, err := newDecoder(e); err == nil && d != nil {
		text = d.decode(nil, text, true)
	}
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	lines := strings.Split(string(text), "\n")
	if n := len(lines); n > 1 && (!s.whole || lines[n-1] == "") {
		lines = lines[:n-1]
	}
	for i := range lines {
		lines[i] = strings.TrimSuffix(lines[i], "\r")
	}
	return lines
}

func preview(name string, s sample, m Map) (Preview, error) {
	var p Preview
	loose := m
	loose.MaxBad = 100
	in := s.bytes
	if !s.whole {
		if m.Encoding == UTF16LE || m.Encoding == UTF16BE {
			in = in[:len(in)&^1]
		} else if i := bytes.LastIndexByte(in, '\n'); i >= 0 {
			in = in[:i+1]
		}
	}
	lines := s.lines(m.Encoding)
	if m.Format == Delimited && m.Header >= 1 && m.Header <= len(lines) {
		fields, _ := splitFields([]byte(lines[m.Header-1]), m.Delimiter[0])
		for _, f := range fields {
			p.Header = append(p.Header, string(f.text))
		}
	}
	sum, err := Read(Input{Name: name, Reader: bytes.NewReader(in)}, loose, func(b *Batch) error {
		for i := 0; i < b.Len() && len(p.Rows) < previewRows; i++ {
			row := PreviewRow{Line: b.Line(i)}
			if k := int(row.Line) - 1; k < len(lines) {
				row.Text = lines[k]
			}
			for _, c := range b.Columns {
				row.Values = append(row.Values, c[i])
			}
			p.Rows = append(p.Rows, row)
		}
		return nil
	})
	if err != nil {
		return p, err
	}
	p.Ignored, p.Bad = sum.Ignored, sum.BadRows
	return p, nil
}

func sniffMap(name string, s sample) (Map, error) {
	m := Map{Encoding: detectEncoding(s.bytes), Decimal: "."}
	lines := s.lines(m.Encoding)
	if len(bytes.TrimSpace([]byte(strings.TrimPrefix(strings.Join(lines, ""), "\ufeff")))) == 0 {
		return m, &Problem{File: name, Line: 1, Column: 1, What: "the log is empty", Fix: "copy the file again, or check that the program wrote it"}
	}
	if p := notText(name, lines); p != nil {
		return m, p
	}
	first := slices.IndexFunc(lines, func(l string) bool { return strings.TrimSpace(l) != "" })
	if strings.HasPrefix(strings.TrimSpace(lines[first]), "{") {
		m.Format = JSONLines
		return m, sniffObjects(name, lines, first, &m)
	}
	m.Format = Delimited
	return m, sniffDelimited(name, lines, first, &m)
}

// notText finds what no log of text holds.
func notText(name string, lines []string) *Problem {
	for i, l := range lines {
		if k := strings.IndexByte(l, 0); k >= 0 && strings.Trim(l, "\x00") != "" {
			return &Problem{File: name, Line: int64(i + 1), Column: utf8.RuneCountInString(l[:k]) + 1, What: "the file is not text: it holds a zero byte", Fix: "name the log that the program wrote as text, not a picture, an archive or its own binary file"}
		}
	}
	if len(lines) == 1 && strings.Count(lines[0], "\r") > 1 {
		return &Problem{File: name, Line: 1, Column: strings.IndexByte(lines[0], '\r') + 1, What: "the lines end in a carriage return alone", Fix: "save the file with line feeds"}
	}
	return nil
}

// A heading is one way to read a line as a header.
type heading struct {
	line    int
	delim   byte
	fields  []field
	guesses []guess
	known   int
	skip    int // 1 when the next line holds the units
}

// withUnits reads the heading again with the units of the line below it, if that
// line holds nothing but units.
func (h heading) withUnits(below string) heading {
	units, bad := splitFields([]byte(below), h.delim)
	if bad != nil || len(units) != len(h.fields) {
		return h
	}
	known := 0
	both := h
	both.guesses, both.known, both.skip = nil, 0, 1
	for i, f := range h.fields {
		u := strings.Trim(string(units[i].text), "[]()")
		_, _, ok := anyUnit(u)
		if ok {
			known++
		} else if u != "" && u != "-" {
			return h
		}
		g := recognise(string(f.text))
		if ok && len(f.text) > 0 {
			g = recognise(string(f.text) + " [" + u + "]")
		}
		if g.quantity != "" {
			both.known++
		}
		both.guesses = append(both.guesses, g)
	}
	if known == 0 || both.known < h.known {
		return h
	}
	return both
}

func headingOf(line string, n int, delim byte) heading {
	h := heading{line: n, delim: delim}
	fields, bad := splitFields([]byte(line), delim)
	if bad != nil {
		return h
	}
	h.fields = fields
	for _, f := range fields {
		g := recognise(string(f.text))
		if g.quantity != "" {
			h.known++
		}
		h.guesses = append(h.guesses, g)
	}
	return h
}

// sniffDelimited finds the header, the delimiter and the decimal sign.
func sniffDelimited(name string, lines []string, first int, m *Map) error {
	var best heading
	for i := first; i < min(len(lines), first+headerLines); i++ {
		for _, delim := range []byte{',', ';', '\t'} {
			h := headingOf(lines[i], i, delim)
			if i+1 < len(lines) {
				h = h.withUnits(lines[i+1])
			}
			if h.known > best.known || (h.known == best.known && h.line == best.line && len(h.fields) > len(best.fields)) {
				best = h
			}
		}
	}
	if best.known == 0 {
		return noHeader(name, lines, first)
	}
	m.Header, m.Skip = best.line+1, best.skip
	m.Delimiter = string(best.delim)
	m.Decimal = sniffDecimal(lines[best.line+1:], best.delim)
	for _, l := range lines[best.line+1:] {
		if f, _ := splitFields([]byte(l), best.delim); strings.HasPrefix(l, "#") && len(f) != len(best.fields) {
			m.Comment = "#"
		}
	}
	names := make([]string, len(best.fields))
	at := make([]int, len(best.fields))
	for i, f := range best.fields {
		names[i], at[i] = string(f.text), charAt([]byte(lines[best.line]), f.at)
	}
	if err := twice(name, m.Header, names, at, best.guesses); err != nil {
		return err
	}
	data := func(k int) (string, int64, int) {
		for i := best.line + 1 + best.skip; i < len(lines); i++ {
			if f, _ := splitFields([]byte(lines[i]), best.delim); len(f) == len(names) && !missing(f[k].text) {
				return string(f[k].text), int64(i + 1), charAt([]byte(lines[i]), f[k].at)
			}
		}
		return "", 0, 0
	}
	return choose(name, m, names, at, best.guesses, data)
}

// noHeader says why no line is a header.
func noHeader(name string, lines []string, first int) error {
	line := lines[first]
	p := &Problem{File: name, Line: int64(first + 1), Column: 1, Fix: `begin the log with a line that names its columns and their units, such as "time_s,temp_c", or write a log map`}
	if strings.HasPrefix(strings.TrimSpace(line), "[") && strings.Contains(line, "{") {
		p.What, p.Fix = "the file is one JSON array", "write one JSON object a line, without brackets and commas around them"
		return p
	}
	delim := byte(',')
	for _, other := range []byte{';', '\t'} {
		if strings.IndexByte(line, other) >= 0 && strings.IndexByte(line, delim) < 0 {
			delim = other
		}
	}
	fields, bad := splitFields([]byte(line), delim)
	if bad != nil {
		p.Column, p.What, p.Fix = charAt([]byte(line), bad.at), "header: "+bad.what, `close the quote with "`
		return p
	}
	if _, _, _, ok := parseNumber(firstText(fields), '.', 0); ok {
		p.What = "the header is missing: the first line holds numbers"
		return p
	}
	for _, other := range []byte{'|', ' '} {
		if h := headingOf(line, first, other); len(fields) == 1 && h.known > 1 {
			p.What, p.Fix = fmt.Sprintf("the columns are parted by %q, which is not guessed", other), fmt.Sprintf("part them by comma, semicolon or tab, or write a log map with delimiter = %q", string(other))
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

func firstText(fields []field) []byte {
	if len(fields) == 0 {
		return nil
	}
	return fields[0].text
}

// sniffDecimal looks at the fields below the header for commas between digits.
func sniffDecimal(lines []string, delim byte) string {
	if delim == ',' {
		return "."
	}
	commas, points := 0, 0
	for _, l := range lines {
		fields, _ := splitFields([]byte(l), delim)
		for _, f := range fields {
			if _, _, _, ok := parseNumber(f.text, ',', 0); ok && bytes.IndexByte(f.text, ',') >= 0 {
				commas++
			} else if _, _, _, ok := parseNumber(f.text, '.', 0); ok && bytes.IndexByte(f.text, '.') >= 0 {
				points++
			}
		}
	}
	if commas > points {
		return ","
	}
	return "."
}

// twice refuses two columns of the same name that would be read.
func twice(name string, line int, names []string, at []int, g []guess) error {
	for i := range names {
		if k := slices.Index(names[:i], names[i]); k >= 0 && g[i].quantity != "" {
			return &Problem{File: name, Line: int64(line), Column: at[i], What: fmt.Sprintf("columns %d and %d are both called %q", k+1, i+1, names[i]), Fix: "give the columns different names"}
		}
	}
	return nil
}

// choose turns guesses into the columns of the map. data returns the first value
// of a column and where it stands.
func choose(name string, m *Map, names []string, at []int, g []guess, data func(int) (string, int64, int)) error {
	times := -1
	values := 0
	seen := map[string]int{}
	for i := range names {
		if g[i].quantity == "" {
			continue
		}
		c := Column{Header: names[i], Quantity: g[i].quantity, Unit: g[i].unit, Place: g[i].place}
		if c.Quantity == "time" {
			if times >= 0 { // a plain count of seconds goes before a time of day
				continue
			}
			k := bestTime(g, data)
			text, line, col := data(k)
			c = Column{Header: names[k], Quantity: "time", Unit: g[k].unit}
			if err := sniffTime(name, &c, text, m.Decimal, line, col); err != nil {
				return err
			}
			times = k
			m.Columns = append(m.Columns, c)
			continue
		}
		what := c.Quantity + " " + c.Place
		if k, ok := seen[what]; ok {
			return &Problem{File: name, Line: int64(max(m.Header, 1)), Column: at[i], What: fmt.Sprintf("columns %q and %q are both the %s", names[k], names[i], strings.TrimSpace(c.Place+" "+c.Quantity)),
				Fix: "say in a log map which of them counts"}
		}
		seen[what] = i
		values++
		m.Columns = append(m.Columns, c)
	}
	if values > 0 {
		return nil
	}
	if times >= 0 && m.Columns[0].Time == "" && onlyFrames(names, times) {
		m.Columns[0].Quantity = "frame-stamp"
		return nil
	}
	var why []string
	column := 0
	for i := range names {
		if g[i].quantity != "" || len(why) == 8 {
			continue
		}
		why = append(why, shown(names[i])+" "+g[i].why)
		if column == 0 || (g[i].why != unknownWhy && g[slices.Index(at, column)].why == unknownWhy) {
			column = at[i]
		}
	}
	if len(why) == 0 {
		why = []string{"only the time is there"}
	}
	return &Problem{File: name, Line: int64(max(m.Header, 1)), Column: max(column, 1), What: "no column holds a value that is understood: " + strings.Join(why, "; "),
		Fix: `name the quantity and the unit, as in "temp_c" or "Core temp [°C]", or write a log map`}
}

// onlyFrames says that a log has nothing but times and perhaps the number of
// each frame: then each row is a frame.
func onlyFrames(names []string, times int) bool {
	for i := range names {
		if i == times {
			continue
		}
		words, _ := splitHeader(names[i])
		b := bag(words)
		b.take("frame", "frames", "number", "no", "nr", "index")
		if len(b) > 0 {
			return false
		}
	}
	return len(names) <= 2
}

// bestTime picks the column for the time: one of plain numbers if there is one.
func bestTime(g []guess, data func(int) (string, int64, int)) int {
	first := -1
	for i := range g {
		if g[i].quantity != "time" {
			continue
		}
		if first < 0 {
			first = i
		}
		text, _, _ := data(i)
		for _, dec := range []byte{'.', ','} {
			if _, _, _, ok := parseNumber([]byte(text), dec, 0); ok {
				return i
			}
		}
	}
	return first
}

// sniffTime finds out how a time is written.
func sniffTime(name string, c *Column, text, decimal string, line int64, col int) error {
	if text == "" {
		return nil // a log without rows is refused where it is read
	}
	if _, _, _, ok := parseNumber([]byte(text), decimal[0], 0); ok {
		return nil
	}
	for _, layout := range []string{TimeDate, TimeClock, "DD.MM.YYYY hh:mm:ss", "mm:ss"} {
		clk, err := newClock(layout)
		if err != nil {
			continue
		}
		if _, _, err := clk.read([]byte(text)); err == nil {
			c.Time, c.Unit = layout, ""
			return nil
		}
	}
	return &Problem{File: name, Line: line, Column: col, What: fmt.Sprintf("column %q: %s is not a time", c.Header, shown(text)),
		Fix: `write times as 2026-11-24T22:41:39, as hh:mm:ss or as seconds, or give the layout in a log map: time = "DD/MM/YYYY hh:mm:ss"`}
}

// sniffObjects takes the columns from the keys of the first objects.
func sniffObjects(name string, lines []string, first int, m *Map) error {
	var names []string
	type spot struct {
		text string
		line int64
		col  int
	}
	spots := map[string]spot{}
	for i := first; i < min(len(lines), first+200); i++ {
		if strings.TrimSpace(lines[i]) == "" {
			continue
		}
		at, what := members([]byte(lines[i]), func(key, value []byte, pos int) string {
			k := string(key)
			if !slices.Contains(names, k) {
				names = append(names, k)
			}
			if text, ok := scalar(value); ok && spots[k].text == "" && !missing(text) {
				spots[k] = spot{string(text), int64(i + 1), charAt([]byte(lines[i]), pos)}
			}
			return ""
		})
		if what != "" && i == first {
			return &Problem{File: name, Line: int64(i + 1), Column: charAt([]byte(lines[i]), at), What: what, Fix: "write one JSON object a line"}
		}
	}
	g := make([]guess, len(names))
	at := make([]int, len(names))
	for i, n := range names {
		g[i] = recognise(n)
		at[i] = max(spots[n].col, 1)
	}
	err := choose(name, m, names, at, g, func(k int) (string, int64, int) {
		s := spots[names[k]]
		return s.text, s.line, s.col
	})
	if p, ok := err.(*Problem); ok && p.Line == 1 {
		p.Line = int64(first + 1)
	}
	return err
}
