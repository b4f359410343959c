package scoring

import (
	"math"

	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/holes"
	"proveout/scoring/outcome"
)

// lasted judges whether a run was long enough; untested are the times of it that
// nothing is known of, which do not count. The time base of a computer is
// good to a few parts in 10⁴, which no limit of minutes notices (common
// practice, no source); one second of slack covers the rounding of a log.
func (j *judge) lasted(seconds float64, want quantity.Quantity, stable bool, untested []holes.Hole) outcome.Check {
	m := measurand{unit: "min", dimension: quantity.Duration, limits: conformity.AtLeast(want.Value)}
	c := outcome.Check{Name: "duration", Title: fact.New("run.duration"), Unit: m.unit, Limits: limitsIn(m)}
	if math.IsNaN(seconds) {
		c.Reason = fact.New("run.duration-unknown")
		return c
	}
	ran := minutes(seconds)
	c.Value, c.Text = number(seconds/60), fact.Text(ran)
	switch {
	case seconds >= want.Value-1:
		c.Verdict, c.Reason = conformity.Pass, fact.New("run.long-enough", "ran", ran, "wanted", want)
	case stable:
		c.Verdict, c.Reason = conformity.Pass, fact.New("run.ended-when-stable", "ran", ran, "wanted", want)
	default:
		c.Verdict, c.Reason = conformity.Inconclusive, fact.New("run.too-short", "ran", ran, "wanted", want)
		c.Settle = fact.New("run.again", "wanted", want)
	}
	if told := holes.Told(untested); !told.IsZero() {
		c.Reason = fact.Text(fact.Sentences(c.Reason, told))
	}
	return c
}

// minutes is a time as it is told of a run: to a tenth of a minute, and to none
// where that is zero.
func minutes(seconds float64) fact.Amount {
	tenths := math.Round(seconds / 6)
	if math.Mod(tenths, 10) == 0 {
		return fact.In(seconds/60, "min").To(1)
	}
	return fact.In(seconds/60, "min").To(0.1)
}
