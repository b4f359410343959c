package logs

import (
	"bytes"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	uni "golang.org/x/text/encoding/unicode"
)

// byteOrderMark is U+FEFF in UTF-8.
var byteOrderMark = []byte("\xef\xbb\xbf")

// decoder returns what turns the bytes of an encoding into UTF-8. A byte order
// mark stays; half a character becomes U+FFFD.
func (e Encoding) decoder() *encoding.Decoder {
	switch e {
	case UTF16LE:
		return uni.UTF16(uni.LittleEndian, uni.IgnoreBOM).NewDecoder()
	case UTF16BE:
		return uni.UTF16(uni.BigEndian, uni.IgnoreBOM).NewDecoder()
	case CodePage437:
		return charmap.CodePage437.NewDecoder()
	case CodePage850:
		return charmap.CodePage850.NewDecoder()
	case Windows1252:
		return charmap.Windows1252.NewDecoder()
	}
	return encoding.Nop.NewDecoder()
}

// text decodes the whole of b.
func (e Encoding) text(b []byte) []byte {
	text, _ := e.decoder().Bytes(b) // every byte of these encodings means something
	return text
}

// wide reports whether zero bytes are usual in the encoding.
func (e Encoding) wide() bool { return e == UTF16LE || e == UTF16BE }

// detectEncoding says how the sample that a file begins with is encoded.
func detectEncoding(sample []byte) Encoding {
	switch {
	case bytes.HasPrefix(sample, byteOrderMark):
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
// encoding: signs of units count for it, box drawing and controls against. The
// three code pages put different characters at the bytes where a log has its °
// and µ, so that the right one collects the most.
func plausibility(e Encoding, sample []byte) int {
	sum := 0
	for _, r := range string(e.text(sample)) {
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
