package quantity

import (
	"math"
	"testing"
)

func TestParseInUnit(t *testing.T) {
	for text, want := range map[string]struct {
		value float64
		unit  string
	}{
		"70.5":           {70.5, ""},
		"70.5°C":         {70.5, "°C"},
		"−5 °C":          {-5, "°C"},
		"60.4 fps":       {60.4, "fps"},
		"60.4fps":        {60.4, "fps"},
		"1e-3 V":         {1e-3, "V"},
		"1 250 points":   {1250, "points"},
		"137MHz":         {137, "MHz"},
		".5 %":           {0.5, "%"},
		"12 m/s²":        {12, "m/s²"},
		"4.7 kΩ":         {4.7, "kΩ"},
		" 3 frames/s \t": {3, "frames/s"},
	} {
		v, _, unit, err := ParseInUnit(text)
		if err != nil || math.Abs(v-want.value) > 1e-12 || unit != want.unit {
			t.Errorf("%q: %g %q, %v", text, v, unit, err)
		}
	}
	for _, text := range []string{
		"7O.5", "7O", "7 O", "7l", "71..5", "71.5.", "71.5.2", "0x47", "0X47", "1e400", "1e", "1e+", "5e5e5",
		"NaN", "inf", "Infinity", "1_000", "70,5", "1,250", "1,250.5", "70.5 °C 2", "--5", "+-5", "5-", "(5)",
		"0b101", "0x1p4", "7O MHz", "7points", "5 V6", "", " ", "V", "5 \x00", "five", "½", "5…6",
	} {
		if v, _, unit, err := ParseInUnit(text); err == nil {
			t.Errorf("%q is taken for %g %q", text, v, unit)
		}
	}
}

func TestParseWhole(t *testing.T) {
	for text, want := range map[string]int64{"8": 8, "010": 10, "1 000": 1000, "1e3": 1000, "0": 0} {
		if n, err := ParseWhole(text, 0, math.MaxInt32); err != nil || n != want {
			t.Errorf("%q: %d, %v", text, n, err)
		}
	}
	for _, text := range []string{"0x10", "0b11", "1_0", "-1", "1.5", "3000000000", "1e400", "ten", "5 ±1", "5 V", ""} {
		if n, err := ParseWhole(text, 0, math.MaxInt32); err == nil {
			t.Errorf("%q is taken for %d", text, n)
		}
	}
	if v, err := ParseNumber("0.9 ±0.1"); err == nil {
		t.Errorf("a tolerance is dropped: %g", v)
	}
}

func FuzzParseInUnit(f *testing.F) {
	for _, s := range []string{"7O.5", "71..5", "0x47", "1e400", "60.4 fps", "1 000 points", "−5 °C"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		v, _, unit, err := ParseInUnit(text)
		if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Errorf("%q: %g %q", text, v, unit)
		}
		if n, err := ParseWhole(text, -5, 5); err == nil && (n < -5 || n > 5) {
			t.Errorf("%q: %d", text, n)
		}
	})
}
