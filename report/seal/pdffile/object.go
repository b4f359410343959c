package pdffile

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
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
	Int        int64    // of an Integer; object number of a Ref; 1 for true
	Gen        int      // of a Ref
	Text       []byte   // of a Name (decoded), a String (decoded), a Real (as written)
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

// Has tells whether a dictionary holds the key.
func (o Object) Has(key string) bool {
	for _, e := range o.Entries {
		if e.Key == key {
			return true
		}
	}
	return false
}

// IsName tells whether o is the name s.
func (o Object) IsName(s string) bool { return o.Kind == Name && string(o.Text) == s }

const (
	maxDepth  = 48  // arrays and dictionaries inside each other
	maxDigits = 15  // of an integer
	maxNodes  = 4e5 // values read from one file, so that memory stays bounded
)

var errTooMuch = errors.New("the file holds more objects than a certificate does")

// parser reads values from data. nodes is what is left of the file's allowance.
type parser struct {
	data  []byte
	pos   int
	nodes *int
	open  *open
}

// open holds what was read of the arrays and dictionaries that are not yet
// closed, one behind the other, so that each is stored once, at its length.
type open struct {
	items   []Object
	entries []Entry
}

func (p *parser) fail(what string) error {
	return fmt.Errorf("byte %d: %s", p.pos, what)
}

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
		return Object{}, p.fail("nested too deeply")
	}
	if *p.nodes--; *p.nodes < 0 {
		return Object{}, errTooMuch
	}
	p.space()
	if p.pos >= len(p.data) {
		return Object{}, p.fail("ends inside a value")
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
		o.Text, err = p.hex()
	case isDigit(c) || c == '+' || c == '-' || c == '.':
		err = p.number(&o)
	case p.word("true"):
		o.Kind, o.Int = Bool, 1
	case p.word("false"):
		o.Kind = Bool
	case p.word("null"):
	default:
		err = p.fail("not a value")
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
	var seen keys
	for {
		p.space()
		if bytes.HasPrefix(p.data[p.pos:], []byte(">>")) {
			p.pos += 2
			entries := slices.Clone(p.open.entries[from:])
			p.open.entries = p.open.entries[:from]
			return entries, nil
		}
		if p.pos >= len(p.data) || p.data[p.pos] != '/' {
			return nil, p.fail("a dictionary key is missing")
		}
		e := Entry{KeyStart: p.pos}
		key, err := p.name()
		if err != nil {
			return nil, err
		}
		e.Key = string(key)
		if seen.hold(e.Key, p.open.entries[from:]) {
			return nil, p.fail("the key /" + e.Key + " stands twice in one dictionary")
		}
		if e.Value, err = p.value(depth + 1); err != nil {
			return nil, err
		}
		p.open.entries = append(p.open.entries, e)
	}
}

// keys are those of a dictionary that has many.
type keys map[string]bool

// hold notes a key and tells whether the dictionary has it already.
func (k *keys) hold(key string, entries []Entry) bool {
	const few = 16
	if len(entries) < few {
		return slices.ContainsFunc(entries, func(e Entry) bool { return e.Key == key })
	}
	if *k == nil {
		*k = keys{}
		for _, e := range entries {
			(*k)[e.Key] = true
		}
	}
	twice := (*k)[key]
	(*k)[key] = true
	return twice
}

// name reads a name. One without an escape is a part of the file's own bytes.
func (p *parser) name() ([]byte, error) {
	p.pos++ // the slash
	start := p.pos
	var out []byte
	escaped := false
	for p.pos < len(p.data) && !isSpace(p.data[p.pos]) && !isDelimiter(p.data[p.pos]) {
		c := p.data[p.pos]
		p.pos++
		if c == '#' {
			if !escaped {
				out, escaped = append(out, p.data[start:p.pos-1]...), true
			}
			if p.pos+2 > len(p.data) {
				return nil, p.fail("a name ends too early")
			}
			hi, lo := nibble(p.data[p.pos]), nibble(p.data[p.pos+1])
			if hi < 0 || lo < 0 {
				return nil, p.fail("a name holds # without two hexadecimal digits")
			}
			c = byte(hi<<4 | lo)
			p.pos += 2
		}
		if escaped {
			out = append(out, c)
		}
	}
	if !escaped {
		out = p.data[start:p.pos:p.pos]
	}
	if len(out) > 127 {
		return nil, p.fail("a name is too long")
	}
	return out, nil
}

func nibble(c byte) int {
	switch {
	case isDigit(c):
		return int(c - '0')
	case c >= 'a' && c <= 'f':
		return int(c-'a') + 10
	case c >= 'A' && c <= 'F':
		return int(c-'A') + 10
	}
	return -1
}

func (p *parser) hex() ([]byte, error) {
	p.pos++
	var out []byte
	if n := bytes.IndexByte(p.data[p.pos:], '>'); n > 0 {
		out = make([]byte, 0, n/2+1)
	}
	half := -1
	for ; p.pos < len(p.data); p.pos++ {
		c := p.data[p.pos]
		switch n := nibble(c); {
		case c == '>':
			p.pos++
			if half >= 0 {
				out = append(out, byte(half<<4))
			}
			return out, nil
		case isSpace(c):
		case n < 0:
			return nil, p.fail("not a hexadecimal digit")
		case half < 0:
			half = n
		default:
			out = append(out, byte(half<<4|n))
			half = -1
		}
	}
	return nil, p.fail("ends inside a string")
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
	return nil, p.fail("ends inside a string")
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
			return p.fail("not a number")
		}
	}
	if dots > 1 || len(digits) == dots {
		return p.fail("not a number")
	}
	if dots == 1 || len(digits) > maxDigits {
		o.Kind, o.Text = Real, text
		return nil
	}
	o.Kind = Integer
	for _, c := range digits {
		o.Int = o.Int*10 + int64(c-'0')
	}
	if text[0] == '-' {
		o.Int = -o.Int
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
	p.pos = back
}
