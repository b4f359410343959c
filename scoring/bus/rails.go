package bus

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"proveout/scoring/conformity"
)

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
