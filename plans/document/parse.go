package document

import (
	"strconv"
	"strings"
	"unicode/utf8"
)

// Bounds that keep the work on a hostile file small.
const (
	maxDepth  = 24
	maxFaults = 50
)

// Parse reads a text. The table holds what could be understood even when there
// are faults. Parse goes on after a fault with the next line, so that several
// are found at once; faults that only follow from another may be missing.
func Parse(text []byte) (*Table, []Fault) {
	// A byte order mark before UTF-8 is harmless.
	p := &parser{src: strings.TrimPrefix(string(text), "\ufeff"), line: 1, root: &Table{At: Span{Pos{1, 1}, 1}}}
	if f, bad := unreadable(p.src); bad {
		return p.root, []Fault{f}
	}
	p.current = p.root
	for p.pos < len(p.src) && len(p.faults) < maxFaults {
		p.statement()
	}
	return p.root, p.faults
}

// unreadable finds the first byte that is not text.
func unreadable(src string) (Fault, bool) {
	if strings.HasPrefix(src, "\xff\xfe") || strings.HasPrefix(src, "\xfe\xff") {
		return Fault{At: Span{Pos{1, 1}, 1}, What: "this is UTF-16 text", Fix: "save the file as UTF-8"}, true
	}
	line, start := 1, 0
	for i, r := range src {
		if r == '\n' {
			line, start = line+1, i+1
		}
		if r == utf8.RuneError {
			if _, n := utf8.DecodeRuneInString(src[i:]); n == 1 {
				at := Pos{line, utf8.RuneCountInString(src[start:i]) + 1}
				return Fault{At: Span{at, 1}, What: "not UTF-8 text: byte 0x" + strconv.FormatUint(uint64(src[i]), 16),
					Fix: "save the file as UTF-8"}, true
			}
		}
		if r < ' ' && r != '\n' && r != '\t' && (r != '\r' || !strings.HasPrefix(src[i+1:], "\n")) || r == 0x7f {
			at := Pos{line, utf8.RuneCountInString(src[start:i]) + 1}
			f := Fault{At: Span{at, 1}, What: "control character " + strconv.QuoteRune(r), Fix: "remove it"}
			if r == '\r' {
				f.What, f.Fix = "a carriage return without a line feed", "end lines with LF or CR LF"
			}
			if r == 0 {
				f.Fix = "this looks like a binary file; give a TOML text"
			}
			return f, true
		}
	}
	return Fault{}, false
}

type parser struct {
	src     string
	pos     int
	line    int
	start   int // offset of the first byte of the line
	seen    int // offset up to which runes of the line are counted
	col     int // runes of the line before seen
	root    *Table
	current *Table // nil after a broken header: what follows belongs to nobody
	key     string // for faults
	faults  []Fault
}

// stop is thrown to leave a broken statement; it never leaves the package.
type stop struct{}

func (p *parser) here() Pos {
	if p.seen < p.start || p.seen > p.pos {
		p.seen, p.col = p.start, 0
	}
	p.col += utf8.RuneCountInString(p.src[p.seen:p.pos])
	p.seen = p.pos
	return Pos{p.line, p.col + 1}
}

// span is the piece from a place to here, cut at the end of the first line.
func (p *parser) span(from Pos, offset int) Span {
	piece := p.src[offset:p.pos]
	if i := strings.IndexByte(piece, '\n'); i >= 0 {
		piece = strings.TrimSuffix(piece[:i], "\r")
	}
	return Span{from, max(1, utf8.RuneCountInString(piece))}
}

func (p *parser) fault(at Span, what, fix string) {
	if len(p.faults) < maxFaults {
		p.faults = append(p.faults, Fault{At: at, Key: p.key, What: what, Fix: fix})
	}
}

// fail records a fault and gives up the statement.
func (p *parser) fail(at Span, what, fix string) {
	p.fault(at, what, fix)
	panic(stop{})
}

func (p *parser) failHere(what, fix string) { p.fail(Span{p.here(), 1}, what, fix) }

// statement reads one header or one key with its value, to the end of its
// line. After a fault it skips the rest of the line.
func (p *parser) statement() {
	header := false
	p.key = ""
	defer func() {
		if e := recover(); e != nil {
			if _, ours := e.(stop); !ours {
				panic(e)
			}
			if header {
				p.current = nil
			}
			p.skipLine()
		}
	}()
	p.blanks()
	switch {
	case p.pos >= len(p.src):
		return
	case p.peek() == '#' || p.peek() == '\n' || p.peek() == '\r':
	case p.peek() == '[':
		header = true
		p.header()
	default:
		p.keyValue(p.current, 0)
	}
	p.endOfLine()
}

func (p *parser) peek() byte {
	if p.pos < len(p.src) {
		return p.src[p.pos]
	}
	return 0
}

func (p *parser) blanks() {
	for p.pos < len(p.src) && (p.src[p.pos] == ' ' || p.src[p.pos] == '\t') {
		p.pos++
	}
}

func (p *parser) newline() bool {
	if strings.HasPrefix(p.src[p.pos:], "\r\n") {
		p.pos++
	}
	if p.peek() != '\n' {
		return false
	}
	p.pos++
	p.line++
	p.start = p.pos
	return true
}

func (p *parser) comment() {
	if p.peek() != '#' {
		return
	}
	if i := strings.IndexByte(p.src[p.pos:], '\n'); i >= 0 {
		p.pos += i
		if p.src[p.pos-1] == '\r' {
			p.pos--
		}
		return
	}
	p.pos = len(p.src)
}

// skipLine goes to the next line.
func (p *parser) skipLine() {
	i := strings.IndexByte(p.src[p.pos:], '\n')
	if i < 0 {
		p.pos = len(p.src)
		return
	}
	p.pos += i
	p.newline()
}

// space skips blanks, comments and line breaks, as lists allow them.
func (p *parser) space() {
	for {
		p.blanks()
		p.comment()
		if !p.newline() {
			return
		}
	}
}

func (p *parser) endOfLine() {
	p.blanks()
	p.comment()
	if p.pos >= len(p.src) || p.newline() {
		return
	}
	from, at := p.here(), p.pos
	for p.pos < len(p.src) && p.peek() != '\n' && p.peek() != '\r' && p.peek() != '#' {
		p.pos++
	}
	rest := strings.TrimRight(p.src[at:p.pos], " \t")
	p.pos = at + len(rest)
	fix := "begin a new line, or put text in quotes"
	if strings.HasPrefix(rest, "]") {
		fix = "remove the bracket"
	}
	if len(rest) > 1 && rest[0] == ',' && isDigit(rest[1]) && at > 0 && isDigit(p.src[at-1]) {
		p.fail(p.span(from, at), "decimal comma", "write it with a point")
	}
	p.fail(p.span(from, at), "unexpected "+quote(rest), fix)
}

// quote prints a piece of the user's text, shortened.
func quote(s string) string {
	if r := []rune(s); len(r) > 40 {
		s = string(r[:40]) + "…"
	}
	return `"` + s + `"`
}

// header reads [a.b] or [[a.b]].
func (p *parser) header() {
	from, at := p.here(), p.pos
	p.pos++
	list := p.peek() == '['
	if list {
		p.pos++
	}
	path := p.keyPath()
	p.blanks()
	for range 1 + btoi(list) {
		if p.peek() != ']' {
			want := "]"
			if list {
				want = "]]"
			}
			p.failHere("the header is not closed", `end it with "`+want+`"`)
		}
		p.pos++
	}
	at2 := p.span(from, at)
	if len(path) > maxDepth {
		p.fail(at2, "nested too deeply", "")
	}
	t := p.root
	for _, k := range path[:len(path)-1] {
		t = p.descend(t, k)
	}
	last := path[len(path)-1]
	if list {
		p.current = p.appendTable(t, last, at2)
		return
	}
	p.current = p.openTable(t, last, at2)
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// part is one part of a dotted key.
type part struct {
	name string
	at   Span
}

// descend finds or makes the table that a header goes through.
func (p *parser) descend(t *Table, k part) *Table {
	e := t.Get(k.name)
	if e == nil {
		n := &Table{At: k.at}
		t.add(&Entry{Key: k.name, At: k.at, Value: &Value{Type: Group, At: k.at, Table: n}})
		return n
	}
	switch {
	case e.Value.Type == Group && !e.Value.Table.inline():
		return e.Value.Table
	case e.Value.Type == Array && e.Value.tables:
		return e.Value.Items[len(e.Value.Items)-1].Table
	}
	p.fail(k.at, quote(k.name)+" is "+e.Value.Type.String()+" already, on line "+strconv.Itoa(e.At.Line), "")
	return nil
}

// inline reports whether nothing may be added by a header.
func (t *Table) inline() bool { return t.closed }

func (p *parser) openTable(t *Table, k part, at Span) *Table {
	e := t.Get(k.name)
	if e == nil {
		n := &Table{At: at, defined: true}
		t.add(&Entry{Key: k.name, At: k.at, Value: &Value{Type: Group, At: at, Table: n}})
		return n
	}
	if e.Value.Type == Group && !e.Value.Table.defined && !e.Value.Table.closed {
		e.Value.Table.defined = true
		e.Value.Table.At = at
		return e.Value.Table
	}
	fix := "merge the two, or give one another name"
	if e.Value.Type == Array {
		fix = "write [[" + k.name + "]] for one more of them"
	}
	p.fail(at, quote(k.name)+" stands twice; first on line "+strconv.Itoa(e.At.Line), fix)
	return nil
}

func (p *parser) appendTable(t *Table, k part, at Span) *Table {
	n := &Table{At: at, defined: true}
	item := &Value{Type: Group, At: at, Table: n}
	e := t.Get(k.name)
	if e == nil {
		t.add(&Entry{Key: k.name, At: k.at, Value: &Value{Type: Array, At: at, Items: []*Value{item}, tables: true}})
		return n
	}
	if e.Value.Type != Array || !e.Value.tables {
		p.fail(at, quote(k.name)+" is "+e.Value.Type.String()+" already, on line "+strconv.Itoa(e.At.Line), "")
	}
	e.Value.Items = append(e.Value.Items, item)
	return n
}

// keyValue reads key = value into t; t is nil when it belongs to nobody.
func (p *parser) keyValue(t *Table, depth int) {
	path := p.keyPath()
	p.key = path[len(path)-1].name
	p.blanks()
	if p.peek() != '=' {
		first := path[0].at
		first.Width = max(first.Width, path[len(path)-1].at.Column+path[len(path)-1].at.Width-first.Column)
		switch p.peek() {
		case ':':
			p.failHere(`expected "=" after the key, found ":"`, `write `+p.key+` = …`)
		case 0, '\n', '\r', '#':
			p.fail(first, "a key without a value", `write `+p.key+` = "…"`)
		}
		p.failHere(`expected "=" after the key`, `write `+p.key+` = …; a key with blanks goes in quotes`)
	}
	p.pos++
	p.blanks()
	if c := p.peek(); c == 0 || c == '\n' || c == '\r' || c == '#' {
		p.failHere("the value is missing", `write `+p.key+` = "…"`)
	}
	into := t
	if into == nil {
		into = &Table{}
	}
	for _, k := range path[:len(path)-1] {
		into = p.dotted(into, k)
	}
	last := path[len(path)-1]
	old := into.Get(last.name)
	if old != nil {
		p.fault(last.at, quote(last.name)+" stands twice; first on line "+strconv.Itoa(old.At.Line), "remove one of them")
	}
	v := p.value(depth)
	if old == nil {
		into.add(&Entry{Key: last.name, At: last.at, Value: v})
	}
}

// dotted finds or makes the table that a dotted key goes through.
func (p *parser) dotted(t *Table, k part) *Table {
	e := t.Get(k.name)
	if e == nil {
		n := &Table{At: k.at, defined: true}
		t.add(&Entry{Key: k.name, At: k.at, Value: &Value{Type: Group, At: k.at, Table: n}})
		return n
	}
	if e.Value.Type != Group || e.Value.Table.closed {
		p.fail(k.at, quote(k.name)+" is "+e.Value.Type.String()+" already, on line "+strconv.Itoa(e.At.Line), "")
	}
	return e.Value.Table
}

// keyPath reads a.b."c d".
func (p *parser) keyPath() []part {
	var path []part
	for {
		p.blanks()
		path = append(path, p.simpleKey())
		p.blanks()
		if p.peek() != '.' {
			return path
		}
		if len(path) > maxDepth {
			p.failHere("nested too deeply", "")
		}
		p.pos++
	}
}

func (p *parser) simpleKey() part {
	from, at := p.here(), p.pos
	var name string
	switch c := p.peek(); {
	case c == '"' && !strings.HasPrefix(p.src[p.pos:], `"""`):
		name = p.basic()
	case c == '\'' && !strings.HasPrefix(p.src[p.pos:], `'''`):
		name = p.literal()
	default:
		for p.pos < len(p.src) && isBare(p.src[p.pos]) {
			p.pos++
		}
		name = p.src[at:p.pos]
		if name == "" {
			p.noKey()
		}
		if r, _ := utf8.DecodeRuneInString(p.src[p.pos:]); r >= 0x80 {
			p.failHere("a key with "+quote(string(r))+" goes in quotes", "")
		}
	}
	return part{name, p.span(from, at)}
}

func (p *parser) noKey() {
	r, n := utf8.DecodeRuneInString(p.src[p.pos:])
	switch {
	case n == 0 || r == '\n' || r == '\r':
		p.failHere("a key is missing", "")
	case r == '=':
		p.failHere(`a key is missing before "="`, "")
	}
	p.failHere("expected a key, found "+quote(string(r)), `keys are letters, digits, "_" and "-"; comments begin with "#"`)
}

func isBare(c byte) bool {
	return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '_' || c == '-'
}
