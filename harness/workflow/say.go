package workflow

import (
	"proveout/plans/fact"
	"proveout/scoring"
	"proveout/scoring/outcome"
)

// CheckSaid is a check in one line: its verdict, its reason, and how probable it
// is that the value conforms.
func CheckSaid(c *outcome.Check) fact.Fact {
	said := fact.New("screen.check", "verdict", c.Verdict.Fact(), "reason", c.Reason)
	if c.Informative {
		said = fact.New("screen.shown", "reason", c.Reason)
	}
	if c.Probability != nil && c.U != nil {
		p := fact.New("screen.conformance", "probability", Probability(float64(*c.Probability)))
		said = fact.Text(fact.Sentences(said, p))
	}
	return said
}

// Probability does not claim certainty that rounding alone would show.
func Probability(p float64) fact.Arg {
	percent := func(p float64) fact.Amount { return fact.In(100*p, "%").To(0.1) }
	switch {
	case p > 0.9995:
		return fact.New("screen.above", "value", percent(0.999))
	case p < 0.0005:
		return fact.New("screen.below", "value", percent(0.001))
	}
	return percent(p)
}

// Confidence is how sure a cause is.
func Confidence(c outcome.Cause) fact.Amount { return fact.In(100*c.Confidence, "%").To(1) }

// OpenedSaid says that a job was opened, and what the shop lacks to judge it.
func OpenedSaid(j *Job) fact.Fact {
	of := j.Input.Job
	opened := fact.New("screen.opened", "job", of.Number, "card", of.Card.Title, "plan", of.Plan, "bench", of.Bench)
	return fact.Text(fact.Sentences(append([]fact.Fact{opened}, scoring.Lacking(j.Input)...)...))
}

// NextSaid says what to type next for a job.
func NextSaid(j *Job) fact.Fact {
	number := j.Input.Job.Number
	if j.Outcome().Accepted {
		return fact.New("screen.next-certify", "job", number)
	}
	return fact.New("screen.next-run", "job", number)
}
