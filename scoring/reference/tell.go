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
func percent(share float64) fact.Amount { return fact.In(math.Round(1000*share)/10, "%").Whole() }

func (j *judgement) tooFew() {
	n := len(j.set.Scores)
	j.out.Sentence = fact.New("reference.none-known", "needed", MinScores)
	if n > 0 {
		j.out.Sentence = fact.New("reference.too-few", "n", n, "needed", MinScores)
	}
	j.settle(fact.New("reference.score-more", "n", MinScores-n))
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
		j.note(fact.New("reference.small-set", "n", n, "ample", ampleScores, "narrower", fact.In(100*narrower, "%").To(1)))
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
		j.note(fact.New("reference.equal-set", "step", fact.In(lastDigit(j.set.Scores), j.set.Unit).Whole()))
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
	p := j.out.Prediction
	if j.out.Verdict == conformity.Inconclusive && tooGood(*p, *j.out.Conformity, j.options.Direction) {
		j.out.Sentence = fact.New("reference.too-good",
			"score", j.score(), "expected", j.expected(), "limit", j.amount(*p.TooGood))
		mistakes := j.options.Mistakes
		if mistakes.IsZero() {
			mistakes = fact.New("reference.mistakes")
		}
		j.settle(mistakes)
		return
	}
	j.out.Sentence = fact.New("reference.compared",
		"score", j.score(), "expected", j.expected(), "verdict", j.out.Verdict.Fact())
	if p.better(j.value, j.options.Direction) {
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
	case r.Verdict == conformity.Fail && !failing(*p, j.value, j.options):
		return fact.New("reference.rare")
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

// expected says where the next good card should be: on the bad side alone where
// one side is the better one, which holds for half as many of the others.
func (j *judgement) expected() fact.Fact {
	p, confidence := j.out.Prediction, j.out.Prediction.Confidence
	if j.options.Direction != TwoSided {
		confidence = (1 + confidence) / 2
	}
	within := j.span(j.options.Direction.open(p.Limits))
	return fact.New("reference.expected", "n", j.basis.N, "range", within, "confidence", percent(confidence))
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

func (j *judgement) noteOutliers() {
	for _, o := range j.out.Outliers {
		which := fact.New("reference.score-number", "number", o.Index+1)
		if o.Name != "" {
			which = fact.New("reference.score-named", "number", o.Index+1, "name", o.Name)
		}
		says := fact.New("reference.stands-off", "which", which, "value", j.amount(o.Value))
		if o.Kept {
			says = fact.New("reference.kept", "which", which, "value", j.amount(o.Value))
		}
		j.note(says)
	}
	if n := len(j.out.Outliers); n > 0 {
		last := j.out.Outliers[n-1]
		j.note(fact.New("reference.found-by", "n", n,
			"r", fact.In(last.R, "").To(0.01), "critical", fact.In(last.Critical, "").To(0.01)))
	}
}

// holdForOutliers overrules a verdict that would be another without the outliers.
func (j *judgement) holdForOutliers(found []Outlier, without conformity.Verdict) {
	rest := fact.New("reference.without-them", "verdict", without.Fact())
	if without == conformity.NotRun {
		rest = fact.New("reference.too-few-without-them")
	}
	var values []fact.Arg
	for _, o := range found {
		values = append(values, j.amount(o.Value))
	}
	which := fact.List{Join: fact.And, Items: values}
	j.out.Sentence = fact.New("reference.hangs-on-outliers",
		"score", j.score(), "expected", j.expected(),
		"outliers", which, "verdict", j.out.Verdict.Fact(), "without", rest)
	j.out.Verdict = conformity.Inconclusive
	j.settle(fact.New("reference.check-cards", "outliers", which))
}
