// Package canonical tells whether a record is in the one form that is attached
// to a certificate and signed with it.
//
// JSON comes in, an error or none goes out. It changes nothing and does not know
// what a record says. It takes time in proportion to its input, whatever that is.
//
// Sources: RFC 8785 (JSON Canonicalization Scheme); RFC 7493, section 2.2
// (integers that every reader keeps exactly).
package canonical

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// Check returns nil if b is canonical JSON whose numbers every reader keeps.
func Check(b []byte) error { return scan(b, strict) }

// Keeps returns nil if b is JSON, canonical or not, whose numbers every reader
// keeps: a whole number beyond ±(2^53 - 1) that would be written without an
// exponent is refused. It does not look for names that stand twice.
func Keeps(b []byte) error { return scan(b, lenient) }

// manner says how closely a text is read.
type manner int

const (
	lenient manner = iota // any JSON whose numbers are kept exactly
	strict                // RFC 8785
)

const (
	maxDepth   = 128
	maxInteger = 1<<53 - 1 // RFC 7493, 2.2
)

type scanner struct {
	text   []byte
	pos    int
	manner manner
}

func scan(b []byte, m manner) error {
	if !utf8.Valid(b) {
		return errors.New("record: not UTF-8")
	}
	s := &scanner{text: b, manner: m}
	err := s.value(0)
	s.space()
	if err == nil && s.pos != len(b) {
		err = s.fail("something follows the end")
	}
	return err
}

func (s *scanner) fail(what string) error { return fmt.Errorf("record: byte %d: %s", s.pos, what) }

func (s *scanner) space() {
	for s.manner == lenient && s.pos < len(s.text) && strings.IndexByte(" \t\r\n", s.text[s.pos]) >= 0 {
		s.pos++
	}
}

func (s *scanner) peek() byte {
	if s.pos < len(s.text) {
		return s.text[s.pos]
	}
	return 0
}

func (s *scanner) value(depth int) error {
	if depth > maxDepth {
		return s.fail("nested too deeply")
	}
	s.space()
	switch c := s.peek(); {
	case c == '{':
		var previous *string
		return s.list('}', func() (err error) {
			previous, err = s.member(depth, previous)
			return err
		})
	case c == '[':
		return s.list(']', func() error { return s.value(depth + 1) })
	case c == '"':
		_, err := s.str()
		return err
	case c == '-' || c >= '0' && c <= '9':
		return s.number()
	}
	for _, w := range []string{"true", "false", "null"} {
		if strings.HasPrefix(string(s.text[s.pos:min(len(s.text), s.pos+5)]), w) {
			s.pos += len(w)
			return nil
		}
	}
	return s.fail("not a JSON value")
}

// list reads what stands between brackets, separated by commas.
func (s *scanner) list(end byte, item func() error) error {
	s.pos++
	s.space()
	if s.peek() == end {
		s.pos++
		return nil
	}
	for {
		if err := item(); err != nil {
			return err
		}
		s.space()
		switch s.peek() {
		case end:
			s.pos++
			return nil
		case ',':
			s.pos++
		default:
			return s.fail("a comma or a closing bracket is missing")
		}
	}
}

// member reads a name and its value, and returns the name. In canonical form
// names rise by their UTF-16 code units (RFC 8785, 3.2.3); previous is nil for
// the first one.
func (s *scanner) member(depth int, previous *string) (*string, error) {
	s.space()
	if s.peek() != '"' {
		return nil, s.fail("a name is missing")
	}
	key, err := s.str()
	if err != nil {
		return nil, err
	}
	if s.manner == strict && previous != nil && !before(*previous, key) {
		return nil, s.fail("the names are not in canonical order")
	}
	s.space()
	if s.peek() != ':' {
		return nil, s.fail("a colon is missing")
	}
	s.pos++
	return &key, s.value(depth + 1)
}

// before compares two names by UTF-16 code units.
func before(a, b string) bool {
	for a != "" && b != "" {
		ra, na := utf8.DecodeRuneInString(a)
		rb, nb := utf8.DecodeRuneInString(b)
		if ra != rb {
			a1, a2 := units(ra)
			b1, b2 := units(rb)
			return a1 < b1 || a1 == b1 && a2 < b2
		}
		a, b = a[na:], b[nb:]
	}
	return a == "" && b != ""
}

func units(r rune) (hi, lo rune) {
	if r < 0x10000 {
		return r, 0
	}
	return utf16.EncodeRune(r)
}

// str reads a string. In canonical form each character is written in one way
// only (RFC 8785, 3.2.2.2).
func (s *scanner) str() (string, error) {
	start := s.pos
	for s.pos++; s.pos < len(s.text); s.pos++ {
		switch c := s.text[s.pos]; {
		case c < ' ':
			return "", s.fail("a control character inside a string")
		case c == '\\':
			s.pos++
		case c == '"':
			s.pos++
			raw := s.text[start:s.pos]
			var v string
			if err := json.Unmarshal(raw, &v); err != nil {
				return "", s.fail("a string cannot be read")
			}
			if s.manner == strict && quote(v) != string(raw) {
				return "", s.fail("a string is not in canonical form")
			}
			return v, nil
		}
	}
	return "", s.fail("ends inside a string")
}

// quote writes a string as RFC 8785, 3.2.2.2 has it.
func quote(v string) string {
	var b strings.Builder
	b.WriteByte('"')
	for i := range len(v) {
		switch c := v[i]; c {
		case '"', '\\':
			b.WriteByte('\\')
			b.WriteByte(c)
		case '\b':
			b.WriteString(`\b`)
		case '\t':
			b.WriteString(`\t`)
		case '\n':
			b.WriteString(`\n`)
		case '\f':
			b.WriteString(`\f`)
		case '\r':
			b.WriteString(`\r`)
		default:
			if c < ' ' {
				fmt.Fprintf(&b, `\u%04x`, c)
			} else {
				b.WriteByte(c)
			}
		}
	}
	b.WriteByte('"')
	return b.String()
}

// number reads a number.
func (s *scanner) number() error {
	start := s.pos
	for s.pos < len(s.text) && strings.IndexByte("+-.eE0123456789", s.text[s.pos]) >= 0 {
		s.pos++
	}
	if s.pos-start > 1000 {
		return s.fail("a number is too long")
	}
	lit := string(s.text[start:s.pos])
	if !json.Valid([]byte(lit)) {
		return s.fail("a number cannot be read")
	}
	f, err := strconv.ParseFloat(lit, 64)
	if err != nil {
		return s.fail("the number " + lit + " is too large")
	}
	if a := math.Abs(f); a > maxInteger && a < 1e21 {
		return s.fail("the number " + lit + " is a whole one beyond 2^53 - 1, which readers round: write it as a string")
	}
	if s.manner == strict {
		if shortest(f) != lit {
			return s.fail("a number is not in canonical form")
		}
	}
	return nil
}

// shortest writes a number as RFC 8785, 3.2.2.3 has it.
func shortest(f float64) string {
	a := math.Abs(f)
	if a == 0 {
		return "0"
	}
	if a >= 1e-6 && a < 1e21 {
		return strconv.FormatFloat(f, 'f', -1, 64)
	}
	s := strconv.FormatFloat(f, 'e', -1, 64)
	// an exponent has no leading zero there
	return strings.Replace(strings.Replace(s, "e-0", "e-", 1), "e+0", "e+", 1)
}
