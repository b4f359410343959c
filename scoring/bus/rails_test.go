package bus_test

import (
	"encoding/json"
	"math"
	"testing"

	"pgregory.net/rapid"

	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

// PCI Local Bus Specification 2.x and AGP Interface Specification 2.0 and 3.0,
// supply tables (from memory, not seen).
func TestSlotRails(t *testing.T) {
	for _, tt := range []struct {
		name                string
		nominal, low, high  float64
		tolerance, absolute float64
	}{
		{"pci.+5V", 5, 4.75, 5.25, 0.05, 0}, {"PCI.+3.3V", 3.3, 3.0, 3.6, 0, 0.3}, {"pci.+12V", 12, 11.4, 12.6, 0.05, 0}, {"pci.-12V", -12, -13.2, -10.8, 0.1, 0},
		{"agp.vddq3.3", 3.3, 3.15, 3.45, 0, 0.15}, {"agp.vddq1.5", 1.5, 1.425, 1.575, 0, 0.075}, {"agp.vddq0.8", 1.5, 1.425, 1.575, 0, 0.075},
		{"agp.+3.3V", 3.3, 3.15, 3.45, 0, 0.15}, {"agp.+5V", 5, 4.75, 5.25, 0, 0.25}, {"agp.+12V", 12, 11.4, 12.6, 0, 0.6},
	} {
		r, ok := bus.LookupRail(tt.name)
		if !ok || r.NominalV != tt.nominal || r.MinV != tt.low || r.MaxV != tt.high {
			t.Errorf("%s: %+v", tt.name, r)
			continue
		}
		half := tt.absolute + tt.tolerance*math.Abs(r.NominalV)
		if math.Abs(r.MaxV-r.NominalV-half) > 1e-9 || math.Abs(r.NominalV-r.MinV-half) > 1e-9 {
			t.Errorf("%s: limits are not ± %g V", tt.name, half)
		}
		for v, want := range map[float64]conformity.Verdict{r.NominalV: conformity.Pass, r.MaxV + 0.1: conformity.Fail, r.MinV - 0.1: conformity.Fail, r.MaxV: conformity.Inconclusive, math.NaN(): conformity.Inconclusive} {
			if got := r.Judge(v, 0.01); got != want {
				t.Errorf("%s: %v V is %v, want %v", tt.name, v, got, want)
			}
		}
	}
	if _, ok := bus.LookupRail("isa.+5V"); ok {
		t.Error("a rail that is not there")
	}
}

func TestCompareResistance(t *testing.T) {
	good := []float64{92, 100, 104, 98, 107, 101}
	for _, tt := range []struct {
		name    string
		ohms    float64
		good    []float64
		verdict conformity.Verdict
		gate    bool
	}{
		{"as good cards", 99, good, conformity.Pass, false},
		{"half", 50, good, conformity.Fail, false},
		{"double", 200, good, conformity.Fail, false},
		{"short", 0.4, good, conformity.Fail, true},
		{"open", math.Inf(1), good, conformity.Fail, false},
		{"few, near", 150, good[:2], conformity.Pass, false},
		{"few, far", 300, good[:2], conformity.Inconclusive, false},
		{"none", 100, nil, conformity.Inconclusive, false},
		{"none, short", 0, nil, conformity.Fail, true},
	} {
		got, err := bus.CompareResistance(tt.ohms, tt.good, 0)
		if err != nil || got.Verdict != tt.verdict || got.Gate != tt.gate {
			t.Errorf("%s: %+v, %v", tt.name, got, err)
		}
		if _, err := json.Marshal(got); err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	// Log scale: t(0.975; 4) = 2.776 (Student's t as tabled), s = 0.1 decade, n = 5.
	decade := []float64{math.Pow(10, 1.9), math.Pow(10, 1.9), 100, math.Pow(10, 2.1), math.Pow(10, 2.1)}
	got, _ := bus.CompareResistance(100, decade, 0)
	if want := 2.776 * 0.1 * math.Sqrt(1+1.0/5); math.Abs(math.Log10(got.HighOhms/100)-want) > 1e-3 || math.Abs(math.Log10(100/got.LowOhms)-want) > 1e-3 {
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

func TestSlotAccepts(t *testing.T) {
	sig := func(s ...bus.Signal) []bus.Signal { return s }
	for _, tt := range []struct {
		name string
		slot bus.Slot
		card bus.Edge
		want bool
	}{
		{"universal PCI card, 5 V slot", bus.Slot{Bus: "pci", Key: bus.Signal5V}, bus.Edge{Bus: "PCI", Notches: sig(bus.Signal5V, bus.Signal33V)}, true},
		{"5 V PCI card, 3.3 V slot", bus.Slot{Bus: "pci", Key: bus.Signal33V}, bus.Edge{Bus: "pci", Notches: sig(bus.Signal5V)}, false},
		{"3.3 V PCI card, 5 V slot", bus.Slot{Bus: "pci", Key: bus.Signal5V}, bus.Edge{Bus: "pci", Notches: sig(bus.Signal33V)}, false},
		{"3.3 V AGP card, 1.5 V slot", bus.Slot{Bus: "agp", Key: bus.Signal15V}, bus.Edge{Bus: "agp", Notches: sig(bus.Signal33V)}, false},
		{"3.3 V AGP card, universal slot", bus.Slot{Bus: "agp"}, bus.Edge{Bus: "agp", Notches: sig(bus.Signal33V)}, true},
		{"universal AGP card, 3.3 V slot", bus.Slot{Bus: "agp", Key: bus.Signal33V}, bus.Edge{Bus: "agp", Notches: sig(bus.Signal33V, bus.Signal15V)}, true},
		{"wrongly notched 3.3 V card", bus.Slot{Bus: "agp", Key: bus.Signal15V}, bus.Edge{Bus: "agp", Notches: sig(bus.Signal33V, bus.Signal15V), Signalling: sig(bus.Signal33V)}, false},
		{"1.5 V card, slot of 0.8 V only", bus.Slot{Bus: "agp", Key: bus.Signal15V, Signalling: sig(bus.Signal08V)}, bus.Edge{Bus: "agp", Notches: sig(bus.Signal15V)}, false},
		{"8x card, slot of both", bus.Slot{Bus: "agp", Key: bus.Signal15V, Signalling: sig(bus.Signal08V, bus.Signal15V)}, bus.Edge{Bus: "agp", Notches: sig(bus.Signal15V), Signalling: sig(bus.Signal08V)}, true},
		{"AGP card, PCI slot", bus.Slot{Bus: "pci", Key: bus.Signal5V}, bus.Edge{Bus: "agp", Notches: sig(bus.Signal33V)}, false},
		{"x16 in x8", bus.Slot{Bus: "pcie", Lanes: 8}, bus.Edge{Bus: "pcie", Lanes: 16}, false},
		{"x16 in open x8", bus.Slot{Bus: "pcie", Lanes: 8, OpenEnded: true}, bus.Edge{Bus: "pcie", Lanes: 16}, true},
		{"x1 in x16", bus.Slot{Bus: "pcie", Lanes: 16}, bus.Edge{Bus: "pcie", Lanes: 1}, true},
		{"notches not stated", bus.Slot{Bus: "agp"}, bus.Edge{Bus: "agp"}, false},
		{"no such bus", bus.Slot{Bus: "mca"}, bus.Edge{Bus: "mca"}, false},
	} {
		if ok, reason := bus.SlotAccepts(tt.slot, tt.card); ok != tt.want || reason == "" {
			t.Errorf("%s: %v, %q", tt.name, ok, reason)
		}
	}
}
