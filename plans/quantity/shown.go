package quantity

import "strings"

// OverRange is how a reading above the range of a meter is written.
const OverRange = "OL"

// overWords are how meters show, and people write, that a resistance is above
// the range, without blanks and points and in capitals (common practice, no
// source).
var overWords = [...]string{"OVERLOAD", "OVERRANGE", "OVER", "OPEN", "INF", "OL", "0L", "∞"}

// ParseShown reads what a meter shows: a quantity as [ParseIn] reads it, or that
// a resistance is above the range: OL, O.L, >20 MΩ. Then over is true, and the
// value is the end of the range, 0 where it is not stated. The error is an
// [*Error].
func ParseShown(text string, dim Dimension, fallback Unit) (q Quantity, over bool, err error) {
	if !isOver(text) {
		rest, above := strings.CutPrefix(strings.TrimLeftFunc(text, isBlank), ">")
		if dim != Resistance || !above {
			q, err = ParseIn(text, dim, fallback)
			return q, false, err
		}
		if q, err = ParseIn(rest, dim, fallback); err == nil && q.Value <= 0 {
			err = &Error{Width: 1, What: "a range ends above zero", Fix: `write ">20 MΩ" or "OL"`}
		}
		q.Text = text
		return q, err == nil, err
	}
	if dim != Resistance {
		return q, false, &Error{
			Width: len([]rune(text)), What: "the reading is above the range of the instrument",
			Fix: "choose a larger range and read it again",
		}
	}
	return Quantity{Dimension: dim, Unit: Choose(dim).Name, Text: OverRange}, true, nil
}

// isOver reports whether a text says that a reading is above the range, perhaps
// with the unit of a resistance behind it: "O.L MΩ".
func isOver(text string) bool {
	bare := strings.Map(func(r rune) rune {
		if r == '.' || isBlank(r) {
			return -1
		}
		return r
	}, text)
	for _, w := range overWords {
		if len(bare) < len(w) || !strings.EqualFold(bare[:len(w)], w) {
			continue
		}
		if _, unit := LookUp(Resistance, bare[len(w):]); unit || bare == bare[:len(w)] {
			return true
		}
	}
	return false
}
