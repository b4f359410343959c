package quantity

import (
	"math"
	"strings"
	"unicode/utf8"
)

// tolerance reads what follows the value: ±1 %, +0.2 V -0.1 V.
func (s *scanner) tolerance(q *Quantity) error {
	s.skip()
	if s.take("±", "+/-", "+-") {
		d, err := s.deviation(q)
		if err != nil {
			return err
		}
		q.Minus, q.Plus, q.Tolerated = d, d, true
		return nil
	}
	from := s.pos
	var seen [2]bool // below, above
	for range 2 {
		s.skip()
		side := 0
		switch {
		case s.take("+"):
			side = 1
		case s.take("-", "\u2212", "\u2013"):
		default:
			if seen == [2]bool{} {
				return nil
			}
			return s.oneSided(from, seen[1])
		}
		if seen[side] {
			return s.oneSided(from, seen[1])
		}
		d, err := s.deviation(q)
		if err != nil {
			return err
		}
		seen[side] = true
		if side == 1 {
			q.Plus = d
		} else {
			q.Minus = d
		}
	}
	q.Tolerated = true
	return nil
}

func (s *scanner) oneSided(from int, above bool) error {
	missing := `add "+0"`
	if above {
		missing = `add "-0"`
	}
	width := len(strings.TrimRight(s.text[from:], " "))
	return s.fail(from, width, "one side of the tolerance is missing", missing+" or write ± for both")
}

// deviation reads one side of a tolerance, in base units. Per cent is of the
// value, but percentage points for a ratio.
func (s *scanner) deviation(q *Quantity) (float64, error) {
	s.skip()
	from := s.pos
	d, err := s.number(unsigned)
	if err != nil {
		return 0, err
	}
	if q.Dimension != Ratio {
		if u, ok := s.share(); ok {
			if q.Dimension == Temperature {
				return 0, s.fail(from, s.pos-from, "per cent of a temperature depends on the scale",
					`write it in degrees, such as "±2 °C"`)
			}
			part, _, ok := d.in(Unit{})
			part = math.Abs(q.Value) * part / (1 / u.Scale())
			if !ok || math.IsInf(part, 0) {
				return 0, s.fail(from, s.pos-from, "number out of range", "")
			}
			return part, nil
		}
	}
	if zero, _, ok := d.in(Unit{}); ok && zero == 0 && s.bareHere() {
		return 0, nil
	}
	s.pos = from
	dim := q.Dimension
	if dim == Temperature {
		dim = Difference
	}
	m, err := s.magnitude(dim, unsigned)
	return m.value, err
}

// bareHere reports whether no unit stands here.
func (s *scanner) bareHere() bool {
	p := s.pos
	defer func() { s.pos = p }()
	s.skip()
	next, _ := utf8.DecodeRuneInString(s.text[s.pos:])
	return s.pos == len(s.text) || strings.ContainsRune("+-±−,)", next)
}

// share reads a unit of ratios, where one stands.
func (s *scanner) share() (Unit, bool) {
	ahead := scanner{text: s.text, pos: s.pos, dim: s.dim}
	u, bare, err := ahead.unit(Ratio)
	if err != nil || bare {
		return Unit{}, false
	}
	s.pos = ahead.pos
	return u, true
}

// ParseLimits reads the stated limits of an instrument, as its data sheet
// prints them:
//
//	±1.5 °C    ±0.5 %    ±(0.5 % + 2 mV)    ±0.5 % + 3 digits
//
// Limits is a [Ratio] when relative, otherwise it has the dimension of what is
// measured ([Difference] for a temperature); floor is what is added to a
// relative limit, nil when nothing is. Digits are steps of the display and
// need its resolution. The error is an [*Error].
func ParseLimits(text string, dim Dimension, resolution *Quantity) (limits Quantity, floor *Quantity, err error) {
	s := &scanner{text: text, dim: dim}
	if dim == Temperature {
		dim, s.dim = Difference, Difference
	}
	if err := s.plausible(); err != nil {
		return limits, nil, err
	}
	s.skip()
	if !s.take("±", "+/-", "+-") {
		return limits, nil, s.fail(s.pos, 1, "limits of an instrument begin with ±",
			`write "±`+dim.Example()+`" or "±0.5 % + 2 mV"`)
	}
	s.skip()
	open := s.take("(")
	var absolute *Quantity
	relative := false
	for part := 0; ; part++ {
		q, err := s.limitPart(dim, resolution)
		if err != nil {
			return limits, nil, err
		}
		switch {
		case q.Dimension == Ratio && dim != Ratio && (relative || part > 0):
			return limits, nil, s.fail(0, len(text), "the share of the reading comes first and once", `write "±0.5 % + 2 mV"`)
		case q.Dimension == Ratio && dim != Ratio:
			limits, relative = q, true
		case absolute == nil:
			absolute = &q
		default:
			absolute.Value += q.Value
		}
		s.skip()
		if !s.take("±", "+/-", "+-", "+") {
			break
		}
	}
	if open {
		s.skip()
		if !s.take(")") {
			return limits, nil, s.fail(s.pos, 1, `")" missing`, "")
		}
	}
	if err := s.end(); err != nil {
		return limits, nil, err
	}
	if !relative {
		limits, absolute = *absolute, nil
	}
	limits.Text = text
	return limits, absolute, nil
}

// limitPart reads 0.5 %, 2 mV or 3 digits.
func (s *scanner) limitPart(dim Dimension, resolution *Quantity) (Quantity, error) {
	s.skip()
	from := s.pos
	d, err := s.number(unsigned)
	if err != nil {
		return Quantity{}, err
	}
	s.skip()
	if hasWord("digit digits dgt count counts", s.wordAt(s.pos)) {
		s.pos += len(s.wordAt(s.pos))
		n, _, _ := d.in(Unit{})
		if resolution == nil || resolution.Value <= 0 {
			return Quantity{}, s.fail(from, s.pos-from, "digits need the resolution of the display",
				`add resolution = "0.01 V", or state the limit in units`)
		}
		q := *resolution
		q.Dimension, q.Value, q.Tolerated = dim, n*resolution.Value, false
		if dim == Difference {
			q.Unit = "K"
		}
		return q, nil
	}
	if u, ok := s.share(); ok {
		v, step, ok := d.in(u)
		if !ok {
			return Quantity{}, s.fail(from, s.pos-from, "number out of range", "")
		}
		return Quantity{Dimension: Ratio, Value: v, Resolution: step, Unit: u.Name}, nil
	}
	s.pos = from
	m, err := s.magnitude(dim, unsigned)
	if err != nil {
		return Quantity{}, err
	}
	return Quantity{Dimension: dim, Value: m.value, Resolution: m.step, Unit: m.unit.Name}, nil
}
