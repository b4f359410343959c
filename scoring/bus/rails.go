package bus

import (
	"cmp"
	"math"

	"gonum.org/v1/gonum/stat"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// A ResistanceReport compares a resistance to ground with known-good cards.
type ResistanceReport struct {
	Verdict  conformity.Verdict
	Short    bool      // no power before it is found
	Enough   bool      // known-good cards for their spread to decide
	Decades  float64   // log10 of reading over the known-good geometric mean
	LowOhms  float64   // limits
	HighOhms float64   //
	Rule     fact.Fact // how the limits came about
	Text     fact.Fact // what it points to
}

const (
	// defaultShortOhms is taken for a short where the family states nothing.
	// Supply rails of graphics cards with a large core can measure a few ohms
	// when healthy, so a family should state its own. Common practice, no
	// source.
	defaultShortOhms = 2
	// fewFactor is the range allowed around fewer than five known-good values:
	// half to double.
	fewFactor = 2
	// leastSpread is the least standard deviation of log10 that known-good
	// values are credited with: 5 %, meter and temperature.
	leastSpread = 0.0212
	// enough known-good values for their spread to decide.
	enough = 5
	// inRange is the share of good cards that the range of enough values holds: a
	// card has several rails, and one good card in a thousand is asked about for
	// each. Our choice.
	inRange = 0.999
)

// CompareResistance compares a resistance to ground, in ohms, with the
// family's known-good values, one or more, on a logarithmic scale. shortOhms is
// the family's limit for a short; 0 takes 2 Ω. Values that are no resistances
// are an error.
//
// From five known-good values on, the limits are the 99.9 % prediction interval
// for one further card (G. J. Hahn and W. Q. Meeker, Statistical Intervals,
// 1991) of log10 R; with fewer, half and double the mean. Outside them the verdict
// is inconclusive, and a failure only where it is beyond half or double as well and
// there are five values.
func CompareResistance(ohms float64, knownGood []float64, shortOhms float64) (ResistanceReport, error) {
	shortOhms = cmp.Or(shortOhms, defaultShortOhms)
	if !(ohms >= 0) {
		return ResistanceReport{}, noResistance(ohms)
	}
	var logs []float64
	for _, good := range knownGood {
		if !(good > 0) {
			return ResistanceReport{}, noResistance(good)
		}
		logs = append(logs, math.Log10(good))
	}
	mean, half := stat.Mean(logs, nil), math.Log10(fewFactor)
	r := ResistanceReport{Rule: fact.New("bus.half-to-double", "n", len(logs))}
	if len(logs) >= enough {
		n := float64(len(logs))
		r.Enough = true
		half = conformity.CoverageFactor(inRange, n-1) * max(stat.StdDev(logs, nil), leastSpread) * math.Sqrt(1+1/n)
		r.Rule = fact.New("bus.prediction-interval", "n", len(logs))
	}
	r.LowOhms, r.HighOhms = math.Pow(10, mean-half), math.Pow(10, mean+half)
	if ohms < shortOhms {
		r.Verdict, r.Short, r.Text = conformity.Fail, true, fact.New("bus.short")
		return r, nil
	}
	r.Decades = math.Log10(ohms) - mean
	switch {
	case ohms < r.LowOhms:
		r.Text = fact.New("bus.lower-than-good")
	case ohms > r.HighOhms:
		r.Text = fact.New("bus.higher-than-good")
	default:
		r.Verdict, r.Text = conformity.Pass, fact.New("bus.as-good-cards")
		return r, nil
	}
	r.Verdict = conformity.Inconclusive
	if r.Enough && math.Abs(r.Decades) > math.Log10(fewFactor) {
		r.Verdict = conformity.Fail
	}
	return r, nil
}

func noResistance(ohms float64) error {
	return fact.New("bus.no-resistance", "value", fact.In(ohms, "Ω").Whole()).Err()
}
