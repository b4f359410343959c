package logs

import (
	"bytes"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"proveout/harness/reading"
)

// digitOf holds the value of a hexadecimal digit plus one, 0x20 for the signs
// that may stand between digits, and 0 for everything else.
var digitOf = [256]uint8{
	'0': 1, '1': 2, '2': 3, '3': 4, '4': 5, '5': 6, '6': 7, '7': 8, '8': 9, '9': 10,
	'a': 11, 'b': 12, 'c': 13, 'd': 14, 'e': 15, 'f': 16,
	'A': 11, 'B': 12, 'C': 13, 'D': 14, 'E': 15, 'F': 16,
	'_': 0x20, ':': 0x20,
}

// hexAt reads the hexadecimal number that begins at b[i]: 0x1F, $1F, #1F, &H1F,
// 16#1F#, 32'h1F, 1Fh or 1F, with _ or : between digits. digits is how many it
// has, 0 when there is no number and more than 16 when it is too long; end is
// the index behind it. b must end in a byte that is no part of a number.
func hexAt(b []byte, i int) (v uint64, digits, end int) {
	switch c := b[i]; {
	case c == '0' && b[i+1]|0x20 == 'x':
		i += 2
	case c == '$' || c == '#':
		i++
	case c == '&' && b[i+1]|0x20 == 'h':
		i += 2
	}
	start := i
	for {
		d := digitOf[b[i]]
		if d-1 < 16 {
			v = v<<4 | uint64(d-1)
			digits++
			i++
			continue
		}
		if d == 0 {
			break
		}
		i++
	}
	if digits == 0 {
		return 0, 0, start
	}
	switch c := b[i]; c {
	case 'h', 'H':
		i++
	case '\'', '#':
		if digits <= 2 {
			return basedHex(b, start, i)
		}
	case 'u', 'U', 'l', 'L':
		for b[i]|0x20 == 'u' || b[i]|0x20 == 'l' {
			i++
		}
	}
	return v, digits, i
}

// ParseHex reads one hexadecimal number in the usual spellings.
func ParseHex(text string) (v uint64, ok bool) {
	text = strings.TrimSpace(text)
	v, digits, end := hexAt([]byte(text+"\n"), 0)
	return v, digits > 0 && digits <= 16 && end == len(text)
}

// basedHex reads the digits behind a stated base or width: 16#1F#, 32'h1F.
func basedHex(b []byte, start, i int) (v uint64, digits, end int) {
	hash := b[i] == '#'
	if hash && string(b[start:i]) != "16" || !hash && b[i+1]|0x20 != 'h' {
		return 0, 0, i
	}
	if i++; !hash {
		i++
	}
	for ; digitOf[b[i]] != 0; i++ {
		if d := digitOf[b[i]]; d != 0x20 {
			v = v<<4 | uint64(d-1)
			digits++
		}
	}
	if hash && digits > 0 && b[i] == '#' {
		i++
	}
	return v, digits, i
}

// A failureParser turns lines into rows. One goroutine uses it at a time.
type failureParser struct {
	l        *failureLayout
	patterns map[string]string
}

func newFailureParser(l *failureLayout) *failureParser {
	return &failureParser{l: l, patterns: map[string]string{}}
}

// maxPatternNames bounds the names that are kept; more than that are no names.
const maxPatternNames = 256

// parse reads the lines of a block.
func (p *failureParser) parse(b *failureBlock) {
	b.rows = b.rows[:0]
	b.bad.bad, b.bad.badCount, b.bad.lines = b.bad.bad[:0], 0, 0
	text := b.text
	row := reading.Failure{Seconds: math.NaN(), Celsius: math.NaN()}
	for i := 0; i < len(text); {
		start := i
		for text[i] == ' ' || text[i] == '\t' && p.l.delim != '\t' {
			i++
		}
		if digitOf[text[i]] == 0 && p.skips(text, start, i) {
			i = lineEnd(text, i)
			b.bad.lines++
			continue
		}
		end, at, what, fix := p.row(text, i, &row)
		if what != "" {
			end = lineEnd(text, start)
			if line := bytes.TrimSpace(text[start : end-1]); bytes.Equal(line, p.l.header) {
				what = "" // the header again
			} else {
				b.bad.refuse(BadRow{Line: int64(b.bad.lines), Column: utf8.RuneCount(text[start:at]) + 1, What: what, Fix: fix})
			}
		} else {
			b.rows = append(b.rows, row)
		}
		b.bad.lines++
		i = end
	}
}

// lineEnd returns the index behind the line feed of the line.
func lineEnd(text []byte, i int) int {
	if k := bytes.IndexByte(text[i:], '\n'); k >= 0 {
		return i + k + 1
	}
	return len(text)
}

// skips reports whether a line holds no row: blank, a remark or the header
// again.
func (p *failureParser) skips(text []byte, start, i int) bool {
	line := bytes.TrimSpace(text[start : lineEnd(text, start)-1])
	line = bytes.TrimPrefix(line, []byte("\xef\xbb\xbf"))
	return remark(line, p.l.delim) || len(p.l.header) > 0 && bytes.Equal(line, p.l.header)
}

// row reads the row that begins at text[i]. It returns the index behind its
// line, or what is wrong and where.
func (p *failureParser) row(text []byte, i int, row *reading.Failure) (end, at int, what, fix string) {
	l := p.l
	digits, difference, hasDifference := 0, uint64(0), false
	row.Bits, row.Seconds, row.Celsius = 0, math.NaN(), math.NaN()
	seen := 0
	for k := 0; k < l.last; k++ {
		for text[i] == ' ' || text[i] == '\t' && l.delim != '\t' {
			i++
		}
		if text[i] == '\n' || text[i] == '\r' && text[i+1] == '\n' {
			break
		}
		at = i
		role := l.roles[k]
		if role >= addressRole && role <= differenceRole && !(role == addressRole && l.decimal) {
			quoted := text[i] == '"'
			if quoted {
				i++
			}
			v, n, end := hexAt(text, i)
			if n == 0 || n > 16 {
				what, fix = notHex(text, at, l.delim, n)
				return 0, at, what, fix
			}
			i = end
			if quoted && text[i] == '"' {
				i++
			}
			switch role {
			case addressRole:
				v -= l.base
				row.Address = int64(v)
			case writtenRole:
				row.Written, digits = v, max(digits, n)
			case readRole:
				row.Read, digits = v, max(digits, n)
			default:
				difference, hasDifference, digits = v, true, max(digits, n)
			}
			seen++
		} else {
			field, end := p.field(text, i)
			if role != passedOver {
				if what, fix = p.take(role, field, row); what != "" {
					return 0, at, what, fix
				}
				if role == addressRole {
					seen++
				}
			}
			i = end
		}
		behind := i
		i, what = p.separator(text, i)
		if what != "" && i == behind {
			what, fix = notHex(text, at, l.delim, 0) // "cat" begins with a digit
			return 0, at, what, fix
		}
		if what != "" {
			return 0, i, what, "write the number alone"
		}
	}
	if what, fix = p.complete(seen, hasDifference); what != "" {
		return 0, i, what, fix
	}
	if hasDifference {
		if l.column(writtenRole) < 0 {
			row.Written = row.Read ^ difference
		} else if l.column(readRole) < 0 {
			row.Read = row.Written ^ difference
		}
	}
	if row.Bits == 0 {
		row.Bits = l.bits
		if 4*digits > row.Bits {
			row.Bits = bitsOf(digits)
		}
	}
	return lineEnd(text, i), 0, "", ""
}

// complete reports what a row lacks.
func (p *failureParser) complete(seen int, difference bool) (what, fix string) {
	need := 3
	if p.l.column(differenceRole) >= 0 && p.l.column(writtenRole) >= 0 && p.l.column(readRole) >= 0 && difference {
		need = 4
	}
	if seen < need {
		return "the row ends before its address, the value written and the value read", "copy the file again if it was cut off, or take out the line"
	}
	return "", ""
}

func notHex(text []byte, at int, delim byte, digits int) (what, fix string) {
	end := at
	for end < len(text) && text[end] != '\n' && text[end] != delim {
		end++
	}
	word := shown(string(bytes.TrimSpace(text[at:end])))
	if digits > 16 {
		return word + " has more than 64 bits", "list values of at most 64 bits"
	}
	return word + " is not a hexadecimal number", `write it as 0x1F, 1Fh, $1F or 1F`
}

// separator steps over what stands between two fields.
func (p *failureParser) separator(text []byte, i int) (next int, what string) {
	delim := p.l.delim
	begin := i
	for text[i] == ' ' || text[i] == '\t' && delim != '\t' || text[i] == '\r' {
		i++
	}
	switch c := text[i]; {
	case c == delim:
		return i + 1, ""
	case c == '\n':
		return i, ""
	case delim == ' ' && i > begin:
		return i, ""
	}
	return i, shown(string(text[i:min(lineEnd(text, i)-1, i+20)])) + " stands behind a number"
}

// field returns the field that begins at text[i] and the index behind it.
func (p *failureParser) field(text []byte, i int) ([]byte, int) {
	if text[i] == '"' {
		line := text[i+1 : lineEnd(text, i)]
		if k := bytes.IndexByte(line, '"'); k >= 0 {
			return line[:k], i + 1 + k + 1
		}
	}
	end := i
	for text[end] != '\n' && text[end] != p.l.delim && !(p.l.delim == ' ' && text[end] == '\t') {
		end++
	}
	return bytes.TrimSpace(text[i:end]), end
}

// take reads a field that is no hexadecimal value.
func (p *failureParser) take(role failureRole, field []byte, row *reading.Failure) (what, fix string) {
	switch role {
	case addressRole:
		v, err := strconv.ParseUint(string(field), 10, 64)
		if err != nil {
			return shown(string(field)) + " is not a decimal address", "write addresses as the header says, in decimal"
		}
		row.Address = int64(v - p.l.base)
	case timeRole:
		if p.l.clk != nil {
			if v, _, err := p.l.clk.read(field); err == nil {
				row.Seconds = v
			}
			return "", ""
		}
		if v, _, _, ok := parseNumber(field, '.', p.l.time.Power()); ok {
			row.Seconds = p.l.time.Finish(v)
		}
	case temperatureRole:
		if v, _, _, ok := parseNumber(field, '.', p.l.heat.Power()); ok {
			row.Celsius = p.l.heat.Finish(v)
		}
	case patternRole:
		row.PatternName = p.pattern(field)
	case widthRole:
		n, err := strconv.Atoi(string(field))
		if err != nil || n != 8 && n != 16 && n != 32 && n != 64 {
			return shown(string(field)) + " is no width of a value", "write 8, 16, 32 or 64"
		}
		row.Bits = n
	}
	return "", ""
}

func (p *failureParser) pattern(field []byte) string {
	if name, ok := p.patterns[string(field)]; ok {
		return name
	}
	if len(p.patterns) >= maxPatternNames || len(field) > 200 {
		return ""
	}
	name := string(field)
	p.patterns[name] = name
	return name
}
