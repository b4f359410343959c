package scoring

import (
	"fmt"
	"math"

	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/endurance"
)

// prove judges whether the failure-free runs of the attempt are long enough to
// say that an intermittent fault is gone.
func (j *judge) prove(spec *plans.Timed, seconds []float64, failures int) {
	c := Check{Name: "fault-gone", Title: english("Intermittent fault gone"), Unit: "h",
		Source: english("NIST/SEMATECH e-Handbook of Statistical Methods, 8.3.1.1")}
	interval := j.in.Job.ComplaintEvery
	if interval <= 0 {
		c.Verdict = conformity.NotApplicable
		c.Reason = english("The job states no interval at which a fault came back, so there is none to prove gone.")
		j.check(c)
		return
	}
	q := endurance.Question{Interval: interval, Multiple: spec.Improvement, Confidence: 0.9}
	if spec.Confidence != nil {
		q.Confidence = spec.Confidence.Value
	}
	var runs []endurance.Run
	for _, s := range seconds {
		if math.IsNaN(s) || s < 0 {
			continue // nobody knows how long it ran, so it shows nothing
		}
		runs = append(runs, endurance.Run{Seconds: s})
	}
	if failures > 0 {
		runs = append(runs, endurance.Run{Failures: failures})
	}
	o, err := endurance.Judge(q, runs)
	if err != nil {
		c.Verdict, c.Reason = conformity.Inconclusive, english(endSentence(err.Error()))
		j.check(c)
		return
	}
	c.Verdict, c.Reason, c.Settle = o.Verdict, english(said(o.Sentence)), english(said(o.Settle))
	c.Value, c.Text = number(o.Ran/3600), english(fmt.Sprintf("%.2f h without the fault", o.Ran/3600))
	c.Limits = limitsIn(measurand{unit: "h", dimension: quantity.Duration, limits: conformity.AtLeast(o.Needed)})
	j.check(c)
}
