package bus

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"proveout/scoring/conformity"
)

// A RailLimit is a supply rail of a slot with its limits.
type RailLimit struct {
	Name     string  `json:"name"` // "pci.+5V"
	Rail     string  `json:"rail"` // as printed on the plan: "+5 V"
	NominalV float64 `json:"nominal_v"`
	MinV     float64 `json:"min_v"`
	MaxV     float64 `json:"max_v"`
	MaxA     float64 `json:"max_a,omitempty"` // a card may draw; 0: not stated
	Source   string  `json:"source"`
}

// SlotRails returns the rails of the slots with the limits a plan can refer
// to.
func SlotRails() []RailLimit {
	pci := "PCI Local Bus Specification 2.x, power supply of add-in cards (from memory)"
	agp := "AGP Interface Specification 2.0, power supply (from memory)"
	agp3 := "AGP Interface Specification 3.0: the swing is 0.8 V, the supply stays at 1.5 V (from memory)"
	return []RailLimit{
		{"pci.+5V", "+5 V", 5, 4.75, 5.25, 5, pci},
		{"pci.+3.3V", "+3.3 V", 3.3, 3.0, 3.6, 7.6, pci},
		{"pci.+12V", "+12 V", 12, 11.4, 12.6, 0.5, pci},
		{"pci.-12V", "-12 V", -12, -13.2, -10.8, 0.1, pci},
		{"agp.vddq3.3", "VDDQ, 3.3 V signalling", 3.3, 3.15, 3.45, 0, agp},
		{"agp.vddq1.5", "VDDQ, 1.5 V signalling", 1.5, 1.425, 1.575, 0, agp},
		{"agp.vddq0.8", "VDDQ, 0.8 V swing", 1.5, 1.425, 1.575, 0, agp3},
		{"agp.+3.3V", "VCC3.3", 3.3, 3.15, 3.45, 0, agp},
		{"agp.+5V", "+5 V", 5, 4.75, 5.25, 0, agp},
		{"agp.+12V", "+12 V", 12, 11.4, 12.6, 0, agp},
	}
}

// LookupRail finds a rail by its name; case and spaces do not matter.
func LookupRail(name string) (RailLimit, bool) {
	plain := func(s string) string { return strings.ToLower(strings.ReplaceAll(s, " ", "")) }
	for _, r := range SlotRails() {
		if plain(r.Name) == plain(name) {
			return r, true
		}
	}
	return RailLimit{}, false
}

// Judge compares a voltage with the rail's limits; u is the standard
// uncertainty of the reading in volts. The reading ± 2u wholly inside passes,
// wholly outside fails (JCGM 106:2012).
func (r RailLimit) Judge(volts, u float64) conformity.Verdict {
	switch {
	case volts-2*u >= r.MinV && volts+2*u <= r.MaxV:
		return conformity.Pass
	case volts+2*u < r.MinV || volts-2*u > r.MaxV:
		return conformity.Fail
	}
	return conformity.Inconclusive // NaN too
}

// A ResistanceReport compares a resistance to ground with known-good cards.
type ResistanceReport struct {
	Verdict   conformity.Verdict `json:"verdict"`
	Short     bool               `json:"short"` // a gate: no power before it is found
	Open      bool               `json:"open"`
	Decades   float64            `json:"decades"`                // log10 of reading over the known-good geometric mean
	GoodOhms  float64            `json:"good_ohms"`              // that mean
	LowOhms   float64            `json:"low_ohms"`               // limits
	HighOhms  float64            `json:"high_ohms"`              //
	GoodCards int                `json:"good_cards"`             // known-good values behind the limits
	Rule      string             `json:"rule"`                   // how the limits came about
	Text      string             `json:"text"`                   //
	Gate      bool               `json:"gate"`                   // stop all powered steps
	Limit     float64            `json:"short_limit"`            // ohms below which it is a short
	Reading   float64            `json:"reading_ohms,omitempty"` // 0 when open
}

const (
	// DefaultShortOhms is taken for a short where the family states nothing.
	// Supply rails of graphics cards with a large core can measure a few ohms
	// when healthy, so a family should state its own. Common practice, no
	// source.
	DefaultShortOhms = 2
	// fewFactor is the range allowed around fewer than five known-good values:
	// half to double.
	fewFactor = 2
	// leastSpread is the least standard deviation of log10 that known-good
	// values are credited with: 5 %, meter and temperature.
	leastSpread = 0.0212
)

// CompareResistance compares a resistance to ground, in ohms, with the
// family's known-good values on a logarithmic scale. shortOhms is the family's
// limit for a short; 0 takes 2 Ω. A meter that shows overload gives +Inf.
//
// From five known-good values on, the limits are the 95 % prediction interval
// for one further card (G. J. Hahn and W. Q. Meeker, Statistical Intervals,
// 1991) of log10 R. With fewer, half and double the mean only raise a
// question: outside them the verdict is inconclusive.
func CompareResistance(ohms float64, knownGood []float64, shortOhms float64) (ResistanceReport, error) {
	if shortOhms == 0 {
		shortOhms = DefaultShortOhms
	}
	if math.IsNaN(ohms) || ohms < 0 || !(shortOhms > 0) || math.IsInf(shortOhms, 0) {
		return ResistanceReport{}, fmt.Errorf("resistance %g Ω with a short at %g Ω is no reading", ohms, shortOhms)
	}
	var logs []float64
	for i, g := range knownGood {
		if !(g > 0) || math.IsInf(g, 0) {
			return ResistanceReport{}, fmt.Errorf("known-good value %d, %g Ω, is not a positive number", i+1, g)
		}
		logs = append(logs, math.Log10(g))
	}
	r := ResistanceReport{Reading: ohms, Limit: shortOhms, GoodCards: len(logs), Verdict: conformity.Inconclusive}
	if len(logs) > 0 {
		r.limits(logs)
	}
	if ohms < shortOhms {
		r.Verdict, r.Short, r.Gate = conformity.Fail, true, true
		r.Text = "a short to ground: do not power the card; look for bridges, cracked capacitors, a burnt regulator"
		return r, nil
	}
	if math.IsInf(ohms, 1) {
		r.Open, r.Reading = true, 0
		if len(logs) > 0 {
			r.Verdict = conformity.Fail
		}
		r.Text = "open: the rail does not reach the chip; look for a blown fuse, a lifted pin, a missing part"
		return r, nil
	}
	if len(logs) == 0 {
		r.Text = "no known-good value to compare with; it is no short"
		return r, nil
	}
	r.judge()
	return r, nil
}

// limits sets the interval from the known-good values.
func (r *ResistanceReport) limits(logs []float64) {
	n := float64(len(logs))
	mean := stat.Mean(logs, nil)
	half := math.Log10(fewFactor)
	r.Rule = fmt.Sprintf("half to double the mean of %d known-good cards", len(logs))
	if len(logs) >= 5 {
		s := max(stat.StdDev(logs, nil), leastSpread)
		t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile(0.975)
		half = t * s * math.Sqrt(1+1/n)
		r.Rule = fmt.Sprintf("95 %% prediction interval from %d known-good cards, logarithmic", len(logs))
	}
	r.GoodOhms = math.Pow(10, mean)
	r.LowOhms, r.HighOhms = math.Pow(10, mean-half), math.Pow(10, mean+half)
}

func (r *ResistanceReport) judge() {
	r.Decades = roundTo(math.Log10(r.Reading/r.GoodOhms), 3)
	switch {
	case r.Reading >= r.LowOhms && r.Reading <= r.HighOhms:
		r.Verdict, r.Text = conformity.Pass, "as the known-good cards"
		return
	case r.GoodCards >= 5:
		r.Verdict = conformity.Fail
	}
	r.Text = "lower than the known-good cards: a leaking part or a partial short on this rail"
	if r.Reading > r.HighOhms {
		r.Text = "higher than the known-good cards: a part is missing, a joint or trace is open"
	}
}
