package pdffile

import (
	"bytes"
	"encoding/hex"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"proveout/plans/fact"
)

// Kind says what an [Object] is.
type Kind int

const (
	Null Kind = iota // also the answer for what is not there
	Bool
	Integer
	Real
	Name
	String
	Array
	Dict
	Ref
)

// An Object is one value of a PDF file and where it stands.
type Object struct {
	Kind       Kind
	Start, End int      // byte span in the file
	Int        int64    // of an Integer; object number of a Ref
	Gen        int      // of a Ref
	Text       []byte   // of a Name, a String; decoded
	Items      []Object // of an Array
	Entries    []Entry  // of a Dict, in file order
}

// An Entry is one key of a dictionary with its value.
type Entry struct {
	Key      string // decoded
	KeyStart int    // where the slash stands
	Value    Object
}

// Get gives the value under key, or Null.
func (o Object) Get(key string) Object {
	for _, e := range o.Entries {
		if e.Key == key {
			return e.Value
		}
	}
	return Object{}
}

// has tells whether a dictionary holds the key.
func (o Object) has(key string) bool {
	return slices.ContainsFunc(o.Entries, func(e Entry) bool { return e.Key == key })
}

// isName tells whether o is the name s.
func (o Object) isName(s string) bool { return o.Kind == Name && string(o.Text) == s }

const (
	maxDepth  = 48  // arrays and dictionaries inside each other
	maxDigits = 15  // of an integer
	maxNodes  = 4e5 // values read from one file, so that memory stays bounded
)

var errTooMuch = fact.New("pdffile.too-much").Err()

// parser reads values from data. nodes is what is left of the file's allowance.
type parser struct {
	data  []byte
	pos   int
	nodes *int
	open  *open
	again int // bytes that were looked at and not taken, to be read once more
}

// open holds what was read of the arrays and dictionaries that are not yet
// closed, one behind the other, so that each is stored once, at its length.
type open struct {
	items   []Object
	entries []Entry
}

// malformed is the error for what is not written as this package reads it.
func (p *parser) malformed() error { return fact.New("pdffile.malformed", "at", p.pos).Err() }

// cutShort is the error for an end inside a value.
func (p *parser) cutShort() error { return fact.New("pdffile.cut-short", "at", p.pos).Err() }

func isSpace(c byte) bool {
	return c == ' ' || c == '\n' || c == '\r' || c == '\t' || c == '\f' || c == 0
}

func isDelimiter(c byte) bool {
	switch c {
	case '(', ')', '<', '>', '[', ']', '{', '}', '/', '%':
		return true
	}
	return false
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// space skips white space and comments.
func (p *parser) space() {
	for p.pos < len(p.data) {
		switch c := p.data[p.pos]; {
		case isSpace(c):
			p.pos++
		case c == '%':
			for p.pos < len(p.data) && p.data[p.pos] != '\n' && p.data[p.pos] != '\r' {
				p.pos++
			}
		default:
			return
		}
	}
}

// word takes s if it stands here and ends here.
func (p *parser) word(s string) bool {
	if !bytes.HasPrefix(p.data[p.pos:], []byte(s)) {
		return false
	}
	if e := p.pos + len(s); e < len(p.data) && !isSpace(p.data[e]) && !isDelimiter(p.data[e]) {
		return false
	}
	p.pos += len(s)
	return true
}

// digits takes an unsigned integer of at most maxDigits digits.
func (p *parser) digits() (int64, bool) {
	var n int64
	start := p.pos
	for p.pos < len(p.data) && isDigit(p.data[p.pos]) {
		if p.pos-start >= maxDigits {
			return 0, false
		}
		n = n*10 + int64(p.data[p.pos]-'0')
		p.pos++
	}
	return n, p.pos > start
}

// value reads one value.
func (p *parser) value(depth int) (Object, error) {
	if depth > maxDepth {
		return Object{}, fact.New("pdffile.too-deep", "at", p.pos).Err()
	}
	if *p.nodes--; *p.nodes < 0 {
		return Object{}, errTooMuch
	}
	p.space()
	if p.pos >= len(p.data) {
		return Object{}, p.cutShort()
	}
	o := Object{Start: p.pos}
	var err error
	switch c := p.data[p.pos]; {
	case c == '/':
		o.Kind = Name
		o.Text, err = p.name()
	case c == '(':
		o.Kind = String
		o.Text, err = p.literal()
	case c == '[':
		p.pos++
		o.Kind = Array
		o.Items, err = p.array(depth)
	case c == '<' && p.pos+1 < len(p.data) && p.data[p.pos+1] == '<':
		p.pos += 2
		o.Kind = Dict
		o.Entries, err = p.dict(depth)
	case c == '<':
		o.Kind = String
		o.Text, err = p.hexadecimal()
	case isDigit(c) || c == '+' || c == '-' || c == '.':
		err = p.number(&o)
	case p.word("true") || p.word("false"):
		o.Kind = Bool
	case p.word("null"):
	default:
		err = p.malformed()
	}
	o.End = p.pos
	return o, err
}

func (p *parser) array(depth int) ([]Object, error) {
	from := len(p.open.items)
	for {
		p.space()
		if p.pos < len(p.data) && p.data[p.pos] == ']' {
			p.pos++
			items := slices.Clone(p.open.items[from:])
			p.open.items = p.open.items[:from]
			return items, nil
		}
		o, err := p.value(depth + 1)
		if err != nil {
			return nil, err
		}
		p.open.items = append(p.open.items, o)
	}
}

// dict reads to the closing brackets. A key that stands twice is an error:
// two readers could take different ones.
func (p *parser) dict(depth int) ([]Entry, error) {
	from := len(p.open.entries)
	seen := map[string]bool{}
	for {
		p.space()
		if bytes.HasPrefix(p.data[p.pos:], []byte(">>")) {
			p.pos += 2
			entries := slices.Clone(p.open.entries[from:])
			p.open.entries = p.open.entries[:from]
			return entries, nil
		}
		if p.pos >= len(p.data) || p.data[p.pos] != '/' {
			return nil, p.malformed()
		}
		e := Entry{KeyStart: p.pos}
		key, err := p.name()
		if err != nil {
			return nil, err
		}
		e.Key = string(key)
		if seen[e.Key] {
			return nil, fact.New("pdffile.key-twice", "at", p.pos, "key", strconv.Quote("/"+e.Key)).Err()
		}
		seen[e.Key] = true
		if e.Value, err = p.value(depth + 1); err != nil {
			return nil, err
		}
		p.open.entries = append(p.open.entries, e)
	}
}

// name reads a name. One without an escape is a part of the file's own bytes.
func (p *parser) name() ([]byte, error) {
	p.pos++ // the slash
	start := p.pos
	for p.pos < len(p.data) && !isSpace(p.data[p.pos]) && !isDelimiter(p.data[p.pos]) {
		p.pos++
	}
	out := p.data[start:p.pos:p.pos]
	if bytes.IndexByte(out, '#') >= 0 {
		// Escapes are a # and two hexadecimal digits (ISO 32000-1, 7.3.5). Those of
		// web addresses are the same with a %, which no name holds.
		plain, err := url.PathUnescape(strings.ReplaceAll(string(out), "#", "%"))
		if err != nil {
			return nil, p.malformed()
		}
		out = []byte(plain)
	}
	if len(out) > 127 {
		return nil, p.malformed()
	}
	return out, nil
}

// hexadecimal reads a string of hexadecimal digits, with white space anywhere; a
// last digit that stands alone counts as if 0 followed (ISO 32000-1, 7.3.4.3).
func (p *parser) hexadecimal() ([]byte, error) {
	p.pos++
	written, _, ended := bytes.Cut(p.data[p.pos:], []byte(">"))
	if !ended {
		return nil, p.cutShort()
	}
	digits := make([]byte, 0, len(written)+1)
	for _, c := range written {
		if !isSpace(c) {
			digits = append(digits, c)
		}
	}
	if len(digits)%2 != 0 {
		digits = append(digits, '0')
	}
	out := make([]byte, len(digits)/2)
	if _, err := hex.Decode(out, digits); err != nil {
		return nil, p.malformed()
	}
	p.pos += len(written) + 1
	return out, nil
}

func (p *parser) literal() ([]byte, error) {
	p.pos++
	var out []byte
	open := 1
	for p.pos < len(p.data) {
		c := p.data[p.pos]
		p.pos++
		switch c {
		case '(':
			open++
		case ')':
			if open--; open == 0 {
				return out, nil
			}
		case '\r': // an end of line of any kind is a line feed (ISO 32000-1, 7.3.4.2)
			if p.pos < len(p.data) && p.data[p.pos] == '\n' {
				p.pos++
			}
			c = '\n'
		case '\\':
			var skip bool
			if c, skip = p.escape(); skip {
				continue
			}
		}
		out = append(out, c)
	}
	return nil, p.cutShort()
}

// escape reads what follows a backslash (ISO 32000-1, table 3).
func (p *parser) escape() (c byte, skip bool) {
	if p.pos >= len(p.data) {
		return 0, true
	}
	c = p.data[p.pos]
	p.pos++
	switch c {
	case 'n':
		return '\n', false
	case 'r':
		return '\r', false
	case 't':
		return '\t', false
	case 'b':
		return '\b', false
	case 'f':
		return '\f', false
	case '\n':
		return 0, true
	case '\r':
		if p.pos < len(p.data) && p.data[p.pos] == '\n' {
			p.pos++
		}
		return 0, true
	}
	if c < '0' || c > '7' {
		return c, false
	}
	n := int(c - '0')
	for i := 0; i < 2 && p.pos < len(p.data) && p.data[p.pos] >= '0' && p.data[p.pos] <= '7'; i++ {
		n = n*8 + int(p.data[p.pos]-'0')
		p.pos++
	}
	return byte(n), false
}

// number reads an integer, a real, or a reference "12 0 R".
func (p *parser) number(o *Object) error {
	start := p.pos
	for p.pos < len(p.data) && !isSpace(p.data[p.pos]) && !isDelimiter(p.data[p.pos]) {
		p.pos++
	}
	text := p.data[start:p.pos]
	digits := text
	if text[0] == '+' || text[0] == '-' {
		digits = text[1:]
	}
	dots := 0
	for _, c := range digits {
		if c == '.' {
			dots++
		} else if !isDigit(c) {
			return p.malformed()
		}
	}
	if dots > 1 || len(digits) == dots {
		return p.malformed()
	}
	if dots == 1 || len(digits) > maxDigits {
		o.Kind = Real
		return nil
	}
	o.Kind = Integer
	var err error
	if o.Int, err = strconv.ParseInt(string(text), 10, 64); err != nil {
		return p.malformed()
	}
	if isDigit(text[0]) {
		p.reference(o)
	}
	return nil
}

// reference turns an integer into a reference if " gen R" follows.
func (p *parser) reference(o *Object) {
	back := p.pos
	p.space()
	gen, ok := p.digits()
	if ok && gen <= 65535 && p.pos < len(p.data) && isSpace(p.data[p.pos]) {
		p.space()
		if p.word("R") {
			o.Kind, o.Gen = Ref, int(gen)
			return
		}
	}
	p.again += p.pos - back
	p.pos = back
}
