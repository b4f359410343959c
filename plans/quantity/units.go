package quantity

import (
	"math"
	"slices"
	"strings"
)

// A Unit is one way to print or read a dimension: MHz for a frequency. The
// zero Unit prints plain numbers.
type Unit struct {
	Name      string
	Dimension Dimension
	scale     float64 // base units in one of this unit, for scales that are no power of ten
	power     int     // of ten, otherwise
}

// Scale returns how many base units one of u is.
func (u Unit) Scale() float64 {
	if u.scale != 0 {
		return u.scale
	}
	return math.Pow10(u.power)
}

// Of converts a value in base units to u.
func (u Unit) Of(base float64) float64 {
	if u.scale == 0 && u.power < 0 {
		return base * math.Pow10(-u.power) // keeps 0.0033 V at 3.3 mV
	}
	return base / u.Scale()
}

// Base converts a value in u to base units.
func (u Unit) Base(value float64) float64 {
	if u.scale == 0 && u.power < 0 {
		return value / math.Pow10(-u.power)
	}
	return value * u.Scale()
}

// A spelled unit with the ways it may be written, separated by blanks. The
// first unit of a dimension with print set is its smallest prefix.
type spelled struct {
	Unit
	print bool // used when a prefix is chosen for printing
	ways  string
}

// The units, smallest first within a dimension. MB is 2^20 B because the trade
// prints the memory of cards so (common practice, no source); MiB is by
// IEC 80000-13.
var units = [...]spelled{
	{Unit{"Hz", Frequency, 0, 0}, true, "Hz hz HZ"},
	{Unit{"kHz", Frequency, 0, 3}, true, "kHz khz KHz KHZ"},
	{Unit{"MHz", Frequency, 0, 6}, true, "MHz mhz Mhz MHZ"},
	{Unit{"GHz", Frequency, 0, 9}, true, "GHz ghz Ghz GHZ"},

	{Unit{"B", Bytes, 1, 0}, true, "B byte bytes Byte Bytes"},
	{Unit{"KiB", Bytes, 1 << 10, 0}, true, "KiB kiB kib KIB KB kB kb"},
	{Unit{"MiB", Bytes, 1 << 20, 0}, true, "MiB mib MIB MB"},
	{Unit{"GiB", Bytes, 1 << 30, 0}, true, "GiB gib GIB GB"},

	{Unit{"µs", Duration, 0, -6}, true, "µs \u03bcs us"},
	{Unit{"ms", Duration, 0, -3}, true, "ms"},
	{Unit{"s", Duration, 0, 0}, true, "s sec second seconds"},
	{Unit{"min", Duration, 60, 0}, true, "min mins minute minutes"},
	{Unit{"h", Duration, 3600, 0}, true, "h hr hrs hour hours"},
	{Unit{"d", Duration, 86400, 0}, false, "d day days"},

	{Unit{"°C", Temperature, 0, 0}, true, "°C °c degC degc C c ℃ ºC"},
	{Unit{"K", Difference, 0, 0}, true, "K k °C °c degC degc C c ℃ ºC"},
	{Unit{"K/h", TemperatureRate, 1.0 / 3600, 0}, true, ""},
	{Unit{"K/min", TemperatureRate, 1.0 / 60, 0}, true, ""},
	{Unit{"K/s", TemperatureRate, 0, 0}, true, ""},

	{Unit{"µV", Voltage, 0, -6}, false, "µV \u03bcV uV"},
	{Unit{"mV", Voltage, 0, -3}, true, "mV mv"},
	{Unit{"V", Voltage, 0, 0}, true, "V v volt volts"},

	{Unit{"mΩ", Resistance, 0, -3}, true, "mΩ m\u2126 mohm mOhm"},
	{Unit{"Ω", Resistance, 0, 0}, true, "Ω \u2126 ohm ohms Ohm Ohms OHM R"},
	{Unit{"kΩ", Resistance, 0, 3}, true, "kΩ k\u2126 kohm kOhm KΩ K\u2126 KOhm Kohm k K"},
	{Unit{"MΩ", Resistance, 0, 6}, true, "MΩ M\u2126 Mohm MOhm"},

	{Unit{"µA", Current, 0, -6}, false, "µA \u03bcA uA"},
	{Unit{"mA", Current, 0, -3}, true, "mA ma"},
	{Unit{"A", Current, 0, 0}, true, "A a amp amps"},

	{Unit{"mW", Power, 0, -3}, true, "mW mw"},
	{Unit{"W", Power, 0, 0}, true, "W w watt watts"},

	{Unit{"ppm", Ratio, 0, -6}, false, "ppm"},
	{Unit{"‰", Ratio, 0, -3}, false, "‰"},
	{Unit{"%", Ratio, 0, -2}, true, "% percent"},

	{Unit{"fps", FrameRate, 0, 0}, true, "fps FPS frames/s frame/s 1/s"},
	{Unit{"bit", Bits, 0, 0}, true, "bit bits bpp"},
	{Unit{"", Number, 0, 0}, true, ""},
}

// examples of how each dimension is written, for messages.
func example(dim Dimension) string {
	switch dim {
	case Frequency:
		return "166 MHz"
	case Bytes:
		return "16 MiB"
	case Duration:
		return "40 min"
	case Temperature:
		return "85 °C"
	case Difference:
		return "1.5 K"
	case TemperatureRate:
		return "2 K/h"
	case Voltage:
		return "3.3 V"
	case Current:
		return "0.5 A"
	case Resistance:
		return "47 ohm"
	case Power:
		return "12 W"
	case Ratio:
		return "95 %"
	case FrameRate:
		return "25 fps"
	case Bits:
		return "128 bit"
	}
	return "1250"
}

// Example returns how a quantity of the dimension is written: "166 MHz".
func (d Dimension) Example() string { return example(d) }

// Known reports whether d is one of the dimensions of this package.
func (d Dimension) Known() bool { return slices.Contains(Dimensions(), d) }

// Dimensions returns all dimensions.
func Dimensions() []Dimension {
	return []Dimension{Frequency, Bytes, Duration, Temperature, Difference, TemperatureRate,
		Voltage, Current, Resistance, Power, Ratio, FrameRate, Bits, Number}
}

// LookUp returns the unit that a spelling means within a dimension.
func LookUp(dim Dimension, spelling string) (Unit, bool) {
	for i := range units {
		u := &units[i]
		if u.Dimension != dim {
			continue
		}
		if u.Name == spelling || spelling != "" && hasWord(u.ways, spelling) {
			return u.Unit, true
		}
	}
	return Unit{}, false
}

// hasWord reports whether list, words separated by blanks, holds word.
func hasWord(list, word string) bool {
	for w := range strings.SplitSeq(list, " ") {
		if w == word {
			return true
		}
	}
	return false
}

// Choose picks the one unit in which all the values, given in base units, read
// well: the largest prefix that leaves the largest of them at 1 or more. Choose
// once for a column, so that its numbers can be compared.
func Choose(dim Dimension, values ...float64) Unit {
	largest := 0.0
	for _, v := range values {
		if a := math.Abs(v); a > largest && !math.IsInf(a, 1) {
			largest = a
		}
	}
	var best Unit
	found := false
	for i := range units {
		u := &units[i]
		if u.Dimension != dim || !u.print {
			continue
		}
		if !found || fits(largest, u.Unit) {
			best, found = u.Unit, true
		}
	}
	if largest == 0 {
		if u, ok := baseUnit(dim); ok {
			return u
		}
	}
	return best
}

// fits reports whether a value reads well in u. Times change to the next unit
// at two of it: "90 min" reads better than "1.5 h".
func fits(value float64, u Unit) bool {
	if u.Dimension == Duration && u.scale != 0 {
		return value >= 2*u.scale
	}
	return value >= u.Scale()*(1-1e-12)
}

func baseUnit(dim Dimension) (Unit, bool) {
	for i := range units {
		if u := &units[i]; u.Dimension == dim && u.print && u.Scale() == 1 {
			return u.Unit, true
		}
	}
	return Unit{}, false
}
