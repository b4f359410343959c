package quantity

import (
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// ParseNumber reads a plain number, without unit or tolerance. The error is an
// [*Error].
func ParseNumber(text string) (float64, error) {
	q, err := Parse(text, Number)
	if err == nil && q.Tolerated {
		err = &Error{Width: 1, What: "a number has no tolerance here", Fix: "write the number alone"}
	}
	return q.Value, err
}

// ParseWhole reads a whole number from low to high. The error is an [*Error].
func ParseWhole(text string, low, high int64) (int64, error) {
	v, err := ParseNumber(text)
	if err == nil && (v != math.Trunc(v) || v < float64(low) || v > float64(high)) {
		what := strconv.Quote(text) + " is not a whole number from " + strconv.FormatInt(low, 10)
		if high < math.MaxInt32 {
			what += " to " + strconv.FormatInt(high, 10)
		} else {
			what += " up"
		}
		err = &Error{Width: max(1, utf8.RuneCountInString(text)), What: what}
	}
	return int64(v), err
}

// ParseInUnit reads a number, what one step of its last digit is, and the unit
// behind it, which may be any: one that is known here, or a word that stands
// apart. The unit is empty where there is none. The error is an [*Error].
func ParseInUnit(text string) (v, step float64, unit string, err error) {
	s := &scanner{text: text, dim: Number}
	if err := s.plausible(); err != nil {
		return 0, 0, "", err
	}
	d, err := s.number(mayBeNegative)
	if err != nil {
		return 0, 0, "", err
	}
	v, step, ok := d.in(Unit{})
	if !ok {
		return 0, 0, "", s.fail(0, s.pos, "number out of range", "")
	}
	from := s.pos
	s.skip()
	unit = strings.TrimRightFunc(s.text[s.pos:], isBlank)
	if unit == "" || knownUnit(unit) || s.pos > from && isUnitWord(unit) {
		return v, step, unit, nil
	}
	return 0, 0, "", s.fail(0, len(text), strconv.Quote(text)+" is not a number with a unit: "+
		strconv.Quote(unit)+" is no unit that is known", s.expected())
}

func knownUnit(word string) bool {
	for _, u := range units {
		if u.Name == word && word != "" || hasWord(u.ways, word) {
			return true
		}
	}
	return false
}

// isUnitWord reports whether a word that is not known may be a unit: letters, at
// least two, so that an O for a zero is none.
func isUnitWord(word string) bool {
	letters := strings.TrimRight(word, "/²³")
	return utf8.RuneCountInString(letters) > 1 &&
		strings.IndexFunc(letters, func(r rune) bool { return !unicode.IsLetter(r) && r != '/' }) < 0
}
