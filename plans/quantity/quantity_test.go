package quantity

import (
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Factors: SI prefixes and °C, K by the SI Brochure (9th ed., tables 4, 7 and
// 8); KiB, MiB, GiB by IEC 80000-13 (2^10, 2^20, 2^30; from memory). MB as 2^20:
// common practice, no source.
func TestParse(t *testing.T) {
	for _, tt := range []struct {
		text                    string
		dim                     Dimension
		value, minus, plus, res float64
		unit                    string
	}{
		{"137 MHz ±1 %", Frequency, 137e6, 1.37e6, 1.37e6, 1e6, "MHz"},
		{"165.8mhz", Frequency, 165.8e6, 0, 0, 1e5, "MHz"},
		{"14.31818 MHz +- 50 ppm", Frequency, 14.31818e6, 715.909, 715.909, 10, "MHz"},
		{"66.667 MHz +/- 0.5 MHz", Frequency, 66.667e6, 0.5e6, 0.5e6, 1e3, "MHz"},
		{"137 MHz +5 % -2 %", Frequency, 137e6, 2.74e6, 6.85e6, 1e6, "MHz"},
		{"20 MiB", Bytes, 20971520, 0, 0, 1048576, "MiB"},
		{"20MB", Bytes, 20971520, 0, 0, 1048576, "MiB"},
		{"512 KB", Bytes, 524288, 0, 0, 1024, "KiB"},
		{"1 GiB", Bytes, 1073741824, 0, 0, 1073741824, "GiB"},
		{"16 777 216 B", Bytes, 16777216, 0, 0, 1, "B"},
		{"40 min", Duration, 2400, 0, 0, 60, "min"},
		{"1 h 30 min", Duration, 5400, 0, 0, 60, "min"},
		{"1 h 30 min ±5 min", Duration, 5400, 300, 300, 60, "min"},
		{"2 d", Duration, 172800, 0, 0, 86400, "d"},
		{"250 µs", Duration, 250e-6, 0, 0, 1e-6, "µs"},
		{"250 μs", Duration, 250e-6, 0, 0, 1e-6, "µs"},
		{"250us", Duration, 250e-6, 0, 0, 1e-6, "µs"},
		{"33.3 ms", Duration, 0.0333, 0, 0, 1e-4, "ms"},
		{"85 °C", Temperature, 85, 0, 0, 1, "°C"},
		{"85degC +- 2 degC", Temperature, 85, 2, 2, 1, "°C"},
		{"-5.5 C ±1 K", Temperature, -5.5, 1, 1, 0.1, "°C"},
		{"\u221240\u00a0° C", Temperature, -40, 0, 0, 1, "°C"},
		{"1.5 K", Difference, 1.5, 0, 0, 0.1, "K"},
		{"2 °C", Difference, 2, 0, 0, 1, "K"},
		{"2 °C/h", TemperatureRate, 2.0 / 3600, 0, 0, 1.0 / 3600, "K/h"},
		{"2 K per h", TemperatureRate, 2.0 / 3600, 0, 0, 1.0 / 3600, "K/h"},
		{"1 °C per 10 min", TemperatureRate, 1.0 / 600, 0, 0, 1.0 / 600, "K/min"},
		{"1 K/10min", TemperatureRate, 1.0 / 600, 0, 0, 1.0 / 600, "K/min"},
		{"0.1 K/s", TemperatureRate, 0.1, 0, 0, 0.1, "K/s"},
		{"3.3 V ±0.3 V", Voltage, 3.3, 0.3, 0.3, 0.1, "V"},
		{"3.3 V +0.2 V -0.1 V", Voltage, 3.3, 0.1, 0.2, 0.1, "V"},
		{"3.3 V -0.1 V +0", Voltage, 3.3, 0.1, 0, 0.1, "V"},
		{"-12 V ±10 %", Voltage, -12, 1.2, 1.2, 1, "V"},
		{"1500 mV ± 75 mV", Voltage, 1.5, 0.075, 0.075, 0.001, "mV"},
		{"47 ohm", Resistance, 47, 0, 0, 1, "Ω"},
		{"4.7 kΩ", Resistance, 4700, 0, 0, 100, "kΩ"},
		{"4.7 k\u2126 ±20 %", Resistance, 4700, 940, 940, 100, "kΩ"},
		{"1 Mohm", Resistance, 1e6, 0, 0, 1e6, "MΩ"},
		{"500 mA", Current, 0.5, 0, 0, 0.001, "mA"},
		{"12 W", Power, 12, 0, 0, 1, "W"},
		{"95 %", Ratio, 0.95, 0, 0, 0.01, "%"},
		{"95 % ±1 %", Ratio, 0.95, 0.01, 0.01, 0.01, "%"},
		{"24.97 fps", FrameRate, 24.97, 0, 0, 0.01, "fps"},
		{"160 bit", Bits, 160, 0, 0, 1, "bit"},
		{"1 000 000", Number, 1e6, 0, 0, 1, ""},
		{"1\u2009234.5", Number, 1234.5, 0, 0, 0.1, ""},
		{"1250 ±5 %", Number, 1250, 62.5, 62.5, 1, ""},
		{"16e6 B", Bytes, 16e6, 0, 0, 1e6, "B"},
		{"  .5 V ", Voltage, 0.5, 0, 0, 0.1, "V"},
	} {
		q, err := Parse(tt.text, tt.dim)
		if err != nil {
			t.Errorf("Parse(%q): %v", tt.text, err)
			continue
		}
		near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-12*math.Max(1, math.Abs(b)) }
		if q.Value != tt.value && !near(q.Value, tt.value) || !near(q.Minus, tt.minus) || !near(q.Plus, tt.plus) ||
			math.Abs(q.Resolution-tt.res) > 1e-12*tt.res || q.Unit != tt.unit {
			t.Errorf("Parse(%q) = %v -%v +%v step %v %q, want %v -%v +%v step %v %q", tt.text,
				q.Value, q.Minus, q.Plus, q.Resolution, q.Unit, tt.value, tt.minus, tt.plus, tt.res, tt.unit)
		}
		if q.Text != tt.text || q.Dimension != tt.dim {
			t.Errorf("Parse(%q) lost its text or dimension: %+v", tt.text, q)
		}
		if want := tt.minus != 0 || tt.plus != 0; q.Tolerated != want {
			t.Errorf("Parse(%q).Tolerated = %v", tt.text, q.Tolerated)
		}
	}
}

func TestParseExplains(t *testing.T) {
	for _, tt := range []struct {
		text   string
		dim    Dimension
		column int
		want   string // part of what is wrong
		fix    string // part of the fix
	}{
		{"165,8 MHz", Frequency, 3, "decimal comma", `"165.8 MHz"`},
		{"1,000 MHz", Frequency, 1, "thousands", `"1000 MHz"`},
		{"137", Frequency, 3, "unit missing", `"137 MHz"`},
		{"3.3 V", Frequency, 4, "measures voltage", `"137 MHz"`},
		{"20 Mb", Bytes, 3, "bits", "20 MiB"},
		{"20M", Bytes, 2, "no unit", `"20 MiB"`},
		{"40 m", Duration, 3, "no unit of time", "min"},
		{"185 °F", Temperature, 4, "Fahrenheit", `"85.0 °C"`},
		{"85 K", Temperature, 3, "differences", "85 °C"},
		{"85 °C ±2 %", Temperature, 7, "per cent", "±2 °C"},
		{"3.3 V ±0.3", Voltage, 10, "unit missing", ""},
		{"3.3 V +5 %", Voltage, 6, "one side", `-0`},
		{"3.3 V +5 % +2 %", Voltage, 6, "one side", ""},
		{"3.3 V ±-5 %", Voltage, 7, "not negative", ""},
		{"2 K", TemperatureRate, 3, "per what time", "K/h"},
		{"2 K/0 h", TemperatureRate, 0, "above zero", ""},
		{"", Voltage, 0, "empty", "3.3 V"},
		{"   ", Voltage, 0, "empty", ""},
		{"abc", Voltage, 0, "expected a number", ""},
		{"12 V 3 V", Voltage, 5, "unexpected", ""},
		{"30 min 1 h", Duration, 7, "large to small", ""},
		{"1e999 V", Voltage, 1, "exponent", ""},
		{"1250 fps", Number, 5, "plain number", ""},
		{"1.2.3 V", Voltage, 3, "second decimal point", ""},
		{"µ\xff V", Voltage, 1, "UTF-8", ""},
		{"137 mHz", Frequency, 4, "not a unit", `did you mean`},
		{strings.Repeat("1", 500), Number, 0, "too long", ""},
	} {
		_, err := Parse(tt.text, tt.dim)
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("Parse(%q, %s) = %v, want an *Error", tt.text, tt.dim, err)
			continue
		}
		if e.Column != tt.column || !strings.Contains(e.What, tt.want) || !strings.Contains(e.Fix, tt.fix) {
			t.Errorf("Parse(%q, %s): column %d, %q, fix %q; want column %d, %q, fix %q",
				tt.text, tt.dim, e.Column, e.What, e.Fix, tt.column, tt.want, tt.fix)
		}
	}
}

func TestParseInTakesThePromptsUnit(t *testing.T) {
	mhz, _ := LookUp(Frequency, "MHz")
	q, err := ParseIn("137.5 ±0.5", Frequency, mhz)
	if err != nil || q.Value != 137.5e6 || q.Plus != 5e5 || q.Unit != "MHz" {
		t.Errorf("%+v, %v", q, err)
	}
	if q, err := ParseIn("33 kHz", Frequency, mhz); err != nil || q.Value != 33e3 {
		t.Errorf("%+v, %v", q, err)
	}
	if _, err := ParseIn("33 V", Frequency, mhz); err == nil {
		t.Error("33 V taken for a frequency")
	}
}

func TestParseLimits(t *testing.T) {
	step := Quantity{Dimension: Voltage, Value: 0.01, Unit: "V"}
	for _, tt := range []struct {
		text   string
		dim    Dimension
		limit  float64
		of     Dimension
		floor  float64
		failed string
	}{
		{"±1.5 °C", Temperature, 1.5, Difference, 0, ""},
		{"+-1.5 K", Temperature, 1.5, Difference, 0, ""},
		{"±0.5 %", Voltage, 0.005, Ratio, 0, ""},
		{"±0.5 % + 2 mV", Voltage, 0.005, Ratio, 0.002, ""},
		{"±(0.5 % + 2 mV)", Voltage, 0.005, Ratio, 0.002, ""},
		{"±0.5 % ± 3 digits", Voltage, 0.005, Ratio, 0.03, ""},
		{"±2 mV", Voltage, 0.002, Voltage, 0, ""},
		{"±50 ppm", Frequency, 50e-6, Ratio, 0, ""},
		{"1.5 °C", Temperature, 0, "", 0, "begin with ±"},
		{"±2 mV + 0.5 %", Voltage, 0, "", 0, "comes first"},
		{"±(2 mV", Voltage, 0, "", 0, `")" missing`},
		{"±1 °C", Voltage, 0, "", 0, "measures temperature"},
	} {
		l, floor, err := ParseLimits(tt.text, tt.dim, &step)
		if tt.failed != "" {
			if err == nil || !strings.Contains(err.Error(), tt.failed) {
				t.Errorf("ParseLimits(%q) = %v, want %q", tt.text, err, tt.failed)
			}
			continue
		}
		if err != nil {
			t.Errorf("ParseLimits(%q): %v", tt.text, err)
			continue
		}
		got := 0.0
		if floor != nil {
			got = floor.Value
		}
		if math.Abs(l.Value-tt.limit) > 1e-15 || l.Dimension != tt.of || math.Abs(got-tt.floor) > 1e-15 {
			t.Errorf("ParseLimits(%q) = %+v, %v", tt.text, l, floor)
		}
	}
	_, _, err := ParseLimits("±0.5 % + 3 digits", Voltage, nil)
	if err == nil || !strings.Contains(err.Error(), "resolution") {
		t.Errorf("digits without a resolution: %v", err)
	}
}

func TestFormat(t *testing.T) {
	for _, tt := range []struct {
		value, step float64
		dim         Dimension
		want        string
	}{
		{165.8e6, 1e5, Frequency, "165.8 MHz"},
		{137e6, 1e6, Frequency, "137 MHz"},
		{137e6, 1e5, Frequency, "137.0 MHz"},
		{20 << 20, 0, Bytes, "20 MiB"},
		{2400, 60, Duration, "40 min"},
		{5400, 60, Duration, "90 min"},
		{7200, 60, Duration, "2 h"},
		{0.0333, 1e-4, Duration, "33.3 ms"},
		{-0.04, 1, Temperature, "0 °C"},
		{71.46, 0.1, Temperature, "71.5 °C"},
		{2.0 / 3600, 0, TemperatureRate, "2 K/h"},
		{0.0033, 0, Voltage, "3.3 mV"},
		{0.95, 0.01, Ratio, "95 %"},
		{1250, 1, Number, "1250"},
		{0, 0, Frequency, "0 Hz"},
		{math.NaN(), 1, Voltage, "–"},
	} {
		if got := Format(tt.value, tt.step, tt.dim); got != tt.want {
			t.Errorf("Format(%v, %v, %s) = %q, want %q", tt.value, tt.step, tt.dim, got, tt.want)
		}
	}
	u := Choose(Voltage, 0.002, 12)
	if u.Name != "V" || u.Number(0.002, 0.001) != "0.002" {
		t.Errorf("a column of 2 mV and 12 V is printed in %q", u.Name)
	}
}

func TestString(t *testing.T) {
	for text, want := range map[string]string{
		"137mhz +-1%":           "137 MHz ±1 %",
		"3.3V +- .3V":           "3.3 V ±0.3 V",
		"3.30 V +0.2 V -0.1 V":  "3.30 V +0.2 V -0.1 V",
		"14.31818 MHz ± 50 ppm": "14.31818 MHz ±0.005 %",
	} {
		dim := Frequency
		if strings.Contains(text, "V") {
			dim = Voltage
		}
		q, err := Parse(text, dim)
		if err != nil || q.String() != want {
			t.Errorf("Parse(%q).String() = %q, %v, want %q", text, q.String(), err, want)
		}
	}
}

// JCGM 100:2008: 7.2.2 writes mS = 100.02147 g with u = 0.35 mg, 7.2.4 the same
// mass as (100.02147 ± 0.00079) g; 7.2.6 rounds 10.057 62 Ω with u = 27 mΩ to
// 10.058 Ω. (Clause numbers and values from memory.)
func TestRoundedAsTheGuideWritesIt(t *testing.T) {
	for _, tt := range []struct {
		v, u         float64
		value, uText string
	}{
		{100.02147, 0.00035, "100.02147", "0.00035"},
		{100.02147, 0.00079, "100.02147", "0.00079"},
		{10.05762, 0.027, "10.058", "0.027"},
		// Edges, by hand: 0.0996 is 0.10 to two digits, 99.6 is 100.
		{1.23456, 0.0996, "1.23", "0.10"},
		{1234.56, 99.6, "1230", "100"},
		{1234.56, 12, "1235", "12"},
		{123456, 1234, "123500", "1200"},
		{-0.004, 0.12, "0.00", "0.12"},
		{0, 5, "0.0", "5.0"},
	} {
		if v, u := Rounded(tt.v, tt.u); v != tt.value || u != tt.uText {
			t.Errorf("Rounded(%g, %g) = %s ± %s, want %s ± %s", tt.v, tt.u, v, u, tt.value, tt.uText)
		}
	}
}

// What is written is never further from the value than half a unit of its last
// digit, and value and uncertainty end at the same digit.
func TestRoundedStaysNear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := math.Pow(10, rapid.Float64Range(-6, 6).Draw(t, "log u"))
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "v")
		vt, ut := Rounded(v, u)
		gv, err1 := strconv.ParseFloat(vt, 64)
		gu, err2 := strconv.ParseFloat(ut, 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("%q ± %q", vt, ut)
		}
		if d := math.Abs(gv - v); d > 0.051*u+1e-9 {
			t.Fatalf("%g ± %g is written %s ± %s, %g off", v, u, vt, ut, d)
		}
		if d := math.Abs(gu - u); d > 0.051*u {
			t.Fatalf("U %g is written %s", u, ut)
		}
		if _, a, _ := strings.Cut(vt, "."); true {
			if _, b, _ := strings.Cut(ut, "."); len(a) != len(b) {
				t.Fatalf("%s and %s end at different digits", vt, ut)
			}
		}
	})
}

// What String prints means the same as what was read.
func TestStringAndParseAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := units[rapid.IntRange(0, len(units)-1).Draw(t, "unit")]
		if u.use == filed {
			t.Skip("people do not write " + u.Name)
		}
		text := rapid.StringMatching(`-?[0-9]{1,6}(\.[0-9]{1,5})?`).Draw(t, "number")
		word := u.Name
		if u.ways != "" {
			word = rapid.SampledFrom(strings.Split(u.ways, " ")).Draw(t, "way")
		}
		text += rapid.SampledFrom([]string{" ", "\u00a0", "\u202f"}).Draw(t, "blank") + word
		dev := rapid.StringMatching(`[0-9]{1,3}(\.[0-9]{1,3})?`).Draw(t, "dev")
		switch rapid.IntRange(0, 3).Draw(t, "tolerance") {
		case 1:
			text += " ±" + dev + " " + word
		case 2:
			if u.Dimension != Temperature {
				text += " +-" + dev + " %"
			}
		case 3:
			text += " +" + dev + " " + word + " -0"
		}
		q, err := Parse(text, u.Dimension)
		if err != nil {
			t.Fatalf("Parse(%q, %s): %v", text, u.Dimension, err)
		}
		back, err := Parse(q.String(), u.Dimension)
		if err != nil {
			t.Fatalf("Parse(%q) from %q: %v", q.String(), text, err)
		}
		same := func(a, b float64) bool { return math.Abs(a-b) <= 1e-13*math.Max(math.Abs(a), math.Abs(q.Value)) }
		if !same(q.Value, back.Value) || !same(q.Minus, back.Minus) || !same(q.Plus, back.Plus) ||
			math.Abs(q.Resolution-back.Resolution) > 1e-9*q.Resolution || q.Tolerated != back.Tolerated || q.Unit != back.Unit {
			t.Fatalf("%q → %q: %+v became %+v", text, q.String(), q, back)
		}
	})
}

// What Format prints is the value to within half a step.
func TestFormatKeepsTheValue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dim := rapid.SampledFrom(Dimensions()).Draw(t, "dim")
		step := math.Pow10(rapid.IntRange(-6, 3).Draw(t, "step"))
		v := float64(rapid.IntRange(-100000, 100000).Draw(t, "n")) * step
		for _, res := range []float64{0, step} {
			text := Format(v, res, dim)
			q, err := Parse(text, dim)
			if err != nil {
				t.Fatalf("Format(%v, %v, %s) = %q: %v", v, res, dim, text, err)
			}
			// twelve decimals at most, hence the floor
			if math.Abs(q.Value-v) > res/2*(1+1e-9)+1e-12*math.Abs(v)+1e-12*Choose(dim, v).Scale() {
				t.Fatalf("Format(%v, %v, %s) = %q, read back %v", v, res, dim, text, q.Value)
			}
		}
	})
}

func TestUnitsAreUnambiguous(t *testing.T) {
	for _, dim := range append(Dimensions(), Rotation) {
		seen := map[string]string{}
		for _, u := range units {
			if u.Dimension != dim {
				continue
			}
			spellings := strings.Fields(u.ways)
			for _, w := range strings.Split(u.inFile, ",") {
				spellings = append(spellings, "in a file: "+w)
			}
			for _, w := range spellings {
				if seen[w] != "" && w != "in a file: " {
					t.Errorf("%s: %q means %s and %s", dim, w, seen[w], u.Name)
				}
				seen[w] = u.Name
			}
		}
	}
	for _, dim := range Dimensions() {
		if _, err := Parse(dim.Example(), dim); err != nil {
			t.Errorf("the example of %s does not parse: %v", dim, err)
		}
	}
}

// Degree Fahrenheit and kelvin: NIST SP 811 (2008), appendix B.8 and B.9; the
// rest are decimal prefixes and parts of a minute.
func TestInFile(t *testing.T) {
	for _, tt := range []struct {
		spelling    string
		dim         Dimension
		value, base float64
		name        string
	}{
		{"°F", Temperature, 212, 100, "°F"},
		{" deg F", Temperature, 32, 0, "°F"},
		{"Kelvin", Temperature, 273.15, 0, "K"},
		{"° C", Temperature, 21.5, 21.5, "°C"},
		{"\u03bcs", Duration, 250, 250e-6, "µs"},
		{"nsec", Duration, 5, 5e-9, "ns"},
		{"RPM", Rotation, 1200, 20, "rpm"},
		{"pct", Ratio, 95, 0.95, "%"},
		{"MHZ", Frequency, 137, 137e6, "MHz"},
	} {
		u, ok := InFile(tt.dim, tt.spelling)
		if got := u.Base(tt.value); !ok || u.Name != tt.name || math.Abs(got-tt.base) > 1e-12*max(1, tt.base) {
			t.Errorf("%g %s is %g in base units, want %g; unit %q, %v", tt.value, tt.spelling, got, tt.base, u.Name, ok)
		}
		if back := u.Of(tt.base); math.Abs(back-tt.value) > 1e-12*tt.value {
			t.Errorf("%g in base units is %g %s, want %g", tt.base, back, tt.name, tt.value)
		}
	}
	for _, word := range []string{"", "MHz", "d"} {
		if u, ok := InFile(Temperature, word); ok {
			t.Errorf("%q is taken for the temperature unit %s", word, u.Name)
		}
	}
	for _, u := range units { // a person is asked for another unit instead
		if _, err := Parse("5 "+u.Name, u.Dimension); u.use == filed && err == nil {
			t.Errorf("5 %s is read as a %s that a person wrote", u.Name, u.Dimension)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{
		"137 MHz ±1 %", "3.3 V +0.2 V -0.1 V", "1 h 30 min", "1 K/10min", "1 000 000",
		"±0.5 % + 3 digits", "1e6", "\u2212 5 °C", "deg C", "165,8",
		"2k2", "R47", "OL", "O.L MΩ", ">20M", "∞",
	} {
		f.Add(s)
	}
	step := Quantity{Dimension: Voltage, Value: 0.01, Unit: "V"}
	f.Fuzz(func(t *testing.T, text string) {
		check := func(err error) {
			var e *Error
			if errors.As(err, &e) {
				if e.Column < 0 || e.Column > len(text) || e.Width < 1 || e.What == "" {
					t.Errorf("%q: %+v", text, e)
				}
			} else if err != nil {
				t.Errorf("%q: %T", text, err)
			}
		}
		for _, dim := range Dimensions() {
			q, err := Parse(text, dim)
			check(err)
			if err == nil {
				if math.IsNaN(q.Value) || math.IsInf(q.Value, 0) || q.Minus < 0 || q.Plus < 0 {
					t.Errorf("%q: %+v", text, q)
				}
				if back, err := Parse(q.String(), dim); err != nil || math.Abs(back.Value-q.Value) > 1e-9*math.Abs(q.Value) {
					t.Errorf("%q → %q: %v %v", text, q.String(), back.Value, err)
				}
			}
			_, _, err = ParseLimits(text, dim, &step)
			check(err)
			shown, over, err := ParseShown(text, dim, Choose(dim))
			check(err)
			if over && (err != nil || dim != Resistance || shown.Value < 0) {
				t.Errorf("%q: %+v is above the range, %v", text, shown, err)
			}
		}
	})
}

func BenchmarkParse(b *testing.B) {
	for b.Loop() {
		if _, err := Parse("137 MHz ±1 %", Frequency); err != nil {
			b.Fatal(err)
		}
	}
}
