package scoring

import (
	"math"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/endurance"
	"proveout/scoring/outcome"
)

// faultGone judges whether the failure-free runs of the attempt are long enough
// to say that an intermittent fault is gone.
func (j *judge) faultGone(spec *plans.Timed, seconds []float64, failures int) outcome.Check {
	c := outcome.Check{Name: "fault-gone", Title: fact.New("prove.fault-gone"), Unit: "h",
		Source: fact.Text(fact.Name("NIST/SEMATECH e-Handbook of Statistical Methods, 8.3.1.1"))}
	interval := j.in.Job.ComplaintEvery
	if interval <= 0 {
		c.Verdict, c.Reason = conformity.NotApplicable, fact.New("prove.no-interval")
		return c
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
		c.Verdict, c.Reason = conformity.Inconclusive, because(err)
		return c
	}
	c.Verdict, c.Reason, c.Settle = o.Verdict, o.Sentence, o.Settle
	ran, needed := o.Ran/3600, o.Needed/3600
	c.Value, c.Text = number(ran), fact.New("prove.without-the-fault", "time", fact.In(ran, "h").To(0.01))
	c.Limits = &conformity.Limits{Low: &needed}
	c.Limits.Text = limitsText(*c.Limits, c.Unit, asComputed)
	return c
}
