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
	differenceRole // the bits that differ between the two
	timeRole
	temperatureRole
	patternRole
	widthRole
)

// roleNames are what a summary calls the columns.
var roleNames = [...]string{
	"", "address", "written", "read", "difference", "time", "temperature", "pattern", "width",
}

// A failureLayout is how a list of failing addresses is written.
type failureLayout struct {
	encoding Encoding
	delim    byte // ' ' for runs of blanks
	first    int  // lines before the rows
	header   []byte
	names    []string      // headers; nil without
	roles    []failureRole // of the columns
	last     int           // columns that matter
	needed   []failureRole // what a row cannot do without
	derived  failureRole   // the value that follows from the other and the difference; else passedOver
	bits     int
	base     uint64
	radix    []uint8 // of the columns, where their names tell it: 2, 10 or 16; else 0
	bare     uint8   // radix of numbers that nothing tells: 10 or 16
	unit     int64   // bytes that an address counts by
	clk      *clock
	time     quantity.Unit
	heat     quantity.Unit
	open     *Open    // what the list leaves open
	nearly   *Problem // a line that might be a header that lacks something
	fields   []field  // of the line that is being read
	shape    shape    // of the last column that matters
}

func (l *failureLayout) summary() FailureSummary {
	s := FailureSummary{Bits: l.bits}
	for i, name := range l.names {
		if role := l.roles[i]; role != passedOver {
			s.Columns = append(s.Columns, reading.Column{Name: roleNames[role], Header: name})
		}
	}
	return s
}

const failureFix = `begin the list with a line such as "address,written,read"`

// sniffFailures finds out how a list is written from its first bytes.
func sniffFailures(name string, s sample, o FailureOptions) (failureLayout, *Problem) {
	l := failureLayout{encoding: detectEncoding(s.bytes), base: o.Base, bare: 16, unit: int64(max(o.Unit, 1))}
	if o.Radix != 0 {
		l.bare = uint8(o.Radix)
	}
	lines := s.lines(l.encoding)
	if p := notText(name, lines); p != nil {
		return l, p
	}
	if len(strings.TrimSpace(strings.Join(lines, ""))) == 0 {
		return l, &Problem{
			File: name, Line: 1, Column: 1,
			What: "the list is empty, without even a header: nothing shows that a test ran",
			Fix:  `a test without failures leaves its header, "address,written,read", or a remark behind "#"`,
		}
	}
	if p := l.findHeader(name, lines); p != nil {
		return l, p
	}
	rows := l.rowsOf(lines[l.first:])
	if l.bits = o.Bits; l.bits == 0 {
		l.bits = l.widthOf(rows)
	}
	if o.Radix == 0 {
		l.open = l.radixOpen(name, rows)
	}
	l.readTime(rows)
	for i, r := range l.roles {
		if r != passedOver {
			l.last = i + 1
		}
	}
	l.needed = []failureRole{addressRole, writtenRole, readRole}
	for i, r := range l.needed[1:] {
		if !slices.Contains(l.roles, r) {
			l.derived, l.needed[i+1] = r, differenceRole
		}
	}
	return l, nil
}

func remark(line []byte, delim byte) bool {
	if len(line) == 0 || bytes.HasPrefix(line, []byte("//")) {
		return true
	}
	return line[0] == '#' && !hexBehind(line) || line[0] == ';' && delim != ';'
}

// hexBehind reports whether a "#" begins a number and not a remark.
func hexBehind(line []byte) bool {
	_, digits, end := scanHex(line)
	return digits > 0 && end < len(line) && strings.IndexByte(",;\t|", line[end]) >= 0
}

// findHeader looks for the line that names the columns, or for a first row
// without one, and how many lines stand before the rows.
func (l *failureLayout) findHeader(name string, lines []string) *Problem {
	firstText := -1
	for i, line := range lines[:min(len(lines), headerLines)] {
		text := []byte(strings.TrimSpace(line))
		marked := false
		for len(text) > 0 && text[0] == '#' && !hexBehind(text) { // a header may stand behind a remark sign
			text, marked = bytes.TrimSpace(text[1:]), true
		}
		if len(text) == 0 || bytes.HasPrefix(text, []byte("//")) {
			continue
		}
		if ok, p := l.asHeader(name, i, text); p != nil || ok {
			l.header, l.first = []byte(strings.TrimSpace(line)), i+1
			return p
		}
		if marked {
			continue
		}
		if l.asRow(text) {
			l.first = i
			return nil
		}
		if firstText < 0 {
			firstText = i
		}
	}
	if l.nearly != nil {
		return l.nearly
	}
	if firstText >= 0 {
		return &Problem{
			File: name, Line: firstText + 1, Column: 1,
			What: "no column holds the address and the values written and read: " + shown(lines[firstText]),
			Fix:  failureFix,
		}
	}
	l.positions(',') // nothing but remarks
	return nil
}

// positions is the order of columns without a header.
func (l *failureLayout) positions(delim byte) {
	l.delim, l.names, l.roles = delim, nil, []failureRole{addressRole, writtenRole, readRole}
	l.radix = make([]uint8, len(l.roles))
}

// failureDelimiters are tried in this order: blanks last, since they stand
// behind the others, too.
const failureDelimiters = ",;\t| "

// asRow reports whether a line is a row of a list without a header.
func (l *failureLayout) asRow(text []byte) bool {
	isHex := func(f field) bool {
		_, digits, end := scanHex(f.text)
		return digits > 0 && end == len(f.text)
	}
	for _, d := range []byte(failureDelimiters) {
		fields := fieldsOf(string(text), d)
		if len(fields) >= 3 && isHex(fields[0]) && isHex(fields[1]) && isHex(fields[2]) {
			l.positions(d)
			return true
		}
	}
	return false
}

// asHeader reads a line as the header.
func (l *failureLayout) asHeader(name string, line int, text []byte) (bool, *Problem) {
	for _, d := range []byte(failureDelimiters) {
		names := texts(fieldsOf(string(text), d))
		if len(names) < 2 || len(names) > maxFailureColumns {
			continue
		}
		roles := make([]failureRole, len(names))
		has := func(r failureRole) bool { return slices.Contains(roles, r) }
		for i, f := range names {
			if r := failureHeader(f); !has(r) {
				roles[i] = r
			}
		}
		if !has(addressRole) {
			continue
		}
		if !has(writtenRole) && has(patternRole) && has(readRole) { // the pattern is the value written
			roles[slices.Index(roles, patternRole)] = writtenRole
		}
		values := 0
		for _, r := range []failureRole{writtenRole, readRole, differenceRole} {
			if has(r) {
				values++
			}
		}
		if values >= 2 {
			l.delim, l.names, l.roles, l.radix = d, names, roles, make([]uint8, len(roles))
			return true, l.headerUnits(name, line)
		}
		p := &Problem{
			File: name, Line: line + 1, Column: 1,
			What: "the header names an address, but not both the value written and the value read: " +
				shown(string(text)),
			Fix: failureFix,
		}
		if d != ' ' {
			return false, p
		}
		if l.nearly == nil { // a title reads like this, too
			l.nearly = p
		}
	}
	return false, nil
}

// maxFailureColumns bounds the columns of a list that are looked at.
const maxFailureColumns = 64

// headerUnits holds what headers say beside the name of the column.
func (l *failureLayout) headerUnits(name string, line int) *Problem {
	for i, h := range l.names {
		words := bag(headerWords(strings.ToLower(h)))
		switch role := l.roles[i]; role {
		case addressRole:
			unit := slices.IndexFunc(words, func(w string) bool { return addressUnits[w] != "" })
			if unit >= 0 && l.unit == 1 {
				return &Problem{
					File: name, Line: line + 1,
					What: "column " + shown(h) + " counts in " + addressUnits[words[unit]] + ", not bytes",
					Fix:  "say how many bytes one counts by with --address-unit BYTES, or list byte addresses",
				}
			}
			l.radix[i] = radixIn(words)
		case writtenRole, readRole, differenceRole:
			l.radix[i] = radixIn(words)
		case timeRole:
			l.time = l.unitOf(i, quantity.Duration)
		case temperatureRole:
			l.heat = l.unitOf(i, quantity.Temperature)
		}
	}
	return nil
}

// addressUnits are what an address may count in that is no byte.
var addressUnits = map[string]string{
	"word": "words", "words": "words", "dword": "double words", "dwords": "double words", "qword": "quad words",
	"qwords": "quad words", "row": "rows", "column": "columns", "page": "pages", "pages": "pages",
	"block": "blocks", "blocks": "blocks", "sector": "sectors", "sectors": "sectors", "index": "indices",
	"kib": "KiB", "kb": "KiB", "k": "KiB", "mib": "MiB", "mb": "MiB",
}

// radixIn is the radix that the words of a header name; 0 where they name none.
func radixIn(words bag) uint8 {
	switch {
	case words.has("dec", "decimal"):
		return 10
	case words.has("hex", "hexadecimal"):
		return 16
	case words.has("bin", "binary"):
		return 2
	}
	return 0
}

// radixOpen asks for the radix of numbers of which nothing tells whether they are
// decimal or hexadecimal: more than one digit, but no letter, no sign of a radix
// and no zero in front, in all rows of the sample.
func (l *failureLayout) radixOpen(name string, rows [][]field) *Open {
	shows, example := false, ""
	for _, r := range rows {
		for i, f := range r {
			if i >= len(l.roles) || l.radix[i] != 0 || l.roles[i] > differenceRole || l.roles[i] == passedOver {
				continue
			}
			bare := len(bytes.Trim(f.text, "0123456789")) == 0
			switch {
			case len(f.text) == 0:
			case !bare || len(f.text) > 1 && f.text[0] == '0':
				shows = true
			case len(f.text) > 1 && example == "":
				example = string(f.text)
			}
		}
	}
	if shows || example == "" {
		return nil
	}
	return &Open{Problem: &Problem{
		File: name, Line: l.first + 1, Column: 1,
		What: "nothing tells whether numbers such as " + example + " are hexadecimal or decimal",
		Fix:  "say it with --numbers hex or --numbers dec, or write them as in 0x1F",
	}, Ask: AskRadix, Choices: []string{"hex", "dec"}}
}

// unitOf returns the unit that a header names. A column without one is passed over
// unless it turns out to hold times of day.
func (l *failureLayout) unitOf(column int, dim quantity.Dimension) quantity.Unit {
	_, text := splitHeader(l.names[column])
	unit, ok := quantity.InFile(dim, text)
	if !ok && (text != "" || dim != quantity.Duration) {
		l.roles[column] = passedOver
	}
	return unit
}

// failureHeader says what a column header names.
func failureHeader(header string) failureRole {
	words := bag(headerWords(strings.ToLower(header)))
	switch {
	case words.has("bits") && words.has("error", "errors", "err", "failing", "failed", "bad"),
		words.has("xor", "diff", "difference", "syndrome", "errbits", "mismatch"):
		return differenceRole
	case words.has("width", "bits"):
		return widthRole
	case words.has("address", "addr", "adr", "addresses", "faddr", "offset", "location", "loc"):
		return addressRole
	case words.has("written", "wrote", "write", "expected", "expect", "exp", "want", "wanted",
		"wr", "wdata", "reference", "good", "should", "w"):
		return writtenRole
	case words.has("read", "actual", "act", "got", "found", "observed", "obs",
		"rd", "rdata", "readback", "was", "bad", "r"):
		return readRole
	case words.has("temp", "temperature", "celsius", "°c"):
		return temperatureRole
	case words.has("time", "timestamp", "elapsed", "seconds", "secs", "datetime", "t"):
		return timeRole
	case words.has("pattern", "pat", "background"):
		return patternRole
	}
	return passedOver
}

// rowsOf parts the rows of the sample.
func (l *failureLayout) rowsOf(lines []string) [][]field {
	var out [][]field
	for _, line := range lines {
		text := bytes.TrimSpace([]byte(line))
		if !remark(text, l.delim) && !bytes.Equal(text, l.header) {
			out = append(out, fieldsOf(string(text), l.delim))
		}
	}
	return out
}

// widthOf returns the width of the values: what the longest of the first rows
// needs, its leading zeros counted.
func (l *failureLayout) widthOf(rows [][]field) int {
	most := 2
	for _, r := range rows {
		for i, f := range r {
			if i < len(l.roles) && (l.roles[i] == writtenRole || l.roles[i] == readRole) {
				if _, digits, _ := l.number(i, f.text); digits <= 16 {
					most = max(most, digits)
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

// readTime finds out how the times are written from the first one. A column
// whose times cannot be told, or that has none, is passed over.
func (l *failureLayout) readTime(rows [][]field) {
	c := slices.Index(l.roles, timeRole)
	if c < 0 {
		return
	}
	for _, r := range rows {
		if c >= len(r) || missing(r[c].text) {
			continue
		}
		if isNumber(r[c].text, '.') && l.time != (quantity.Unit{}) {
			return
		}
		if forms := formsOf([]string{string(r[c].text)}); len(forms) == 1 {
			l.clk, _ = newClock(forms[0])
			return
		}
		break
	}
	l.roles[c] = passedOver
}
