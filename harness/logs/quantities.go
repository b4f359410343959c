package logs

import (
	"math"
	"sort"
	"strings"
)

// dimension groups the units a quantity may be written in.
type dimension int

const (
	number dimension = iota
	seconds
	celsius
	hertz
	watt
	volt
	ampere
	share
	perSecond
	revolutions
)

// A measure is what a log may hold: its name, the units it comes in, and the
// span of values that can be true.
type measure struct {
	dim     dimension
	implied string  // unit when the header names none; empty when it must name one
	lo, hi  float64 // base unit; outside it a row is bad
}

// measures names the quantities of a log. The spans are generous: they keep out
// what no sensor of a working bench shows (common practice, no source).
func measures() map[string]measure {
	temperature := measure{dim: celsius, lo: -100, hi: 400}
	clock := measure{dim: hertz, lo: 0, hi: 1e11}
	return map[string]measure{
		"time":               {dim: seconds, implied: "s", lo: -1e12, hi: 1e12},
		"temperature":        temperature,
		"memory-temperature": temperature,
		"ambient":            temperature,
		"frame-time":         {dim: seconds, lo: 0, hi: 1e6},
		"frame-stamp":        {dim: seconds, implied: "s", lo: -1e12, hi: 1e12},
		"fps":                {dim: perSecond, implied: "fps", lo: 0, hi: 1e6},
		"frames":             {dim: number, implied: "1", lo: 0, hi: 1e15},
		"score":              {dim: number, implied: "1", lo: math.Inf(-1), hi: math.Inf(1)},
		"power":              {dim: watt, lo: 0, hi: 1e5},
		"core-clock":         clock,
		"memory-clock":       clock,
		"busy":               {dim: share, lo: 0, hi: 2},
		"fan-speed":          {dim: revolutions, lo: 0, hi: 1e4},
		"fan-duty":           {dim: share, lo: 0, hi: 2},
		"voltage":            {dim: volt, lo: -100, hi: 100},
		"current":            {dim: ampere, lo: -1e3, hi: 1e3},
	}
}

// Quantities returns the names of the quantities that a map may give a column,
// in alphabetical order.
func Quantities() []string {
	var names []string
	for name := range measures() {
		names = append(names, name)
	}
	sort.Strings(names)
	return names
}

// A scale turns what is written into the base unit: value × 10^shift, then,
// where affine, × mul + add.
type scale struct {
	shift    int
	affine   bool
	mul, add float64
}

func (s scale) apply(v float64) float64 {
	if s.affine {
		return v*s.mul + s.add
	}
	return v
}

// step returns how much one step of the digit places behind the decimal sign is
// in the base unit.
func (s scale) step(places int) float64 {
	v := math.Pow(10, float64(s.shift-places))
	if places >= 0 && places <= 22 && s.shift-places <= 0 && s.shift-places >= -22 {
		v = 1 / pow10[places-s.shift]
	}
	if s.affine {
		v *= s.mul
	}
	return v
}

func shifted(n int) scale           { return scale{shift: n} }
func affine(mul, add float64) scale { return scale{affine: true, mul: mul, add: add} }

// units returns the spellings of the units of a dimension, in lower case.
func units(d dimension) map[string]scale {
	switch d {
	case seconds:
		return map[string]scale{
			"s": {}, "sec": {}, "secs": {}, "second": {}, "seconds": {},
			"ms": shifted(-3), "msec": shifted(-3), "millis": shifted(-3), "milliseconds": shifted(-3),
			"us": shifted(-6), "µs": shifted(-6), "usec": shifted(-6), "microseconds": shifted(-6),
			"ns": shifted(-9), "nsec": shifted(-9), "nanoseconds": shifted(-9),
			"min": affine(60, 0), "mins": affine(60, 0), "minutes": affine(60, 0),
			"h": affine(3600, 0), "hr": affine(3600, 0), "hours": affine(3600, 0),
		}
	case celsius:
		// Degree Fahrenheit: t/°C = (t/°F − 32) × 5/9, NIST SP 811 (2008),
		// appendix B.8; kelvin: t/°C = T/K − 273.15, section B.8 (from memory).
		f := affine(5.0/9, -32*5.0/9)
		k := affine(1, -273.15)
		return map[string]scale{
			"c": {}, "°c": {}, "degc": {}, "deg c": {}, "celsius": {}, "℃": {}, "centigrade": {},
			"mc": shifted(-3), "m°c": shifted(-3),
			"f": f, "°f": f, "degf": f, "deg f": f, "fahrenheit": f, "℉": f,
			"k": k, "kelvin": k,
		}
	case hertz:
		return map[string]scale{"hz": {}, "khz": shifted(3), "mhz": shifted(6), "ghz": shifted(9)}
	case watt:
		return map[string]scale{"w": {}, "watt": {}, "watts": {}, "mw": shifted(-3), "kw": shifted(3)}
	case volt:
		return map[string]scale{"v": {}, "volt": {}, "volts": {}, "mv": shifted(-3)}
	case ampere:
		return map[string]scale{"a": {}, "amp": {}, "amps": {}, "ma": shifted(-3)}
	case share:
		return map[string]scale{"%": shifted(-2), "percent": shifted(-2), "pct": shifted(-2), "1": {}}
	case perSecond:
		return map[string]scale{"fps": {}, "1/s": {}, "hz": {}, "frames/s": {}, "f/s": {}}
	case revolutions:
		return map[string]scale{"rpm": affine(1.0/60, 0), "1/min": affine(1.0/60, 0), "1/s": {}}
	}
	return map[string]scale{"1": {}, "": {}, "points": {}, "frames": {}}
}

// unitScale looks a unit up for a quantity.
func unitScale(d dimension, text string) (scale, bool) {
	s, ok := units(d)[foldUnit(text)]
	return s, ok
}

// foldUnit brings the spellings of a unit together: case, the two micro signs,
// the two degree-like signs.
func foldUnit(text string) string {
	text = strings.ToLower(strings.TrimSpace(text))
	return strings.NewReplacer("μ", "µ", "º", "°", "° ", "°").Replace(text)
}

// anyUnit returns the dimension a unit belongs to, leaving out those that say
// nothing ("1").
func anyUnit(text string) (dimension, bool) {
	t := foldUnit(text)
	if t == "" || t == "1" {
		return 0, false
	}
	for _, d := range []dimension{seconds, celsius, hertz, watt, volt, ampere, share, perSecond, revolutions} {
		if _, ok := units(d)[t]; ok {
			return d, true
		}
	}
	return 0, false
}

// printed returns a unit the way documents print it: "mhz" as MHz, "c" as °C.
func printed(text string) string {
	switch t := foldUnit(text); t {
	case "c", "°c", "degc", "deg c", "celsius", "℃", "centigrade":
		return "°C"
	case "f", "°f", "degf", "deg f", "fahrenheit", "℉":
		return "°F"
	case "k", "kelvin":
		return "K"
	case "mhz":
		return "MHz"
	case "ghz":
		return "GHz"
	case "khz":
		return "kHz"
	case "hz":
		return "Hz"
	case "w", "watt", "watts":
		return "W"
	case "v", "volt", "volts":
		return "V"
	case "a", "amp", "amps":
		return "A"
	case "mw", "mv", "ma":
		return t[:1] + strings.ToUpper(t[1:])
	case "kw":
		return "kW"
	case "percent", "pct":
		return "%"
	case "us", "usec":
		return "µs"
	case "s", "ms", "ns", "min", "h", "rpm", "fps", "µs":
		return t
	}
	return text
}

// baseUnit returns the base unit of a dimension with the space before it.
func baseUnit(d dimension) string {
	return [...]string{"", " s", " °C", " Hz", " W", " V", " A", "", " 1/s", " 1/s"}[d]
}
