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
	options := reference.Options{
		Bench: bench, Direction: reference.Direction(set.Better), Rule: conformity.Rule(j.step.Rule),
	}
	card := j.controlCard(bench)
	if there := j.controlCard(set.Bench); set.Bench != bench && len(there.Runs) > 0 && len(card.Runs) > 0 {
		options.Control = &reference.ControlRuns{SetBench: there.Runs, ThisBench: card.Runs}
	}
	options.Signals = card.Open
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
	if card.Chart != nil {
		j.out.Figures = append(j.out.Figures, j.controlFigure(&card, set.Unit))
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

// A ControlCard is what the runs of the shop's control card show of a bench.
type ControlCard struct {
	Runs  []float64          // oldest first
	Last  int                // number of the last run in the shop's register
	Chart *reference.Chart   // nil with less than two runs
	Open  []reference.Signal // that nobody has answered for
}

// ControlCardOn picks the runs of a workload on a bench, draws their chart, and
// finds the signals that no answer speaks for.
func ControlCardOn(
	bench, workload string, runs []reading.ControlRun, answers []reading.SignalAnswer,
) (ControlCard, error) {
	card, numbers := ControlCard{Open: []reference.Signal{}}, []int{}
	for _, r := range runs {
		if r.Bench == bench && r.Workload == workload {
			card.Runs, card.Last, numbers = append(card.Runs, r.Value), r.Seq, append(numbers, r.Seq)
		}
	}
	if len(card.Runs) < 2 {
		return card, nil
	}
	chart, err := reference.ControlChart(card.Runs)
	if err != nil {
		return card, err
	}
	card.Chart = &chart
	answered := 0
	for _, a := range answers {
		if a.Bench == bench && a.Workload == workload {
			answered = max(answered, a.UpTo)
		}
	}
	for _, s := range chart.Signals {
		if numbers[s.Index] > answered {
			card.Open = append(card.Open, s)
		}
	}
	return card, nil
}

// controlCard is the control card on a bench. Runs that no chart can be drawn of
// have none, and no signals.
func (j *loadJudge) controlCard(bench string) ControlCard {
	card, _ := ControlCardOn(bench, j.spec.Workload, j.in.Control, j.in.Answers)
	return card
}

// benchSteady holds the verdict of a load step while a signal of the bench's
// control card waits for an answer.
func (j *loadJudge) benchSteady() {
	open := j.controlCard(j.in.Job.Bench).Open
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
func (j *loadJudge) controlFigure(card *ControlCard, unit string) outcome.Figure {
	chart := card.Chart
	f := outcome.Figure{
		ID: "control", Step: j.step.ID,
		Title:  fact.New("figure.control", "bench", j.in.Job.Bench, "workload", j.spec.Workload),
		Source: fact.New("figure.register"), Samples: int64(len(card.Runs)),
		X: axis(fact.New("figure.axis-run"), ""), Y: axis(fact.New("figure.axis-score"), unit),
		Alt: fact.New("figure.control-alt",
			"runs", fact.New("figure.control-runs", "n", len(card.Runs)),
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
			X: float64(s.Index + 1), Y: card.Runs[s.Index],
			Label: fact.New("figure.signal-" + strings.ReplaceAll(s.Chart, " ", "-")),
		})
	}
	return f
}
