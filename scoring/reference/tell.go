package reference

import (
	"math"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// toSpread shows an amount to two significant digits of a spread, if there is
// any, but never to tens.
func toSpread(a fact.Amount, spread float64) fact.Amount {
	if !(spread > 0) || math.IsInf(spread, 0) {
		return a
	}
	return a.To(math.Pow(10, math.Min(0, math.Floor(math.Log10(spread))-1)))
}

// amount is a figure in the unit of the scores.
func (j *judgement) amount(x float64) fact.Amount {
	return toSpread(fact.In(x, j.set.Unit), j.basis.spread())
}

// percent is a share, 0 to 1, as documents show it.
func percent(share float64) fact.Amount { return fact.In(100*share, "%").To(1) }

func (j *judgement) tooFew() {
	n := len(j.set.Scores)
	j.out.Sentence = fact.New("reference.none-known", "needed", minScores)
	if n > 0 {
		j.out.Sentence = fact.New("reference.too-few", "n", n, "needed", minScores)
	}
	j.settle(fact.New("reference.score-more", "n", minScores-n))
}

func (j *judgement) noTransfer() {
	j.out.Sentence = fact.New("reference.other-bench", "set", j.set.Bench, "bench", j.options.Bench, "why", j.blocked)
	j.settle(fact.New("reference.run-control"))
}

// holdForSignals overrules the verdict while the bench itself is in doubt.
func (j *judgement) holdForSignals() {
	if len(j.options.Signals) == 0 {
		return
	}
	j.out.Verdict = conformity.Inconclusive
	j.out.Sentence = fact.New("reference.bench-changed", "why", j.options.Signals[0].Why)
	j.out.Settle = []fact.Fact{fact.New("reference.answer-signal")}
}

func (j *judgement) note(f fact.Fact) { j.out.Notes = append(j.out.Notes, f) }

func (j *judgement) settle(f fact.Fact) { j.out.Settle = append(j.out.Settle, f) }

// noteSet says what a reader should know of the set.
func (j *judgement) noteSet() {
	n, confidence, normality := j.basis.N, j.options.Confidence, j.out.Normality
	if n < fewScores {
		narrower := 1 - predictionFactor(ampleScores, confidence)/predictionFactor(n, confidence)
		j.note(fact.New("reference.small-set", "n", n, "ample", ampleScores, "narrower", percent(narrower)))
	}
	if !normality.Tested && j.basis.SD > 0 {
		j.note(fact.New("reference.normality-untested", "why", normality.Why))
	}
	if normality.Doubtful {
		j.note(fact.New("reference.not-normal",
			"a2", fact.In(normality.Adjusted, "").To(0.01),
			"critical", fact.In(andersonCritical, "").To(0.001),
			"needed", j.out.Prediction.Needed,
			"confidence", percent(confidence),
			"most", j.out.Tolerance.Needed,
			"coverage", percent(j.options.Coverage)))
		j.noteLogarithms()
	}
	if j.basis.SD == 0 {
		j.note(fact.New("reference.equal-set"))
	}
	if t := j.out.Transfer; t != nil {
		j.note(fact.New("reference.scaled", "set", j.set.Bench,
			"ratio", fact.In(t.Ratio, "").To(0.0001),
			"u", fact.In(100*t.Relative, "%").To(0.1)))
	}
}

// noteLogarithms says where the logarithms of a doubtful set look normal.
func (j *judgement) noteLogarithms() {
	if j.basis.log || j.basis.Min <= 0 {
		return
	}
	b, err := newBasis(j.set.Scores, true, nil)
	if err != nil {
		return
	}
	if normality := testNormality(b.scores, b.Description); normality.Tested && !normality.Doubtful {
		j.note(fact.New("reference.log-normal", "a2", fact.In(normality.Adjusted, "").To(0.01)))
	}
}

// tellComparison says how the score compares with the set, and what would
// settle it.
func (j *judgement) tellComparison() {
	j.out.Sentence = fact.New("reference.compared",
		"score", j.score(), "expected", j.expected(), "verdict", j.out.Verdict.Fact())
	if j.tooGood() {
		j.note(fact.New("reference.better-than-good"))
	}
	if j.out.Verdict == conformity.Inconclusive {
		j.settle(j.remedy())
	}
}

// remedy is what would settle a comparison that is open.
func (j *judgement) remedy() fact.Fact {
	p, r := j.out.Prediction, j.out.Conformity
	switch missing := p.Needed - j.basis.N; {
	case !finite(float64(r.Probability)):
		return fact.New("reference.state-uncertainty")
	case r.Verdict == conformity.Fail && missing > 0:
		return fact.New("reference.score-more-for-order",
			"n", missing, "needed", p.Needed, "confidence", percent(j.options.Confidence))
	case r.Verdict == conformity.Fail:
		return fact.New("reference.more-digits")
	case r.Settle != nil && r.Settle.LargestExpanded > 0:
		return fact.New("reference.measure-finer",
			"u", j.amount(r.Settle.LargestExpanded), "verdict", r.Settle.Verdict.Fact())
	}
	return fact.New("reference.on-the-limit")
}

// score is the new score with its uncertainty, where that is known.
func (j *judgement) score() fact.Amount {
	if u := j.options.Uncertainty.Expanded(); finite(u) {
		return j.amount(j.value).Within(u)
	}
	return j.amount(j.value)
}

// expected says where the next good card should be.
func (j *judgement) expected() fact.Fact {
	p := j.out.Prediction
	return fact.New("reference.expected", "n", j.basis.N, "range", j.span(p.Limits), "confidence", percent(p.Confidence))
}

func (j *judgement) span(l conformity.Limits) fact.Fact {
	switch {
	case l.Low != nil && l.High != nil:
		return fact.New("reference.between", "low", j.amount(*l.Low), "high", j.amount(*l.High))
	case l.Low != nil:
		return fact.New("reference.or-more", "low", j.amount(*l.Low))
	case l.High != nil:
		return fact.New("reference.or-less", "high", j.amount(*l.High))
	}
	return fact.New("reference.anywhere")
}

// tooGood says that the score lies beyond the range on the side that is better.
func (j *judgement) tooGood() bool {
	l := j.out.Prediction.Limits
	switch j.options.Direction {
	case HigherIsBetter:
		return l.High != nil && j.value > *l.High
	case LowerIsBetter:
		return l.Low != nil && j.value < *l.Low
	}
	return false
}

func (j *judgement) noteOutliers() {
	for _, o := range j.out.Outliers {
		which := fact.New("reference.score-number", "number", o.Index+1)
		if o.Name != "" {
			which = fact.New("reference.score-named", "number", o.Index+1, "name", o.Name)
		}
		j.note(fact.New("reference.stands-off", "which", which, "value", j.amount(o.Value),
			"g", fact.In(o.G, "").To(0.01), "critical", fact.In(o.Critical, "").To(0.01)))
	}
}

// holdForOutlier overrules a verdict that would be another without an outlier.
func (j *judgement) holdForOutlier(o Outlier, without conformity.Verdict) {
	rest := fact.New("reference.without-it", "verdict", without.Fact())
	if without == conformity.NotRun {
		rest = fact.New("reference.too-few-without-it")
	}
	j.out.Sentence = fact.New("reference.hangs-on-outlier",
		"score", j.score(), "expected", j.expected(),
		"outlier", j.amount(o.Value), "verdict", j.out.Verdict.Fact(), "without", rest)
	j.out.Verdict = conformity.Inconclusive
	j.settle(fact.New("reference.check-card", "outlier", j.amount(o.Value)))
}
