package endurance

import (
	"math"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// tell says what the runs show and what would settle it.
func (o *Outcome) tell() {
	confidence := fact.In(100*o.Confidence, "%")
	claim := fact.New("endurance.claim", "time", need(o.Goal), "confidence", confidence)
	switch o.Verdict {
	case conformity.NotRun:
		if o.Allowed == 0 {
			o.Sentence = fact.New("endurance.not-run", "claim", claim, "time", need(o.Missing))
		} else {
			o.Sentence = fact.New("endurance.not-run-allowing", "claim", claim, "time", need(o.Missing), "n", o.Allowed)
		}
	case conformity.Pass:
		quiet := fact.New("endurance.quiet-by-luck", "interval", had(o.Interval), "share", share(o.QuietByLuck))
		if o.Allowed > 0 {
			quiet = fact.New("endurance.few-by-luck",
				"interval", had(o.Interval), "n", o.Allowed, "share", share(o.QuietByLuck))
		}
		if o.Failures == 0 {
			o.Sentence = fact.New("endurance.shown", "ran", had(o.Ran), "claim", claim, "quiet", quiet)
		} else {
			o.Sentence = fact.New("endurance.shown-with-failures",
				"ran", had(o.Ran), "n", o.Failures, "claim", claim, "quiet", quiet)
		}
	case conformity.Fail:
		o.Sentence = fact.New("endurance.came-back", "n", o.Failures, "ran", had(o.Ran), "allowed", o.Allowed)
	default:
		o.tellMissing(confidence)
	}
	if a := o.Acceleration; a != nil {
		o.Sentence = fact.New("endurance.hot-shown", "verdict", o.Sentence, "factor", fact.In(a.Factor, "").Digits(2),
			"time", need(a.NeededHot), "assumption", a.Assumption)
	}
}

func (o *Outcome) tellMissing(confidence fact.Amount) {
	if o.Failures == 0 {
		o.Sentence = fact.New("endurance.not-yet", "ran", had(o.Ran),
			"shown", had(o.ShownMTBF), "confidence", confidence, "goal", need(o.Goal))
	} else {
		o.Sentence = fact.New("endurance.not-yet-with-failures", "ran", had(o.Ran), "n", o.Failures,
			"shown", had(o.ShownMTBF), "confidence", confidence, "goal", need(o.Goal))
	}
	if o.Allowed == 0 {
		o.Settle = fact.New("endurance.run-more", "time", need(o.Missing))
	} else {
		o.Settle = fact.New("endurance.run-more-allowing", "time", need(o.Missing), "n", o.Allowed)
	}
}

// share is a probability as it is told, to three digits; one that nobody can picture
// is less than a ten thousandth.
func share(p float64) fact.Arg {
	if p < 1e-4 {
		return fact.New("endurance.less-than", "limit", fact.In(0.01, "%").Whole())
	}
	return fact.In(100*p, "%").Digits(3)
}

// TellNeeded says how long the runs must last.
func (o *Outcome) TellNeeded() fact.Fact {
	confidence := fact.In(100*o.Confidence, "%")
	if o.Allowed == 0 {
		return fact.New("endurance.needed", "time", need(o.Needed), "confidence", confidence)
	}
	return fact.New("endurance.needed-allowing", "time", need(o.Needed), "n", o.Allowed, "confidence", confidence)
}

// TellPasses says how many passes show a chance of a good one with a confidence, with
// at most so many spoilt.
func TellPasses(needed, spoilt int, reliability, confidence float64) fact.Fact {
	if spoilt == 0 {
		return fact.New("endurance.passes", "n", needed,
			"share", fact.In(100*reliability, "%"), "confidence", fact.In(100*confidence, "%"))
	}
	return fact.New("endurance.passes-allowing", "n", needed, "spoilt", spoilt,
		"share", fact.In(100*reliability, "%"), "confidence", fact.In(100*confidence, "%"))
}

// TellShown says what passes that were made have shown; the bound is rounded down.
func TellShown(passes, spoilt int, reliability, confidence float64) fact.Fact {
	return fact.New("endurance.passes-shown", "n", passes, "spoilt", spoilt,
		"share", fact.In(math.Floor(1000*reliability)/10, "%").To(0.1), "confidence", fact.In(100*confidence, "%"))
}

// need is a time that must still be reached, and had one that was: the first is
// rounded up and the second down, because a run that is a second short is short.
func need(seconds float64) fact.Arg { return spell(seconds, math.Ceil) }
func had(seconds float64) fact.Arg  { return spell(seconds, math.Floor) }

// spell puts seconds, from 0 up, into days, hours, minutes and seconds, of which
// the two largest are told.
func spell(seconds float64, round func(float64) float64) fact.Arg {
	if !(seconds >= 0) || seconds > 1e12 {
		return fact.In(seconds, "s")
	}
	grain := 1.0
	if seconds >= 24*3600 {
		grain = 3600
	} else if seconds >= 3600 {
		grain = 60
	}
	whole := math.Round(seconds / grain)
	if math.Abs(seconds/grain-whole) > 1e-9*whole {
		whole = round(seconds / grain)
	}
	left := int64(whole * grain)
	var parts []fact.Amount
	for _, unit := range []struct {
		size int64
		name string
	}{{24 * 3600, "d"}, {3600, "h"}, {60, "min"}, {1, "s"}} {
		if n := left / unit.size; n > 0 {
			parts = append(parts, fact.In(float64(n), unit.name).Whole())
			left -= n * unit.size
		}
	}
	if len(parts) == 0 {
		return fact.In(0, "s").Whole()
	}
	return fact.ListOf(fact.Sentence, parts)
}
