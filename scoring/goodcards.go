package scoring

import (
	"math"
	"slices"
	"strings"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
	"proveout/scoring/reference"
)

// againstGoodCards judges a value in base units against the same value of the
// family's good cards, where lower is better: by the prediction interval.
func (j *judge) againstGoodCards(c outcome.Check, good []float64, value, u float64) outcome.Check {
	o, err := reference.Judge(reference.Set{Unit: c.Unit, Scores: good}, value, reference.Options{
		Direction: reference.LowerIsBetter, Rule: conformity.Rule(j.step.Rule),
		Uncertainty: conformity.StandardUncertainty(u),
	})
	c.Value, c.U, c.Text = number(value), number(2*u), fact.Text(fact.In(value, c.Unit).Within(2*u))
	fromReference(&c, o, err)
	return c
}

// fromReference takes over verdict, limits and words of a reference judgement,
// or why there is none.
func fromReference(c *outcome.Check, o reference.Outcome, err error) {
	if err != nil {
		c.Verdict, c.Reason = conformity.Inconclusive, because(err)
		return
	}
	c.Verdict, c.Reason = o.Verdict, o.Sentence
	if o.Prediction != nil {
		limits := o.Prediction.Limits
		limits.Text = limitsText(limits, c.Unit, asComputed)
		c.Limits = &limits
	}
	if o.Conformity != nil {
		c.Probability = number(float64(o.Conformity.Probability))
	}
	c.Settle = parts(o.Settle)
}

// scoreAgainstSet judges a score against the reference set of the step's
// workload. It reports false when there is no such set at all.
func (j *loadJudge) scoreAgainstSet(score float64) (outcome.Check, bool) {
	set, ok := j.referenceSet()
	if !ok {
		return outcome.Check{}, false
	}
	names := make([]string, len(set.Scores))
	scores := make([]float64, len(set.Scores))
	for i, s := range set.Scores {
		names[i], scores[i] = s.Card, s.Value
	}
	bench := j.in.Job.Bench
	options := reference.Options{Bench: bench, Direction: direction(set.Better), Rule: conformity.Rule(j.step.Rule)}
	if set.Bench != bench {
		if runs := j.controlRuns(set.Bench, bench); runs != nil {
			options.Control = runs
		}
	}
	options.Signals = j.openSignals(bench)
	good := reference.Set{Bench: set.Bench, Unit: set.Unit, Scores: scores, Names: names}
	o, err := reference.Judge(good, score, options)
	c := outcome.Check{
		Name: "score", Title: j.scoreTitle(), Unit: set.Unit,
		Value: number(score), Text: fact.Text(fact.In(score, set.Unit)), Rule: string(j.step.Rule),
		Source: fact.New("score.source", "n", len(scores), "bench", set.Bench),
	}
	fromReference(&c, o, err)
	if err != nil {
		return c, true
	}
	c.Informative = j.spec.Reference != plans.ReferenceJudge
	if c.Verdict == conformity.Fail {
		j.suspect(0.4, fact.New("score.not-of-good-cards", "score", c.Text, "limits", c.Limits.Text),
			fact.New("score.not-of-good-cards-look"))
	}
	j.out.Findings = append(j.out.Findings, o.Notes...)
	j.out.Figures = append(j.out.Figures, j.scoreFigure(set, scores, score, o))
	if f, ok := j.controlFigure(bench, set.Unit); ok {
		j.out.Figures = append(j.out.Figures, f)
	}
	j.detail("reference", o)
	return c, true
}

// scoreWithoutSet shows a score that nothing can be held against.
func (j *loadJudge) scoreWithoutSet(score float64) outcome.Check {
	return outcome.Check{
		Name: "score", Title: j.scoreTitle(), Value: number(score), Text: fact.Text(fact.In(score, "")),
		Informative: j.spec.Reference != plans.ReferenceJudge,
		Reason:      fact.New("score.no-set"), Settle: fact.New("score.no-set-settle"),
	}
}

func (j *loadJudge) scoreTitle() fact.Fact { return fact.New("score.of", "workload", j.spec.Workload) }

// referenceSet returns the set of the workload on this bench, the shop's own
// before the family's, else one of another bench.
func (j *loadJudge) referenceSet() (*plans.ReferenceSet, bool) {
	var other *plans.ReferenceSet
	for _, sets := range [][]plans.ReferenceSet{j.in.References, j.in.Family.Reference} {
		for i := range sets {
			if sets[i].Workload != j.spec.Workload {
				continue
			}
			if sets[i].Bench == j.in.Job.Bench {
				return &sets[i], true
			}
			if other == nil {
				other = &sets[i]
			}
		}
	}
	return other, other != nil
}

func direction(better string) reference.Direction {
	switch better {
	case "higher":
		return reference.HigherIsBetter
	case "lower":
		return reference.LowerIsBetter
	}
	return reference.TwoSided
}

func (j *loadJudge) runsOf(bench string) []reading.ControlRun {
	var out []reading.ControlRun
	for _, r := range j.in.Control {
		if r.Bench == bench && r.Workload == j.spec.Workload {
			out = append(out, r)
		}
	}
	return out
}

func controlValues(runs []reading.ControlRun) []float64 {
	out := make([]float64, len(runs))
	for i, r := range runs {
		out[i] = r.Value
	}
	return out
}

// controlRuns returns the control card's runs on two benches, nil when it was
// not run on both.
func (j *loadJudge) controlRuns(set, here string) *reference.ControlRuns {
	there, now := controlValues(j.runsOf(set)), controlValues(j.runsOf(here))
	if len(there) == 0 || len(now) == 0 {
		return nil
	}
	return &reference.ControlRuns{SetBench: there, ThisBench: now}
}

// openSignals returns the signals of the bench's control card that nobody has
// answered yet.
func (j *loadJudge) openSignals(bench string) []reference.Signal {
	runs := j.runsOf(bench)
	if len(runs) < 3 {
		return nil
	}
	chart, err := reference.ControlChart(controlValues(runs))
	if err != nil {
		return nil
	}
	answered := 0
	for _, a := range j.in.Answers {
		if a.Bench == bench && a.Workload == j.spec.Workload {
			answered = max(answered, a.UpTo)
		}
	}
	var open []reference.Signal
	for _, s := range chart.Signals {
		if runs[s.Index].Seq > answered {
			open = append(open, s)
		}
	}
	return open
}

// benchSteady holds the verdict of a load step while a signal of the bench's
// control card waits for an answer.
func (j *loadJudge) benchSteady() {
	open := j.openSignals(j.in.Job.Bench)
	if len(open) == 0 {
		return
	}
	j.check(outcome.Check{
		Name: "control-card", Title: fact.New("score.control-card"), Verdict: conformity.Inconclusive,
		Text:   fact.New("score.open-signals", "n", len(open)),
		Limits: &conformity.Limits{Text: fact.New("score.no-open-signal")},
		Reason: fact.New("score.bench-changed", "why", open[0].Why),
		Settle: fact.New("score.bench-changed-settle", "workload", j.spec.Workload),
	})
}

// scoreFigure draws the new score among those of good cards.
func (j *loadJudge) scoreFigure(
	set *plans.ReferenceSet, scores []float64, score float64, o reference.Outcome,
) outcome.Figure {
	goodCards, thisCard := fact.New("figure.good-cards"), fact.New("figure.this-card")
	cards := axis(fact.Fact{}, "")
	cards.Categories = []fact.Fact{goodCards, thisCard}
	f := outcome.Figure{
		ID: "reference", Step: j.step.ID, Title: fact.New("figure.score", "workload", j.spec.Workload),
		Source: fact.New("figure.reference-set", "bench", set.Bench), Samples: int64(len(scores)),
		X: axis(fact.New("figure.axis-score"), set.Unit), Y: cards,
		Alt: fact.New("figure.score-alt",
			"score", fact.In(score, set.Unit), "n", len(scores), "verdict", o.Sentence),
	}
	good := outcome.Series[fact.Fact]{Name: goodCards, Style: outcome.Points}
	for _, s := range scores {
		good.Add(s, 0)
	}
	this := outcome.Series[fact.Fact]{Name: thisCard, Style: outcome.Points}
	this.Add(score, 1)
	f.Series = append(f.Series, good, this)
	if p := o.Prediction; p != nil && (p.Low != nil || p.High != nil) {
		low, high := bounds(scores, score)
		if p.Low != nil {
			low = *p.Low
		}
		if p.High != nil {
			high = *p.High
		}
		f.Bands = append(f.Bands, outcome.Band[fact.Fact]{
			Name: fact.New("figure.next-good-card"), Low: low, High: high, Vertical: true,
		})
	}
	return f
}

func bounds(scores []float64, score float64) (low, high float64) {
	low, high = math.Min(score, slices.Min(scores)), math.Max(score, slices.Max(scores))
	pad := (high - low) * 0.1
	return low - pad, high + pad
}

// controlFigure draws the chart of the bench's control card.
func (j *loadJudge) controlFigure(bench, unit string) (outcome.Figure, bool) {
	runs := j.runsOf(bench)
	if len(runs) < 2 {
		return outcome.Figure{}, false
	}
	chart, err := reference.ControlChart(controlValues(runs))
	if err != nil {
		return outcome.Figure{}, false
	}
	f := outcome.Figure{
		ID: "control", Step: j.step.ID,
		Title:  fact.New("figure.control", "bench", bench, "workload", j.spec.Workload),
		Source: fact.New("figure.register"), Samples: int64(len(runs)),
		X: axis(fact.New("figure.axis-run"), ""), Y: axis(fact.New("figure.axis-score"), unit),
		Alt: fact.New("figure.control-alt",
			"runs", fact.New("figure.control-runs", "n", len(runs)),
			"centre", fact.In(chart.Center, ""),
			"signals", fact.New("figure.control-signals", "n", len(chart.Signals))),
	}
	each := outcome.Series[fact.Fact]{Name: fact.New("figure.control-card"), Style: outcome.Points}
	smooth := outcome.Series[fact.Fact]{Name: fact.New("figure.weighted-average"), Style: outcome.Dashed}
	for i, v := range chart.Runs {
		each.Add(float64(i+1), v)
		smooth.Add(float64(i+1), chart.EWMA[i])
	}
	f.Series = append(f.Series, each, smooth)
	f.Limits = append(f.Limits, outcome.LimitLine[fact.Fact]{Name: fact.New("figure.centre"), At: chart.Center})
	f.Bands = append(f.Bands, outcome.Band[fact.Fact]{
		Name: fact.New("figure.undisturbed-bench"), Low: chart.Low, High: chart.High,
	})
	for _, s := range chart.Signals {
		f.Marks = append(f.Marks, outcome.Mark[fact.Fact]{
			X: float64(s.Index + 1), Y: runs[s.Index].Value,
			Label: fact.New("figure.signal-" + strings.ReplaceAll(s.Chart, " ", "-")),
		})
	}
	return f, true
}
