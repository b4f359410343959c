package logs

import (
	"strconv"
)

// pow10 holds the powers of ten that a float64 represents exactly.
var pow10 = [...]float64{
	1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
}

// scanDecimal reads the plain decimal that begins at buf[i]: a sign, digits, and
// perhaps the decimal sign dec with more digits. It stops at the first other
// byte, whose index is end. A leading digit string of more than 18 digits, or no
// digit at all, gives ok false. buf must hold a byte that ends the number.
func scanDecimal(buf []byte, i int, dec byte) (mantissa uint64, places, end int, neg, ok bool) {
	if c := buf[i]; c == '-' || c == '+' {
		neg = c == '-'
		i++
	}
	start := i
	for i < len(buf) {
		c := buf[i] - '0'
		if c > 9 {
			break
		}
		mantissa = mantissa*10 + uint64(c)
		i++
	}
	digits := i - start
	if i < len(buf) && buf[i] == dec {
		i++
		start = i
		for i < len(buf) {
			c := buf[i] - '0'
			if c > 9 {
				break
			}
			mantissa = mantissa*10 + uint64(c)
			i++
		}
		places = i - start
		digits += places
	}
	return mantissa, places, i, neg, digits > 0 && digits <= 18
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
// once. places is the number of digits after the decimal sign, less the
// exponent; zeros is how many of the last of them are 0.
func parseNumber(text []byte, dec byte, shift int) (v float64, places, zeros int, ok bool) {
	if len(text) == 0 || len(text) > 400 {
		return 0, 0, 0, false
	}
	mantissa, places, end, neg, short := scanDecimal(text, 0, dec)
	exp := 0
	if end < len(text) {
		if c := text[end]; c != 'e' && c != 'E' {
			return 0, 0, 0, false
		}
		n, err := strconv.Atoi(string(text[end+1:]))
		if err != nil || n > 400 || n < -400 {
			return 0, 0, 0, false
		}
		exp = n
	}
	for k := end - 1; k >= 0 && zeros < places && text[k] == '0'; k-- {
		zeros++
	}
	if short {
		if v, ok = assemble(mantissa, shift+exp-places, neg); ok {
			return v, places - exp, zeros, true
		}
	}
	var buf [440]byte
	plain := append(buf[:0], text[:end]...)
	digit := false
	for i, c := range plain {
		if c == dec {
			plain[i] = '.'
		}
		digit = digit || (c >= '0' && c <= '9')
	}
	if !digit {
		return 0, 0, 0, false
	}
	plain = append(plain, 'e')
	plain = strconv.AppendInt(plain, int64(exp+shift), 10)
	v, err := strconv.ParseFloat(string(plain), 64)
	if err != nil {
		return 0, 0, 0, false
	}
	return v, places - exp, zeros, true
}
