package document

import (
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// value reads any value.
func (p *parser) value(depth int) *Value {
	from, at := p.here(), p.pos
	if depth > maxDepth {
		p.failHere("nested too deeply", "")
	}
	v := &Value{}
	rest := p.src[p.pos:]
	switch {
	case strings.HasPrefix(rest, `"""`):
		v.Type, v.Text = String, p.multiBasic()
	case strings.HasPrefix(rest, `'''`):
		v.Type, v.Text = String, p.multiLiteral()
	case strings.HasPrefix(rest, `"`):
		v.Type, v.Text = String, p.basic()
	case strings.HasPrefix(rest, `'`):
		v.Type, v.Text = String, p.literal()
	case strings.HasPrefix(rest, `[`):
		v.Type, v.Items = Array, p.array(depth)
	case strings.HasPrefix(rest, `{`):
		v.Type, v.Table = Group, p.inlineTable(depth)
	default:
		p.scalar(v)
	}
	v.At = p.span(from, at)
	if v.Type != Array && v.Type != Group {
		v.Raw = p.src[at:p.pos]
	} else if v.Table != nil {
		v.Table.At = v.At
	}
	return v
}

func (p *parser) array(depth int) []*Value {
	open, at := p.here(), p.pos
	items := []*Value{}
	p.pos++
	for {
		p.space()
		switch {
		case p.pos >= len(p.src):
			p.fail(p.openSpan(open, at), "the list is not closed", `end it with "]"`)
		case p.peek() == ']':
			p.pos++
			return items
		case p.peek() == ',':
			p.failHere("a value is missing before the comma", "")
		}
		items = append(items, p.value(depth+1))
		p.space()
		switch p.peek() {
		case ',':
			p.pos++
		case ']':
		case 0:
			p.fail(p.openSpan(open, at), "the list is not closed", `end it with "]"`)
		default:
			p.failHere("a comma is missing between the values of a list", "")
		}
	}
}

func (p *parser) openSpan(open Pos, at int) Span {
	return Span{open, max(1, min(1, len(p.src)-at))}
}

func (p *parser) inlineTable(depth int) *Table {
	open, at := p.here(), p.pos
	t := &Table{}
	p.pos++
	for {
		p.space()
		if p.peek() == '}' {
			p.pos++
			break
		}
		if p.pos >= len(p.src) {
			p.fail(p.openSpan(open, at), "the table is not closed", `end it with "}"`)
		}
		outer := p.key
		p.keyValue(t, depth+1)
		p.key = outer
		p.space()
		switch p.peek() {
		case ',':
			p.pos++
		case '}':
		case 0:
			p.fail(p.openSpan(open, at), "the table is not closed", `end it with "}"`)
		default:
			p.failHere("a comma is missing between the keys of a table", "")
		}
	}
	t.close()
	return t
}

// close forbids anything to be added to an inline table.
func (t *Table) close() {
	t.defined, t.closed = true, true
	for _, e := range t.Entries {
		if e.Value.Type == Group && !e.Value.Table.closed {
			e.Value.Table.close()
		}
	}
}

// basic reads "text" with escapes.
func (p *parser) basic() string {
	from, at := p.here(), p.pos
	p.pos++
	var b strings.Builder
	for {
		i := strings.IndexAny(p.src[p.pos:], "\"\\\n")
		if i < 0 || p.src[p.pos+i] == '\n' {
			p.unclosed(from, at, `"`)
		}
		b.WriteString(p.src[p.pos : p.pos+i])
		p.pos += i
		if p.src[p.pos] == '"' {
			p.pos++
			return b.String()
		}
		p.escape(&b)
	}
}

// unclosed complains of a text that does not end on its line.
func (p *parser) unclosed(from Pos, at int, mark string) {
	end := len(p.src)
	if i := strings.IndexByte(p.src[at:], '\n'); i >= 0 {
		end = at + i
	}
	p.pos = at + len(strings.TrimRight(p.src[at:end], "\r"))
	p.fail(p.span(from, at), "the text is not closed", `end it with `+mark+`; text over several lines begins and ends with three of them`)
}

func (p *parser) literal() string {
	from, at := p.here(), p.pos
	p.pos++
	i := strings.IndexAny(p.src[p.pos:], "'\n")
	if i < 0 || p.src[p.pos+i] == '\n' {
		p.unclosed(from, at, `'`)
	}
	s := p.src[p.pos : p.pos+i]
	p.pos += i + 1
	return s
}

// escape reads one \ sequence.
func (p *parser) escape(b *strings.Builder) {
	from, at := p.here(), p.pos
	p.pos++
	c := p.peek()
	p.pos = min(p.pos+1, len(p.src))
	if i := strings.IndexByte(`btnfre"\`, c); i >= 0 && c != 0 {
		b.WriteByte("\b\t\n\f\r\x1b\"\\"[i])
		return
	}
	n := 0
	switch c {
	case 'x':
		n = 2
	case 'u':
		n = 4
	case 'U':
		n = 8
	}
	if n == 0 {
		if r, size := utf8.DecodeRuneInString(p.src[p.pos-1:]); size > 1 && r != utf8.RuneError {
			p.pos += size - 1
		}
		if c == '\n' || c == '\r' || c == 0 {
			p.pos = at + 1
		}
		p.fail(p.span(from, at), "no such escape in a text", `write \\ for a backslash, or use single quotes: 'C:\shop'`)
	}
	end := min(p.pos+n, len(p.src))
	code, err := strconv.ParseUint(p.src[p.pos:end], 16, 32)
	if err != nil || end-p.pos < n || !utf8.ValidRune(rune(code)) || code > utf8.MaxRune {
		p.fail(p.span(from, at), "not the number of a character", "")
	}
	p.pos = end
	b.WriteRune(rune(code))
}

func (p *parser) multiBasic() string {
	from, at := p.here(), p.pos
	p.pos += 3
	p.newline()
	var b strings.Builder
	for {
		i := strings.IndexAny(p.src[p.pos:], "\"\\\n\r")
		if i < 0 {
			p.unclosedLines(from, at, `"""`)
		}
		b.WriteString(p.src[p.pos : p.pos+i])
		p.pos += i
		switch {
		case p.newline():
			b.WriteByte('\n')
		case strings.HasPrefix(p.src[p.pos:], `"""`):
			b.WriteString(p.closeQuotes('"'))
			return b.String()
		case p.peek() == '"':
			b.WriteByte('"')
			p.pos++
		case p.peek() == '\r':
			b.WriteByte('\r')
			p.pos++
		case !p.lineEndingBackslash():
			p.escape(&b)
		}
	}
}

// closeQuotes consumes the closing quotes; up to two more may belong to the text.
func (p *parser) closeQuotes(c byte) string {
	n := 3
	for n < 5 && p.pos+n < len(p.src) && p.src[p.pos+n] == c {
		n++
	}
	extra := p.src[p.pos : p.pos+n-3]
	p.pos += n
	return extra
}

// lineEndingBackslash skips a \ at the end of a line with all blanks and line
// breaks after it.
func (p *parser) lineEndingBackslash() bool {
	rest := strings.TrimLeft(p.src[p.pos+1:], " \t")
	if !strings.HasPrefix(rest, "\n") && !strings.HasPrefix(rest, "\r\n") {
		return false
	}
	p.pos++
	for {
		p.blanks()
		if !p.newline() {
			return true
		}
	}
}

func (p *parser) unclosedLines(from Pos, at int, mark string) {
	s := p.span(from, at+3)
	s.Width = 3
	p.pos = len(p.src) // nothing after it can be told apart from the text
	p.fail(s, "the text is not closed before the end of the file", "end it with "+mark)
}

func (p *parser) multiLiteral() string {
	from, at := p.here(), p.pos
	p.pos += 3
	p.newline()
	begin := p.pos
	i := strings.Index(p.src[p.pos:], `'''`)
	if i < 0 {
		p.unclosedLines(from, at, `'''`)
	}
	for p.pos < begin+i {
		if !p.newline() {
			p.pos++
		}
	}
	s := p.src[begin:p.pos]
	s += p.closeQuotes('\'')
	return strings.ReplaceAll(s, "\r\n", "\n")
}

// scalar reads a number, a date, true or false.
func (p *parser) scalar(v *Value) {
	from, at := p.here(), p.pos
	for p.pos < len(p.src) && !strings.ContainsRune(" \t\r\n,]}#=", rune(p.src[p.pos])) {
		p.pos++
	}
	// A date and its time may be set apart by one blank.
	if raw := p.src[at:p.pos]; len(raw) == 10 && raw[4] == '-' && p.pos+2 < len(p.src) && p.src[p.pos] == ' ' && isDigit(p.src[p.pos+1]) {
		p.pos++
		for p.pos < len(p.src) && !strings.ContainsRune(" \t\r\n,]}#=", rune(p.src[p.pos])) {
			p.pos++
		}
	}
	raw := p.src[at:p.pos]
	switch {
	case raw == "true" || raw == "false":
		v.Type, v.Bool = Boolean, raw == "true"
	case p.number(v, raw) || date(v, raw):
	default:
		p.notAValue(from, at, raw)
	}
	if p.textFollows() {
		p.notAValue(from, at, raw)
	}
}

// textFollows reports whether a word stands after the value on its line, as in
// 166 MHz.
func (p *parser) textFollows() bool {
	rest := strings.TrimLeft(p.src[p.pos:], " \t")
	r, n := utf8.DecodeRuneInString(rest)
	return len(rest) < len(p.src)-p.pos && n > 0 && (unicode.IsLetter(r) || strings.ContainsRune("%°±+", r))
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// notAValue explains the usual mistake: text without quotes.
func (p *parser) notAValue(from Pos, at int, raw string) {
	switch strings.ToLower(raw) {
	case "true", "false":
		p.fail(p.span(from, at), quote(raw)+" is not a value", "write "+strings.ToLower(raw)+" in small letters")
	case "yes", "no", "on", "off":
		p.fail(p.span(from, at), quote(raw)+" is not a value", "write true or false")
	}
	if what, fix := badNumber(raw); what != "" && !p.textFollows() {
		p.fail(p.span(from, at), what, fix)
	}
	if strings.ContainsAny(raw, "\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb") {
		p.fail(p.span(from, at), "typographic quotes", `write the straight ones: "…"`)
	}
	for p.pos < len(p.src) && !strings.ContainsRune("\r\n#,]}", rune(p.src[p.pos])) {
		p.pos++
	}
	whole := strings.TrimRight(p.src[at:p.pos], " \t")
	p.pos = at + len(whole)
	if whole == "" {
		p.failHere("a value is missing", "")
	}
	p.fail(p.span(from, at), "text without quotes: "+quote(whole), "write "+quote(strings.Trim(whole, `"'`)))
}

// badNumber explains what looks like a number and is none.
func badNumber(raw string) (what, fix string) {
	digits := strings.TrimLeft(raw, "+-")
	if digits == "" || strings.Trim(digits, "0123456789.") != "" {
		return "", ""
	}
	switch {
	case strings.Trim(digits, "0123456789") == "" && digits[0] == '0':
		return "a number does not begin with zeros", "write " + strings.TrimLeft(digits[:len(digits)-1], "0") + digits[len(digits)-1:]
	case strings.Trim(digits, "0123456789") == "":
		return "number out of range", ""
	case strings.Count(digits, ".") == 1 && digits[0] == '.':
		return "a number begins with a digit", "write 0" + digits
	case strings.Count(digits, ".") == 1 && strings.HasSuffix(digits, "."):
		return "a number ends with a digit", "write " + digits + "0"
	}
	return "not a number", "put text in quotes"
}

// number reads the numbers of TOML.
func (p *parser) number(v *Value, raw string) bool {
	digits := strings.TrimLeft(raw, "+-")
	if len(raw)-len(digits) > 1 || digits == "" {
		return false
	}
	negative := raw[0] == '-'
	if digits == "inf" || digits == "nan" {
		v.Type, v.Float = Float, math.Inf(1)
		if negative {
			v.Float = math.Inf(-1)
		}
		if digits == "nan" {
			v.Float = math.NaN()
		}
		return true
	}
	base := 0
	switch digits[:min(2, len(digits))] {
	case "0x":
		base = 16
	case "0o":
		base = 8
	case "0b":
		base = 2
	}
	if base != 0 {
		n, err := strconv.ParseInt(clean(digits[2:]), base, 64)
		v.Type, v.Int, v.Float = Integer, n, float64(n)
		return err == nil && digits == raw && clean(digits[2:]) != "" && clean(digits[2:])[0] != '-' && clean(digits[2:])[0] != '+'
	}
	whole, frac, exp := splitNumber(digits)
	if !allDigits(whole) || len(clean(whole)) > 1 && whole[0] == '0' {
		return false
	}
	if frac == "" && exp == "" {
		if len(digits) != len(whole) {
			return false
		}
		n, err := strconv.ParseInt(strings.TrimPrefix(raw[:len(raw)-len(digits)], "+")+clean(digits), 10, 64)
		v.Type, v.Int, v.Float = Integer, n, float64(n)
		return err == nil
	}
	if frac != "" && !allDigits(frac[1:]) || exp != "" && !allDigits(strings.TrimLeft(exp[1:], "+-")) || len(exp) > 2 && strings.Count(exp, "+")+strings.Count(exp, "-") > 1 {
		return false
	}
	f, err := strconv.ParseFloat(clean(raw), 64)
	v.Type, v.Float = Float, f
	return err == nil
}

// splitNumber cuts 1.5e3 into 1, .5 and e3.
func splitNumber(s string) (whole, frac, exp string) {
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		s, exp = s[:i], s[i:]
	}
	if i := strings.IndexByte(s, '.'); i >= 0 {
		s, frac = s[:i], s[i:]
	}
	return s, frac, exp
}

// allDigits accepts digits with single underscores between them.
func allDigits(s string) bool {
	if s == "" {
		return false
	}
	for i := range len(s) {
		switch {
		case isDigit(s[i]):
		case s[i] == '_' && i > 0 && i < len(s)-1 && isDigit(s[i-1]) && isDigit(s[i+1]):
		default:
			return false
		}
	}
	return true
}

// clean drops the underscores between digits; a stray one makes it invalid.
func clean(s string) string {
	if strings.HasPrefix(s, "_") || strings.HasSuffix(s, "_") || strings.Contains(s, "__") {
		return ""
	}
	return strings.ReplaceAll(s, "_", "")
}

// date reads the dates and times of TOML.
func date(v *Value, raw string) bool {
	if i := strings.IndexByte(raw, ':'); i == 1 || i > 1 && !isDigit(raw[i-2]) {
		return false // time.Parse takes an hour of one digit
	}
	s := strings.ToUpper(raw)
	if len(s) > 10 && s[10] == ' ' {
		s = s[:10] + "T" + s[11:]
	}
	for _, layout := range [...]string{time.RFC3339Nano, "2006-01-02T15:04:05.999999999", "2006-01-02", "15:04:05.999999999",
		"2006-01-02T15:04Z07:00", "2006-01-02T15:04", "15:04"} {
		if t, err := time.Parse(layout, s); err == nil {
			v.Type, v.Text, v.Time = Date, raw, t
			return true
		}
	}
	return false
}
