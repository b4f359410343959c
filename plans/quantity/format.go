package quantity

import (
	"math"
	"strconv"
	"strings"
)

// Format prints a value given in base units with the prefix that suits it and
// as many decimals as its resolution, also in base units, deserves. A
// resolution of 0 prints what is needed to tell the value, 15 digits at most.
func Format(value, resolution float64, dim Dimension) string {
	return Choose(dim, value).Format(value, resolution)
}

// Format prints a value given in base units in u: "137.0 MHz".
func (u Unit) Format(value, resolution float64) string {
	n := u.Number(value, resolution)
	if u.Name == "" || n == notANumber {
		return n
	}
	return n + " " + u.Name
}

// notANumber stands where there is no value.
const notANumber = "–"

// Number prints a value given in base units as a number of u, without the unit.
func (u Unit) Number(value, resolution float64) string {
	if math.IsNaN(value) {
		return notANumber
	}
	if math.IsInf(value, 1) {
		return "∞"
	}
	if math.IsInf(value, -1) {
		return "-∞"
	}
	v := u.Of(value)
	if resolution <= 0 || math.IsNaN(resolution) || math.IsInf(resolution, 0) {
		return Shortest(v)
	}
	s := Stepped(v, u.Of(resolution))
	if u.Dimension == Duration && u.factor != 0 && strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".") // 2 h, not 2.00 h for a step of a minute
	}
	return s
}

// Stepped writes v with as many decimals, 12 at most, as a last digit worth
// step asks for.
func Stepped(v, step float64) string {
	decimals := int(math.Ceil(-math.Log10(step) - 1e-6))
	return noMinusZero(strconv.FormatFloat(v, 'f', max(0, min(12, decimals)), 64))
}

// Shortest writes v with 15 significant digits at most, which hides the last
// bit of a conversion.
func Shortest(v float64) string { return Significant(v, 15) }

// Significant writes v with at most n significant digits and no trailing zeros,
// without an exponent where that stays short.
func Significant(v float64, n int) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', n-1, 64), 64)
	if err != nil {
		rounded = v // beyond the largest number
	}
	if a := math.Abs(rounded); a != 0 && (a < 1e-9 || a >= 1e15) {
		return strconv.FormatFloat(rounded, 'g', -1, 64)
	}
	return noMinusZero(strconv.FormatFloat(rounded, 'f', -1, 64))
}

func noMinusZero(s string) string {
	if strings.HasPrefix(s, "-") && strings.Trim(s, "-0.") == "" {
		return s[1:]
	}
	return s
}

// Stated is the value in the unit that q is printed in, without its tolerance.
func (q Quantity) Stated() (value float64, unit string) {
	u := q.unit()
	return u.Of(q.Value), u.Name
}

// ReadsWell is a value given in base units in the unit in which it reads well.
func ReadsWell(value float64, dim Dimension) (number float64, unit string) {
	u := Choose(dim, value)
	return u.Of(value), u.Name
}

// unit returns the unit q is printed in.
func (q Quantity) unit() Unit {
	if u, ok := LookUp(q.Dimension, q.Unit); ok {
		return u
	}
	return Choose(q.Dimension, q.Value)
}

// String prints q in its own unit, with its tolerance: "3.3 V ±0.3 V". What it
// prints can be parsed again and means the same.
func (q Quantity) String() string {
	u := q.unit()
	s := q.number(u)
	if u.Name != "" {
		s += " " + u.Name
	}
	if !q.Tolerated {
		return s
	}
	return s + " " + q.Tolerance()
}

// Tolerance prints the tolerance of q in its unit: "±0.3 V", "+0.2 V -0.1 V".
// It is empty when none was written. A tolerance that is a round share of the
// value, and no round number of the unit, is printed in per cent.
func (q Quantity) Tolerance() string {
	if !q.Tolerated {
		return ""
	}
	u := q.unit()
	if q.Dimension == Temperature {
		u.Name = "°C"
	}
	side := func(d float64) string {
		abs := Shortest(u.Of(d))
		if u.Name != "" {
			abs += " " + u.Name
		}
		if share := q.share(d); share != "" && len(share) < len(abs) {
			return share
		}
		return abs
	}
	if q.Minus == q.Plus {
		return "±" + side(q.Plus)
	}
	return "+" + side(q.Plus) + " -" + side(q.Minus)
}

// share prints d as per cent of the value when that is exact.
func (q Quantity) share(d float64) string {
	if q.Value == 0 || d == 0 || q.Dimension == Temperature || q.Dimension == Difference || q.Dimension == Ratio {
		return ""
	}
	s := Shortest(d / math.Abs(q.Value) * 100)
	p, err := strconv.ParseFloat(s, 64)
	if err != nil || math.Abs(math.Abs(q.Value)*p/100-d) > 1e-14*math.Abs(q.Value) {
		return ""
	}
	return s + " %"
}

// number prints the value so that its resolution can be read back from it.
func (q Quantity) number(u Unit) string {
	step := u.Of(q.Resolution)
	if q.Resolution <= 0 || math.IsInf(step, 0) {
		return Shortest(u.Of(q.Value))
	}
	k := int(math.Round(math.Log10(step)))
	if math.Abs(step/math.Pow10(k)-1) > 1e-9 {
		return Shortest(u.Of(q.Value)) // the step of 1 K/d is no decimal of K/h
	}
	if k <= 0 && k >= -17 {
		return noMinusZero(strconv.FormatFloat(u.Of(q.Value), 'f', -k, 64))
	}
	mantissa := math.Round(u.Of(q.Value) / math.Pow10(k))
	if math.Abs(mantissa) >= 1e15 {
		return strconv.FormatFloat(u.Of(q.Value), 'g', -1, 64)
	}
	return strconv.FormatFloat(mantissa, 'f', 0, 64) + "e" + strconv.Itoa(k)
}

// Rounded writes u (> 0) to two significant digits and v to the same digit.
//
// Source: JCGM 100:2008, 7.2.6.
func Rounded(v, u float64) (value, uncertainty string) {
	exp := math.Floor(math.Log10(u))
	if r := u / math.Pow(10, exp-1); math.Round(r) >= 100 {
		exp++ // 0.0996 is written 0.10
	}
	decimals := int(1 - exp)
	if decimals < 0 {
		unit := math.Pow(10, float64(-decimals))
		v, u, decimals = math.Round(v/unit)*unit, math.Round(u/unit)*unit, 0
	}
	return noMinusZero(strconv.FormatFloat(v, 'f', decimals, 64)), strconv.FormatFloat(u, 'f', decimals, 64)
}
