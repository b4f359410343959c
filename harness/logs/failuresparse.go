package logs

import (
	"bytes"
	"math"
	"math/bits"
	"strconv"
	"strings"

	"proveout/harness/reading"
)

// digitOf holds the value of a hexadecimal digit plus one, between for the signs
// that may stand between digits, and 0 for everything else.
var digitOf = [256]uint8{
	'0': 1, '1': 2, '2': 3, '3': 4, '4': 5, '5': 6, '6': 7, '7': 8, '8': 9, '9': 10,
	'a': 11, 'b': 12, 'c': 13, 'd': 14, 'e': 15, 'f': 16,
	'A': 11, 'B': 12, 'C': 13, 'D': 14, 'E': 15, 'F': 16,
	'_': between, ':': between,
}

const between = 0x20

// scanHex reads the hexadecimal number that b begins with: 0x1F, $1F, #1F, &H1F,
// 16#1F#, 32'h1F, 1Fh or 1F, with _ or : between digits. digits is how many it
// has, 0 when there is no number and more than 16 when it is too long; end is
// the index behind it.
func scanHex(b []byte) (v uint64, digits, end int) {
	start := 0
	switch {
	case len(b) == 0:
		return 0, 0, 0
	case b[0] == '$' || b[0] == '#':
		start = 1
	case len(b) > 1 && (b[0] == '0' && b[1]|0x20 == 'x' || b[0] == '&' && b[1]|0x20 == 'h'):
		start = 2
	}
	v, digits, n := hexDigits(b[start:])
	end = start + n
	if digits == 0 {
		return 0, 0, start
	}
	if end == len(b) {
		return v, digits, end
	}
	switch b[end] {
	case 'h', 'H':
		end++
	case '\'', '#':
		if digits <= 2 {
			return basedHex(b, start, end)
		}
	case 'u', 'U', 'l', 'L':
		for end < len(b) && (b[end]|0x20 == 'u' || b[end]|0x20 == 'l') {
			end++
		}
	}
	return v, digits, end
}

// hexDigits reads digits and the signs between them.
func hexDigits(b []byte) (v uint64, digits, end int) {
	for ; end < len(b); end++ {
		d := digitOf[b[end]]
		if d == 0 {
			break
		}
		if d != between {
			v = v<<4 | uint64(d-1)
			digits++
		}
	}
	return v, digits, end
}

// basedHex reads the digits behind a base or a width, which stands from start to
// sign: 16#1F#, 32'h1F.
func basedHex(b []byte, start, sign int) (v uint64, digits, end int) {
	end = sign + 1
	if b[sign] == '#' {
		if string(b[start:sign]) != "16" {
			return 0, 0, sign
		}
	} else {
		if end == len(b) || b[end]|0x20 != 'h' {
			return 0, 0, sign
		}
		end++
	}
	v, digits, n := hexDigits(b[end:])
	end += n
	if b[sign] == '#' && digits > 0 && end < len(b) && b[end] == '#' {
		end++
	}
	return v, digits, end
}

// ParseHex reads one hexadecimal number in the usual spellings.
func ParseHex(text string) (v uint64, ok bool) {
	text = strings.TrimSpace(text)
	v, digits, end := scanHex([]byte(text))
	return v, digits > 0 && digits <= 16 && end == len(text)
}

// longestName bounds the name of a pattern; what is longer is none.
const longestName = 200

// passesOver tells whether a line is no row: a remark, or the header again.
func (l *failureLayout) passesOver(line []byte) bool {
	bare := bytes.TrimPrefix(bytes.TrimSpace(line), byteOrderMark) // in the middle, where files were joined
	return remark(bare, l.delim) || len(l.header) > 0 && bytes.Equal(bare, l.header)
}

// row reads the row on a line, or says what is wrong and at which byte.
func (l *failureLayout) row(line []byte) (row reading.Failure, at int, what, fix string) {
	fields, quote := splitFirst(line, l.delim, l.last, l.fields[:0])
	l.fields = fields
	if quote != nil {
		return row, quote.at, quote.what, `close the quote with "; a row is one line`
	}
	row.Seconds, row.Celsius = math.NaN(), math.NaN()
	var difference uint64
	digits := 0 // of the longest value
	var seen [widthRole + 1]bool
	for k, f := range fields {
		role := l.roles[k]
		if f.at == len(line) || role == passedOver {
			continue
		}
		seen[role] = true
		if role > differenceRole {
			if what, fix = l.take(role, f.text, &row); what != "" {
				return row, f.at, what, fix
			}
			continue
		}
		v, n, end := l.number(k, f.text)
		if n == 0 || n > 16 || end < len(f.text) {
			at, what, fix = l.notNumber(k, line, f, n, end)
			return row, at, what, fix
		}
		switch role {
		case addressRole:
			row.Address = int64(v*uint64(l.unit) - l.base)
			if v > math.MaxInt64/uint64(l.unit) {
				return row, f.at, shown(string(f.text)) + " is beyond every memory", "check --address-unit"
			}
			continue
		case writtenRole:
			row.Written = v
		case readRole:
			row.Read = v
		case differenceRole:
			difference = v
		}
		digits = max(digits, n)
	}
	for _, role := range l.needed {
		if !seen[role] {
			return row, len(line), "the row ends before its address, the value written and the value read",
				"copy the file again if it was cut off, or take out the line"
		}
	}
	switch l.derived {
	case writtenRole:
		row.Written = row.Read ^ difference
	case readRole:
		row.Read = row.Written ^ difference
	}
	if row.Bits == 0 {
		row.Bits = max(l.bits, bitsOf(digits))
	}
	return row, 0, "", ""
}

// number reads the number that a field of column k begins with, in the radix that
// its header or its spelling tells. digits is how many hexadecimal ones it takes;
// end is the index behind it.
func (l *failureLayout) number(k int, text []byte) (v uint64, digits, end int) {
	radix := l.radix[k]
	if radix == 0 && l.bare == 10 && len(bytes.Trim(text, "0123456789")) == 0 {
		radix = 10
	}
	if radix != 10 && radix != 2 {
		return scanHex(text)
	}
	for end < len(text) && text[end] >= '0' && text[end] < '0'+radix {
		end++
	}
	v, err := strconv.ParseUint(string(text[:end]), int(radix), 64)
	switch {
	case end == 0:
		return 0, 0, 0
	case err != nil:
		return 0, 17, end
	case radix == 2:
		return v, (end + 3) / 4, end // its zeros count
	}
	return v, max(1, (bits.Len64(v)+3)/4), end
}

// notNumber says what is wrong with a field of column k that should be a number.
func (l *failureLayout) notNumber(k int, line []byte, f field, digits, end int) (at int, what, fix string) {
	name := map[uint8]string{10: "decimal", 2: "binary"}[l.radix[k]]
	if name == "" || digits > 16 {
		return notHex(line, f, digits, end)
	}
	return f.at, shown(string(f.text)) + " is not a " + name + " number", "write numbers as the header says, in " + name
}

// notHex says what is wrong with a field that should be a number, of which the
// first bytes up to end are one.
func notHex(line []byte, f field, digits, end int) (at int, what, fix string) {
	if digits > 16 {
		return f.at, shown(string(f.text)) + " has more than 64 bits", "list values of at most 64 bits"
	}
	behind := bytes.TrimLeft(f.text[end:], " \t")
	if digits == 0 || len(behind) == len(f.text)-end { // "cat" begins with two digits
		return f.at, shown(string(f.text)) + " is not a hexadecimal number", "write it as 0x1F, 1Fh, $1F or 1F"
	}
	at = f.at + len(f.text) - len(behind)
	return at, shown(string(line[at:min(len(line), at+20)])) + " stands behind a number", "write the number alone"
}

// take reads a field that is no hexadecimal value.
func (l *failureLayout) take(role failureRole, field []byte, row *reading.Failure) (what, fix string) {
	switch role {
	case timeRole:
		if l.clk != nil {
			if v, _, ok := l.clk.read(field); ok {
				row.Seconds = v
			}
		} else if v, _, ok := parseNumber(field, '.', l.time.Power()); ok {
			row.Seconds = l.time.Finish(v)
		}
	case temperatureRole:
		if v, _, ok := parseNumber(field, '.', l.heat.Power()); ok {
			row.Celsius = l.heat.Finish(v)
		}
	case patternRole:
		if len(field) <= longestName {
			row.PatternName = string(field)
		}
	case widthRole:
		n, err := strconv.Atoi(string(field))
		if err != nil || n != 8 && n != 16 && n != 32 && n != 64 {
			return shown(string(field)) + " is no width of a value", "write 8, 16, 32 or 64"
		}
		row.Bits = n
	}
	return "", ""
}
