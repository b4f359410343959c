package logs

import (
	"bytes"
	"strconv"
	"unicode"
)

// parseNumber reads the whole of text as a decimal number with the decimal sign
// dec, perhaps with an exponent, and returns its value times 10^shift, rounded
// once. decimals is the number of digits behind the decimal sign, less the
// exponent.
func parseNumber(text []byte, dec byte, shift int) (v float64, decimals int, ok bool) {
	if len(text) > 400 {
		return 0, 0, false
	}
	number, exponent := text, 0
	digits, point := 0, -1
	for i, c := range text {
		switch {
		case c >= '0' && c <= '9':
			digits++
			continue
		case c == dec && point < 0:
			point = i
			continue
		case i == 0 && (c == '-' || c == '+'):
			continue
		case c != 'e' && c != 'E':
			return 0, 0, false
		}
		var err error
		if exponent, err = strconv.Atoi(string(text[i+1:])); err != nil || exponent > 400 || exponent < -400 {
			return 0, 0, false
		}
		number = text[:i]
		break
	}
	if digits == 0 {
		return 0, 0, false
	}
	var room [64]byte
	plain := append(room[:0], number...)
	if point >= 0 {
		plain[point] = '.'
		decimals = len(number) - point - 1
	}
	if exponent+shift != 0 {
		plain = strconv.AppendInt(append(plain, 'e'), int64(exponent+shift), 10)
	}
	v, err := strconv.ParseFloat(string(plain), 64)
	return v, decimals - exponent, err == nil
}

// withoutMarks takes the marks between thousands out of a number. Text in which
// they do not part groups of three digits comes back as it is. A blank stands for
// every blank that print has.
func withoutMarks(text []byte, mark string, dec byte) []byte {
	whole, fraction := text, []byte(nil)
	if i := bytes.IndexByte(text, dec); i >= 0 {
		whole, fraction = text[:i], text[i:]
	}
	if mark == " " {
		whole = bytes.Map(func(r rune) rune {
			if unicode.IsSpace(r) {
				return ' '
			}
			return r
		}, whole)
	}
	groups := bytes.Split(whole, []byte(mark))
	for i, g := range groups {
		if i == 0 {
			g = bytes.TrimLeft(g, "+-")
		}
		grouped := len(g) == 3 || i == 0 && len(g) > 0 && len(g) < 3
		if len(groups) == 1 || !grouped || len(bytes.Trim(g, "0123456789")) > 0 {
			return text
		}
	}
	return append(bytes.Join(groups, nil), fraction...)
}

// isNumber reports whether text is a number as a log may hold it.
func isNumber(text []byte, dec byte) bool {
	_, _, ok := parseNumber(text, dec, 0)
	return ok
}

// endZeros counts the zeros that end a number behind its decimal sign.
func endZeros(number []byte, dec byte) int {
	if i := bytes.IndexAny(number, "eE"); i >= 0 {
		number = number[:i]
	}
	_, fraction, _ := bytes.Cut(number, []byte{dec})
	return len(fraction) - len(bytes.TrimRight(fraction, "0"))
}
