package quantity

import (
	"iter"
	"math"
	"slices"
	"strings"
)

// A Unit is one way to print or read a dimension: MHz for a frequency. The
// zero Unit prints plain numbers.
type Unit struct {
	Name      string
	Dimension Dimension
	power     int     // of ten in the factor to the base unit
	factor    float64 // the rest of it, where it is no power of ten; else 0
	zero      float64 // what 0 of the unit is in the base unit, for °F and K
}

// Power returns the power of ten in the factor to the base unit. Who reads
// digits adds it to their exponent, so that the result is rounded only once,
// and leaves the rest to [Unit.Finish].
func (u Unit) Power() int { return u.power }

// Finish brings a value to base units whose digits have been read with the
// [Unit.Power] added to their exponent.
func (u Unit) Finish(v float64) float64 {
	if u.factor != 0 {
		v = v*u.factor + u.zero
	}
	return v
}

// Step returns how much one step of the last of so many decimals is, in base
// units: 0.01 MHz is 10 000 Hz.
func (u Unit) Step(decimals int) float64 {
	step := math.Pow10(u.power - decimals)
	if u.factor != 0 {
		step *= u.factor
	}
	return step
}

// Scale returns how many base units one step of u is.
func (u Unit) Scale() float64 { return u.Step(0) }

// Of converts a value in base units to u.
func (u Unit) Of(base float64) float64 {
	if u.factor == 0 && u.power < 0 {
		return base * math.Pow10(-u.power) // keeps 0.0033 V at 3.3 mV
	}
	return (base - u.zero) / u.Scale()
}

// Base converts a value in u to base units.
func (u Unit) Base(value float64) float64 {
	if u.factor == 0 && u.power < 0 {
		return value / math.Pow10(-u.power)
	}
	return u.Finish(value * math.Pow10(u.power))
}

// A use says where a unit may stand.
type use uint8

const (
	chosen use = iota // everywhere; one of those among which printing chooses
	taken             // everywhere, but printing does not choose it
	filed             // only in files that programs write, never in plans and at prompts
)

// A spelled unit with the ways it may be written.
type spelled struct {
	Unit
	use    use
	ways   string // in plans and at prompts, separated by blanks
	inFile string // in files of other programs, separated by commas and in lower case: case does not count there
}

// The units, smallest first within a dimension. MB is 2^20 B because the trade
// prints the memory of cards so (common practice, no source); MiB is by
// IEC 80000-13. Degree Fahrenheit, t/°C = (t/°F − 32) × 5/9, and kelvin as a
// temperature, t/°C = T/K − 273.15, are by NIST SP 811 (2008), B.8 (from
// memory). They are read where a program chose them; a person writes °C, so
// that a K beside a number is always a difference.
var units = [...]spelled{
	{Unit{"Hz", Frequency, 0, 0, 0}, chosen, "Hz hz HZ", "hz"},
	{Unit{"kHz", Frequency, 3, 0, 0}, chosen, "kHz khz KHz KHZ", "khz"},
	{Unit{"MHz", Frequency, 6, 0, 0}, chosen, "MHz mhz Mhz MHZ", "mhz"},
	{Unit{"GHz", Frequency, 9, 0, 0}, chosen, "GHz ghz Ghz GHZ", "ghz"},

	{Unit{"B", Bytes, 0, 1, 0}, chosen, "B byte bytes Byte Bytes", ""},
	{Unit{"KiB", Bytes, 0, 1 << 10, 0}, chosen, "KiB kiB kib KIB KB kB kb", ""},
	{Unit{"MiB", Bytes, 0, 1 << 20, 0}, chosen, "MiB mib MIB MB", ""},
	{Unit{"GiB", Bytes, 0, 1 << 30, 0}, chosen, "GiB gib GIB GB", ""},

	{Unit{"ns", Duration, -9, 0, 0}, filed, "", "ns,nsec,nanoseconds"},
	{Unit{"µs", Duration, -6, 0, 0}, chosen, "µs \u03bcs us", "us,µs,usec,microseconds"},
	{Unit{"ms", Duration, -3, 0, 0}, chosen, "ms", "ms,msec,millis,milliseconds"},
	{Unit{"s", Duration, 0, 0, 0}, chosen, "s sec second seconds", "s,sec,secs,second,seconds"},
	{Unit{"min", Duration, 0, 60, 0}, chosen, "min mins minute minutes", "min,mins,minutes"},
	{Unit{"h", Duration, 0, 3600, 0}, chosen, "h hr hrs hour hours", "h,hr,hours"},
	{Unit{"d", Duration, 0, 86400, 0}, taken, "d day days", ""},

	{Unit{"m°C", Temperature, -3, 0, 0}, filed, "", "mc,m°c"},
	{Unit{"°C", Temperature, 0, 0, 0}, chosen, "°C °c degC degc C c ℃ ºC",
		"c,°c,degc,deg c,celsius,℃,centigrade"},
	{Unit{"°F", Temperature, 0, 5.0 / 9, -32 * 5.0 / 9}, filed, "", "f,°f,degf,deg f,fahrenheit,℉"},
	{Unit{"K", Temperature, 0, 1, -273.15}, filed, "", "k,kelvin"},
	{Unit{"K", Difference, 0, 0, 0}, chosen, "K k °C °c degC degc C c ℃ ºC", ""},
	{Unit{"K/h", TemperatureRate, 0, 1.0 / 3600, 0}, chosen, "", ""},
	{Unit{"K/min", TemperatureRate, 0, 1.0 / 60, 0}, chosen, "", ""},
	{Unit{"K/s", TemperatureRate, 0, 0, 0}, chosen, "", ""},

	{Unit{"µV", Voltage, -6, 0, 0}, taken, "µV \u03bcV uV", ""},
	{Unit{"mV", Voltage, -3, 0, 0}, chosen, "mV mv", "mv"},
	{Unit{"V", Voltage, 0, 0, 0}, chosen, "V v volt volts", "v,volt,volts"},

	{Unit{"mΩ", Resistance, -3, 0, 0}, chosen, "mΩ m\u2126 mohm mOhm", ""},
	{Unit{"Ω", Resistance, 0, 0, 0}, chosen, "Ω \u2126 ohm ohms Ohm Ohms OHM R", ""},
	{Unit{"kΩ", Resistance, 3, 0, 0}, chosen, "kΩ k\u2126 kohm kOhm KΩ K\u2126 KOhm Kohm k K", ""},
	{Unit{"MΩ", Resistance, 6, 0, 0}, chosen, "MΩ M\u2126 Mohm MOhm M", ""},

	{Unit{"µA", Current, -6, 0, 0}, taken, "µA \u03bcA uA", ""},
	{Unit{"mA", Current, -3, 0, 0}, chosen, "mA ma", "ma"},
	{Unit{"A", Current, 0, 0, 0}, chosen, "A a amp amps", "a,amp,amps"},

	{Unit{"mW", Power, -3, 0, 0}, chosen, "mW mw", "mw"},
	{Unit{"W", Power, 0, 0, 0}, chosen, "W w watt watts", "w,watt,watts"},
	{Unit{"kW", Power, 3, 0, 0}, filed, "", "kw"},

	{Unit{"ppm", Ratio, -6, 0, 0}, taken, "ppm", ""},
	{Unit{"‰", Ratio, -3, 0, 0}, taken, "‰", ""},
	{Unit{"%", Ratio, -2, 0, 0}, chosen, "% percent", "%,percent,pct"},
	{Unit{"1", Ratio, 0, 0, 0}, filed, "", "1"},

	{Unit{"fps", FrameRate, 0, 0, 0}, chosen, "fps FPS frames/s frame/s 1/s", "fps,1/s,hz,frames/s,f/s"},
	{Unit{"rpm", Rotation, 0, 1.0 / 60, 0}, filed, "", "rpm,1/min"},
	{Unit{"1/s", Rotation, 0, 0, 0}, filed, "", "1/s"},
	{Unit{"bit", Bits, 0, 0, 0}, chosen, "bit bits bpp", ""},
	{Unit{"", Number, 0, 0, 0}, chosen, "", "1,points,frames"},
}

// unitsOf walks the units of a dimension that people write.
func unitsOf(dim Dimension) iter.Seq[*spelled] {
	return func(yield func(*spelled) bool) {
		for i := range units {
			if u := &units[i]; u.Dimension == dim && u.use != filed && !yield(u) {
				return
			}
		}
	}
}

// LookUp returns the unit that a spelling means within a dimension, as people
// write it.
func LookUp(dim Dimension, spelling string) (Unit, bool) {
	for u := range unitsOf(dim) {
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

// InFile returns the unit that a spelling means within a dimension in a file
// that a program wrote. Case does not count there, which is why a mega and a
// milli may not stand in one dimension.
func InFile(dim Dimension, spelling string) (Unit, bool) {
	spelling = alike.Replace(strings.ToLower(strings.TrimSpace(spelling)))
	for i := range units {
		if u := &units[i]; u.Dimension == dim && slices.Contains(strings.Split(u.inFile, ","), spelling) && spelling != "" {
			return u.Unit, true
		}
	}
	return Unit{}, false
}

// alike brings signs together that look alike: the two micro signs, the two
// small raised circles.
var alike = strings.NewReplacer("μ", "µ", "º", "°", "° ", "°")

// FileSpellings returns how the units of a dimension may be written in a file,
// in alphabetical order.
func FileSpellings(dim Dimension) []string {
	var all []string
	for _, u := range units {
		if u.Dimension == dim && u.inFile != "" {
			all = append(all, strings.Split(u.inFile, ",")...)
		}
	}
	slices.Sort(all)
	return all
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
	for u := range unitsOf(dim) {
		if u.use != chosen {
			continue
		}
		if largest == 0 && u.Scale() == 1 {
			return u.Unit // nothing asks for a prefix
		}
		if !found || fits(largest, u.Unit) {
			best, found = u.Unit, true
		}
	}
	return best
}

// fits reports whether a value reads well in u. Times change to the next unit
// at two of it: "90 min" reads better than "1.5 h".
func fits(value float64, u Unit) bool {
	if u.Dimension == Duration && u.factor != 0 {
		return value >= 2*u.factor
	}
	return value >= u.Scale()*(1-1e-12)
}
