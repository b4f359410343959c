package logs

import (
	"bytes"
	"strconv"
)

// pow10 holds the powers of ten that a float64 represents exactly.
var pow10 = [...]float64{
	1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
}

// scanDecimal reads the plain decimal that text begins with: a sign, digits, and
// perhaps the decimal sign dec with more digits. It stops at the first other
// byte, whose index is end. A string of more than 18 digits, or no digit at all,
// gives ok false.
func scanDecimal(text []byte, dec byte) (mantissa uint64, decimals, end int, neg, ok bool) {
	i := 0
	if i < len(text) && (text[i] == '-' || text[i] == '+') {
		neg = text[i] == '-'
		i++
	}
	start, point := i, -1
	for ; i < len(text); i++ {
		if digit := text[i] - '0'; digit <= 9 {
			mantissa = mantissa*10 + uint64(digit)
		} else if text[i] == dec && point < 0 {
			point = i
		} else {
			break
		}
	}
	digits := i - start
	if point >= 0 {
		decimals = i - point - 1
		digits--
	}
	return mantissa, decimals, i, neg, digits > 0 && digits <= 18
}

// assemble returns mantissa × 10^exp rounded once, as strconv.ParseFloat would,
// and whether it could do so with one operation on exact operands.
//
// Source: W. D. Clinger, "How to read floating point numbers accurately", ACM
// SIGPLAN Notices 25(6), 1990, section 4 (from memory): an integer below 2^53
// and a power of ten up to 10^22 are exact in binary64, so one multiplication or
// division rounds correctly.
func assemble(mantissa uint64, exp int, neg bool) (float64, bool) {
	if mantissa>>53 != 0 {
		return 0, false
	}
	v := float64(mantissa)
	switch {
	case exp == 0:
	case exp < 0 && exp >= -22:
		v /= pow10[-exp]
	case exp > 0 && exp <= 22:
		v *= pow10[exp]
	default:
		return 0, false
	}
	if neg {
		v = -v
	}
	return v, true
}

// parseNumber reads the whole of text as a decimal number with the decimal sign
// dec, perhaps with an exponent, and returns its value times 10^shift, rounded
// once. decimals is the number of digits behind the decimal sign, less the
// exponent.
func parseNumber(text []byte, dec byte, shift int) (v float64, decimals int, ok bool) {
	mantissa, decimals, end, neg, short := scanDecimal(text, dec)
	exp := 0
	if end < len(text) {
		var err error
		if text[end]|0x20 != 'e' || len(text) > 400 {
			return 0, 0, false
		}
		if exp, err = strconv.Atoi(string(text[end+1:])); err != nil || exp > 400 || exp < -400 {
			return 0, 0, false
		}
	}
	if short {
		if v, ok = assemble(mantissa, shift+exp-decimals, neg); ok {
			return v, decimals - exp, true
		}
	}
	if len(text) > 400 || !bytes.ContainsAny(text[:end], "0123456789") {
		return 0, 0, false
	}
	plain := bytes.Replace(text[:end], []byte{dec}, []byte{'.'}, 1)
	plain = strconv.AppendInt(append(plain, 'e'), int64(exp+shift), 10)
	v, err := strconv.ParseFloat(string(plain), 64)
	return v, decimals - exp, err == nil
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
