package logs

import (
	"bytes"
	"fmt"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// A decoder turns bytes of an encoding into UTF-8, piece by piece.
type decoder interface {
	// decode appends the UTF-8 of src to dst. It keeps what is left of a
	// character that src cuts; last says that nothing more will come.
	decode(dst, src []byte, last bool) []byte
}

// newDecoder returns the decoder of an encoding, nil for UTF-8.
func newDecoder(e Encoding) (decoder, error) {
	switch e {
	case UTF8:
		return nil, nil
	case UTF16LE:
		return &wide{}, nil
	case UTF16BE:
		return &wide{big: true}, nil
	case CodePage437:
		return newTable(charmap.CodePage437), nil
	case CodePage850:
		return newTable(charmap.CodePage850), nil
	case Windows1252:
		return newTable(charmap.Windows1252), nil
	}
	return nil, fmt.Errorf("encoding %q is not known", e)
}

// A table decodes a code page.
type table struct{ to [256]string }

func newTable(c *charmap.Charmap) *table {
	t := new(table)
	for i := range t.to {
		t.to[i] = string(c.DecodeByte(byte(i)))
	}
	return t
}

func (t *table) decode(dst, src []byte, last bool) []byte {
	for _, b := range src {
		if b < utf8.RuneSelf {
			dst = append(dst, b)
			continue
		}
		dst = append(dst, t.to[b]...)
	}
	return dst
}

// wide decodes UTF-16 (RFC 2781, section 2). A lone surrogate becomes U+FFFD.
type wide struct {
	big  bool
	half []byte // a byte whose partner has not come yet
	lead rune   // a high surrogate whose partner has not come yet
}

func (w *wide) decode(dst, src []byte, last bool) []byte {
	if len(w.half) > 0 && len(src) > 0 {
		pair := [2]byte{w.half[0], src[0]}
		w.half, src = nil, src[1:]
		dst = w.unit(dst, pair[0], pair[1])
	}
	for len(src) >= 2 {
		dst = w.unit(dst, src[0], src[1])
		src = src[2:]
	}
	if len(src) == 1 {
		w.half = []byte{src[0]}
	}
	if last && (len(w.half) > 0 || w.lead != 0) {
		w.half, w.lead = nil, 0
		dst = utf8.AppendRune(dst, utf8.RuneError)
	}
	return dst
}

func (w *wide) unit(dst []byte, a, b byte) []byte {
	u := rune(a) | rune(b)<<8
	if w.big {
		u = rune(a)<<8 | rune(b)
	}
	if w.lead != 0 {
		lead := w.lead
		w.lead = 0
		if r := utf16.DecodeRune(lead, u); r != utf8.RuneError {
			return utf8.AppendRune(dst, r)
		}
		dst = utf8.AppendRune(dst, utf8.RuneError)
	}
	if u >= 0xd800 && u < 0xdc00 {
		w.lead = u
		return dst
	}
	return utf8.AppendRune(dst, u)
}

// detectEncoding says how the sample that a file begins with is encoded.
func detectEncoding(sample []byte) Encoding {
	switch {
	case bytes.HasPrefix(sample, []byte{0xef, 0xbb, 0xbf}):
		return UTF8
	case bytes.HasPrefix(sample, []byte{0xff, 0xfe}):
		return UTF16LE
	case bytes.HasPrefix(sample, []byte{0xfe, 0xff}):
		return UTF16BE
	}
	if e := wideWithoutMark(sample); e != "" {
		return e
	}
	if validUTF8(sample) {
		return UTF8
	}
	best, most := Windows1252, plausibility(Windows1252, sample)
	for _, e := range []Encoding{CodePage850, CodePage437} {
		if p := plausibility(e, sample); p > most {
			best, most = e, p
		}
	}
	return best
}

// wideWithoutMark finds UTF-16 that begins without a byte order mark: the text
// of a log is mostly ASCII, so every second byte is zero.
func wideWithoutMark(sample []byte) Encoding {
	var even, odd int
	n := min(len(sample), 512) &^ 1
	for i := 0; i < n; i += 2 {
		if sample[i] == 0 {
			even++
		}
		if sample[i+1] == 0 {
			odd++
		}
	}
	switch half := n / 2; {
	case half < 2:
	case odd > half*7/10 && even == 0:
		return UTF16LE
	case even > half*7/10 && odd == 0:
		return UTF16BE
	}
	return ""
}

// validUTF8 reports whether the sample is UTF-8, leaving out a character that
// its end may cut.
func validUTF8(sample []byte) bool {
	for cut := 0; cut < utf8.UTFMax && cut <= len(sample); cut++ {
		if utf8.Valid(sample[:len(sample)-cut]) {
			return cut == 0 || !utf8.FullRune(sample[len(sample)-cut:])
		}
	}
	return false
}

// plausibility tells how much like the text of a log the sample reads in an
// encoding: signs of units count for it, box drawing and controls against.
func plausibility(e Encoding, sample []byte) int {
	d, err := newDecoder(e)
	if err != nil || d == nil {
		return 0
	}
	sum := 0
	for _, r := range string(d.decode(nil, sample, true)) {
		switch {
		case r < utf8.RuneSelf || r == 'ø' || r == 'æ':
		case r == '°' || r == 'µ' || r == 'Ω' || r == '±' || r == '²':
			sum += 3
		case unicode.Is(unicode.Latin, r) && r < 0x100:
			sum++
		default:
			sum -= 3
		}
	}
	return sum
}
