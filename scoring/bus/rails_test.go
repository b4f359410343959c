package bus_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

func TestCompareResistance(t *testing.T) {
	good := []float64{92, 100, 104, 98, 107, 101}
	for _, tt := range []struct {
		name    string
		ohms    float64
		good    []float64
		verdict conformity.Verdict
		short   bool
	}{
		{"as good cards", 99, good, conformity.Pass, false},
		{"below half", 49, good, conformity.Fail, false},
		{"above double", 202, good, conformity.Fail, false},
		{"unlike them, and no fault for that", 62, good, conformity.Inconclusive, false},
		{"as far off as a good card in a hundred", 82, good, conformity.Pass, false},
		{"short", 0.4, good, conformity.Fail, true},
		{"few, near", 150, good[:2], conformity.Pass, false},
		{"few, far", 300, good[:2], conformity.Inconclusive, false},
		{"few, short", 0, good[:1], conformity.Fail, true},
	} {
		got, err := bus.CompareResistance(tt.ohms, tt.good, 0)
		if err != nil || got.Verdict != tt.verdict || got.Short != tt.short || got.Text.IsZero() {
			t.Errorf("%s: %+v", tt.name, got)
		}
	}
	// Log scale: t(0.9995; 4) = 8.610 (Student's t as tabled), s = 0.1 decade, n = 5.
	decade := []float64{math.Pow(10, 1.9), math.Pow(10, 1.9), 100, math.Pow(10, 2.1), math.Pow(10, 2.1)}
	got, _ := bus.CompareResistance(100, decade, 0)
	want, up, down := 8.610*0.1*math.Sqrt(1+1.0/5), math.Log10(got.HighOhms/100), math.Log10(100/got.LowOhms)
	if math.Abs(up-want) > 1e-3 || math.Abs(down-want) > 1e-3 {
		t.Errorf("limits %v to %v, want ± %v decades", got.LowOhms, got.HighOhms, want)
	}
	for _, bad := range []float64{math.NaN(), -1} {
		if _, err := bus.CompareResistance(bad, good, 0); err == nil {
			t.Errorf("%v Ω is accepted", bad)
		}
	}
	if _, err := bus.CompareResistance(1, []float64{0}, 0); err == nil {
		t.Error("a known-good 0 Ω is accepted")
	}
}

// Scaling all resistances changes nothing: the comparison is logarithmic.
func TestResistanceScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		good := rapid.SliceOfN(rapid.Float64Range(10, 1000), 1, 8).Draw(t, "good")
		x, f := rapid.Float64Range(10, 1000).Draw(t, "x"), rapid.Float64Range(1, 100).Draw(t, "factor")
		a, err1 := bus.CompareResistance(x, good, 1)
		var scaled []float64
		for _, g := range good {
			scaled = append(scaled, g*f)
		}
		b, err2 := bus.CompareResistance(x*f, scaled, 1)
		near := math.Abs(x/a.LowOhms-1) < 1e-9 || math.Abs(x/a.HighOhms-1) < 1e-9
		if err1 != nil || err2 != nil || a.Verdict != b.Verdict && !near {
			t.Fatalf("%+v and %+v", a, b)
		}
	})
}
