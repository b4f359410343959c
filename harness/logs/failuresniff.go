package logs

import (
	"bytes"
	"slices"
	"strings"

	"proveout/harness/reading"
	"proveout/plans/quantity"
)

// A failureRole is what a column of a list of failing addresses holds.
type failureRole uint8

const (
	passedOver failureRole = iota
	addressRole
	writtenRole
	readRole
	differenceRole
	timeRole
	temperatureRole
	patternRole
	widthRole
)

// maxFailureColumns bounds the columns of a list that are looked at.
const maxFailureColumns = 64

// A failureLayout is how a list of failing addresses is written.
type failureLayout struct {
	encoding Encoding
	delim    byte // ' ' for runs of blanks
	first    int  // lines before the rows
	header   []byte
	names    []string // headers; nil without
	roles    [maxFailureColumns]failureRole
	last     int // columns that matter
	bits     int
	base     uint64
	decimal  bool // addresses are decimal
	clk      *clock
	time     quantity.Unit
	heat     quantity.Unit
	nearly   *Problem // a line that might be a header that lacks something
}

func (l *failureLayout) column(r failureRole) int { return slices.Index(l.roles[:l.last], r) }

func (l *failureLayout) summary() FailureSummary {
	s := FailureSummary{Header: l.names != nil, Bits: l.bits}
	words := map[failureRole]string{addressRole: "address", writtenRole: "written", readRole: "read", differenceRole: "difference",
		timeRole: "time", temperatureRole: "temperature", patternRole: "pattern", widthRole: "width"}
	for i, name := range l.names {
		if i < maxFailureColumns && l.roles[i] != passedOver {
			s.Columns = append(s.Columns, reading.Column{Name: words[l.roles[i]], Header: name})
		} else if strings.TrimSpace(name) != "" {
			s.Ignored = append(s.Ignored, name)
		}
	}
	return s
}

const failureFix = `begin the list with a line such as "address,written,read"`

// sniffFailures finds out how a list is written from its first bytes.
func sniffFailures(name string, s sample, o FailureOptions) (failureLayout, *Problem) {
	l := failureLayout{encoding: detectEncoding(s.bytes), base: o.Base}
	lines := s.lines(l.encoding)
	if p := notText(name, lines); p != nil {
		return l, p
	}
	if len(strings.TrimSpace(strings.Join(lines, ""))) == 0 {
		return l, &Problem{File: name, Line: 1, Column: 1, What: "the list is empty, without even a header: nothing shows that a test ran",
			Fix: `a test without failures leaves its header, "address,written,read", or a remark behind "#"`}
	}
	at, p := l.findHeader(name, lines)
	if p != nil {
		return l, p
	}
	l.first = at
	rows := l.rowsOf(lines[min(at, len(lines)):])
	if l.bits = o.Bits; l.bits == 0 {
		l.bits = l.widthOf(rows)
	}
	if p := l.readTime(name, rows); p != nil {
		return l, p
	}
	return l, nil
}

func remark(line []byte, delim byte) bool {
	return len(line) == 0 || line[0] == '#' && !hexBehind(line) || line[0] == ';' && delim != ';' || bytes.HasPrefix(line, []byte("//"))
}

// hexBehind reports whether a "#" begins a number and not a remark.
func hexBehind(line []byte) bool {
	_, n, end := hexAt(append(slices.Clone(line), '\n'), 0)
	return n > 0 && end < len(line) && strings.IndexByte(",;\t|", line[end]) >= 0
}

// findHeader looks for the line that names the columns, or for a first row
// without one, and returns how many lines stand before the rows.
func (l *failureLayout) findHeader(name string, lines []string) (int, *Problem) {
	firstText := -1
	for i := 0; i < len(lines) && i < headerLines; i++ {
		text := []byte(strings.TrimSpace(lines[i]))
		marked := false
		for len(text) > 0 && text[0] == '#' && !hexBehind(text) { // a header may stand behind a remark sign
			text, marked = bytes.TrimSpace(text[1:]), true
		}
		if len(text) == 0 || bytes.HasPrefix(text, []byte("//")) {
			continue
		}
		if ok, p := l.asHeader(name, i, text); p != nil || ok {
			l.header = []byte(strings.TrimSpace(lines[i]))
			return i + 1, p
		}
		if marked {
			continue
		}
		if l.asRow(text) {
			return i, nil
		}
		if firstText < 0 {
			firstText = i
		}
	}
	if l.nearly != nil {
		return 0, l.nearly
	}
	if firstText >= 0 {
		return 0, &Problem{File: name, Line: int64(firstText + 1), Column: 1, What: "no column holds the address and the values written and read: " + shown(lines[firstText]), Fix: failureFix}
	}
	l.positions()
	return 0, nil // nothing but remarks
}

// positions is the order of columns without a header.
func (l *failureLayout) positions() {
	if l.delim == 0 {
		l.delim = ','
	}
	l.names = nil
	l.roles[0], l.roles[1], l.roles[2], l.last = addressRole, writtenRole, readRole, 3
}

// asRow reports whether a line is a row of a list without a header.
func (l *failureLayout) asRow(text []byte) bool {
	for _, d := range []byte{',', ';', '\t', '|', ' '} {
		fields := failureFields(text, d)
		if len(fields) < 3 {
			continue
		}
		all := true
		for _, f := range fields[:3] {
			_, n, end := hexAt(append([]byte(f), '\n'), 0)
			all = all && n > 0 && end == len(f)
		}
		if all {
			l.delim = d
			l.positions()
			return true
		}
	}
	return false
}

// failureFields parts a line; a blank stands for runs of blanks.
func failureFields(text []byte, delim byte) []string {
	if delim == ' ' {
		return strings.Fields(string(text))
	}
	fields, bad := splitFields(text, delim)
	if bad != nil {
		return nil
	}
	var out []string
	for _, f := range fields {
		out = append(out, string(f.text))
	}
	return out
}

// asHeader reads a line as the header.
func (l *failureLayout) asHeader(name string, line int, text []byte) (bool, *Problem) {
	for _, d := range []byte{',', ';', '\t', '|', ' '} {
		fields := failureFields(text, d)
		if len(fields) < 2 || len(fields) > maxFailureColumns {
			continue
		}
		var roles [maxFailureColumns]failureRole
		for i, f := range fields {
			if r := failureHeader(f); r != passedOver && !slices.Contains(roles[:], r) {
				roles[i] = r
			}
		}
		has := func(r failureRole) bool { return slices.Contains(roles[:], r) }
		if !has(addressRole) {
			continue
		}
		if !has(writtenRole) && has(patternRole) && has(readRole) { // the pattern is the value written
			roles[slices.Index(roles[:], patternRole)] = writtenRole
		}
		values := 0
		for _, r := range []failureRole{writtenRole, readRole, differenceRole} {
			if has(r) || slices.Contains(roles[:], r) {
				values++
			}
		}
		if values < 2 {
			p := &Problem{File: name, Line: int64(line + 1), Column: 1, What: "the header names an address, but not both the value written and the value read: " + shown(string(text)), Fix: failureFix}
			if d != ' ' {
				return false, p
			}
			if l.nearly == nil { // a title reads like this, too
				l.nearly = p
			}
			continue
		}
		l.delim, l.names, l.roles = d, fields, roles
		for i, r := range roles {
			if r != passedOver {
				l.last = i + 1
			}
		}
		return true, l.headerUnits(name, line)
	}
	return false, nil
}

// headerUnits holds what headers say beside the name of the column.
func (l *failureLayout) headerUnits(name string, line int) *Problem {
	for i, h := range l.names {
		words := headerWords(strings.ToLower(h))
		switch l.roles[i] {
		case addressRole:
			for _, w := range words {
				switch w {
				case "dec", "decimal":
					l.decimal = true
				case "word", "words", "dword", "dwords", "qword", "row", "column", "page", "block":
					return &Problem{File: name, Line: int64(line + 1), What: "column " + shown(h) + " counts in " + w + "s, not bytes", Fix: "list byte addresses"}
				}
			}
		case timeRole:
			l.time = l.unitOf(i, quantity.Duration)
		case temperatureRole:
			l.heat = l.unitOf(i, quantity.Temperature)
		}
	}
	return nil
}

// unitOf returns the unit that a header names, or the base unit. A column whose
// unit is of another kind is passed over.
func (l *failureLayout) unitOf(column int, dim quantity.Dimension) quantity.Unit {
	_, text := splitHeader(l.names[column])
	unit, ok := quantity.InFile(dim, text)
	if !ok && text != "" {
		l.roles[column] = passedOver
	}
	return unit
}

// failureHeader says what a column header names.
func failureHeader(header string) failureRole {
	words := headerWords(strings.ToLower(strings.TrimSpace(header)))
	has := func(any ...string) bool {
		return slices.ContainsFunc(words, func(w string) bool { return slices.Contains(any, w) })
	}
	switch {
	case has("bits") && has("error", "errors", "err", "failing", "failed", "bad"), has("xor", "diff", "difference", "syndrome", "errbits", "mismatch"):
		return differenceRole
	case has("width", "bits"):
		return widthRole
	case has("address", "addr", "adr", "addresses", "faddr", "offset", "location", "loc"):
		return addressRole
	case has("written", "wrote", "write", "expected", "expect", "exp", "want", "wanted", "wr", "wdata", "reference", "good", "should", "w"):
		return writtenRole
	case has("read", "actual", "act", "got", "found", "observed", "obs", "rd", "rdata", "readback", "was", "bad", "r"):
		return readRole
	case has("temp", "temperature", "celsius", "°c"):
		return temperatureRole
	case has("time", "timestamp", "elapsed", "seconds", "secs", "datetime", "t"):
		return timeRole
	case has("pattern", "pat", "background"):
		return patternRole
	}
	return passedOver
}

// rowsOf parts the rows of the sample.
func (l *failureLayout) rowsOf(lines []string) [][]string {
	var out [][]string
	for _, line := range lines {
		text := bytes.TrimSpace([]byte(line))
		if remark(text, l.delim) || bytes.Equal(text, l.header) {
			continue
		}
		out = append(out, failureFields(text, l.delim))
	}
	return out
}

// widthOf returns the width of the values: what the longest of the first rows
// needs, its leading zeros counted.
func (l *failureLayout) widthOf(rows [][]string) int {
	most := 2
	for _, r := range rows {
		for i, f := range r {
			if i < l.last && (l.roles[i] == writtenRole || l.roles[i] == readRole) {
				if _, n, _ := hexAt(append([]byte(f), '\n'), 0); n <= 16 {
					most = max(most, n)
				}
			}
		}
	}
	return bitsOf(most)
}

// bitsOf returns the width of a value of so many hexadecimal digits.
func bitsOf(digits int) int {
	switch {
	case digits <= 2:
		return 8
	case digits <= 4:
		return 16
	case digits <= 8:
		return 32
	}
	return 64
}

// readTime finds out how the times are written from the first one.
func (l *failureLayout) readTime(name string, rows [][]string) *Problem {
	c := l.column(timeRole)
	if c < 0 {
		return nil
	}
	for _, r := range rows {
		if c >= len(r) || missing([]byte(r[c])) {
			continue
		}
		if _, _, _, ok := parseNumber([]byte(r[c]), '.', l.time.Power()); ok {
			return nil
		}
		for _, kind := range []string{TimeDate, TimeClock} {
			clk, err := newClock(kind)
			if err != nil {
				continue
			}
			if v, _, err := clk.read([]byte(r[c])); err == nil {
				if kind == TimeDate {
					clk.base = int64(v)
				}
				l.clk = clk
				return nil
			}
		}
		break
	}
	l.roles[c] = passedOver // no time that can be told, or none at all
	return nil
}
