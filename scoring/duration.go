package scoring

import (
	"fmt"
	"math"

	"proveout/plans/quantity"
	"proveout/scoring/conformity"
)

// lasted judges whether a run was long enough. The time base of a computer is
// good to a few parts in 10⁴, which no limit of minutes notices (common
// practice, no source); one second of slack covers the rounding of a log.
func (j *judge) lasted(seconds float64, want quantity.Quantity, stable bool) Check {
	m := measurand{unit: "min", dimension: quantity.Duration, limits: conformity.AtLeast(want.Value)}
	c := Check{Name: "duration", Title: english("Duration"), Unit: m.unit, Limits: limitsIn(m)}
	if math.IsNaN(seconds) {
		c.Reason = english("How long it ran is not known.")
		return c
	}
	c.Value, c.Text = number(seconds/60), english(trimmed(math.Round(seconds/6)/10)+" min")
	switch {
	case seconds >= want.Value-1:
		c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("It ran %s; at least %s was asked for.", said(c.Text), want.Text))
	case stable:
		c.Verdict = conformity.Pass
		c.Reason = english(fmt.Sprintf("It ran %s and ended before %s because it was stable, as the plan allows.", said(c.Text), want.Text))
	default:
		c.Verdict = conformity.Inconclusive
		c.Reason = english(fmt.Sprintf("It ran %s only; at least %s was asked for.", said(c.Text), want.Text))
		c.Settle = english(fmt.Sprintf("Run it again for %s.", want.Text))
	}
	return c
}

func minutes(s float64) string { return trimmed(math.Round(s/6)/10) + " min" }
