package bus

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// A ResistanceReport compares a resistance to ground with known-good cards.
type ResistanceReport struct {
	Verdict  conformity.Verdict
	Short    bool      // no power before it is found
	Decades  float64   // log10 of reading over the known-good geometric mean; 0 when not compared
	LowOhms  float64   // limits
	HighOhms float64   //
	Rule     fact.Fact // how the limits came about; nothing without known-good cards
	Text     fact.Fact // what it points to
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
	// enough known-good values for their spread to decide.
	enough = 5
)

// CompareResistance compares a resistance to ground, in ohms, with the
// family's known-good values on a logarithmic scale. shortOhms is the family's
// limit for a short; 0 takes 2 Ω. A meter that shows overload gives +Inf. It
// reports false, with no more than a text, where the values are no
// resistances.
//
// From five known-good values on, the limits are the 95 % prediction interval
// for one further card (G. J. Hahn and W. Q. Meeker, Statistical Intervals,
// 1991) of log10 R. With fewer, half and double the mean only raise a
// question: outside them the verdict is inconclusive.
func CompareResistance(ohms float64, knownGood []float64, shortOhms float64) (r ResistanceReport, ok bool) {
	r.Verdict = conformity.Inconclusive
	if shortOhms == 0 {
		shortOhms = DefaultShortOhms
	}
	wrong := func(ohms float64) (ResistanceReport, bool) {
		return ResistanceReport{
			Verdict: conformity.Inconclusive,
			Text:    fact.New("bus.no-resistance", "value", fact.In(ohms, "Ω").Whole()),
		}, false
	}
	possible := func(ohms float64) bool { return ohms > 0 && !math.IsInf(ohms, 0) }
	switch {
	case math.IsNaN(ohms) || ohms < 0:
		return wrong(ohms)
	case !possible(shortOhms):
		return wrong(shortOhms)
	}
	var logs []float64
	for _, good := range knownGood {
		if !possible(good) {
			return wrong(good)
		}
		logs = append(logs, math.Log10(good))
	}
	mean := 0.0
	if len(logs) > 0 {
		mean = r.limits(logs)
	}
	switch {
	case ohms < shortOhms:
		r.Verdict, r.Short, r.Text = conformity.Fail, true, fact.New("bus.short")
	case math.IsInf(ohms, 1):
		r.Text = fact.New("bus.open")
		if len(logs) > 0 {
			r.Verdict = conformity.Fail
		}
	case len(logs) == 0:
		r.Text = fact.New("bus.nothing-to-compare")
	default:
		r.Decades = roundTo(math.Log10(ohms)-mean, 3)
		r.judge(ohms, len(logs))
	}
	return r, true
}

// limits sets the interval from the logarithms of the known-good values and
// returns their mean.
func (r *ResistanceReport) limits(logs []float64) float64 {
	n := float64(len(logs))
	mean, half := stat.Mean(logs, nil), math.Log10(fewFactor)
	r.Rule = fact.New("bus.half-to-double", "n", len(logs))
	if len(logs) >= enough {
		s := max(stat.StdDev(logs, nil), leastSpread)
		t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile(0.975)
		half = t * s * math.Sqrt(1+1/n)
		r.Rule = fact.New("bus.prediction-interval", "n", len(logs))
	}
	r.LowOhms, r.HighOhms = math.Pow(10, mean-half), math.Pow(10, mean+half)
	return mean
}

func (r *ResistanceReport) judge(ohms float64, good int) {
	if ohms >= r.LowOhms && ohms <= r.HighOhms {
		r.Verdict, r.Text = conformity.Pass, fact.New("bus.as-good-cards")
		return
	}
	if good >= enough {
		r.Verdict = conformity.Fail
	}
	r.Text = fact.New("bus.lower-than-good")
	if ohms > r.HighOhms {
		r.Text = fact.New("bus.higher-than-good")
	}
}
