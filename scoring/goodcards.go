package scoring

import (
	"fmt"
	"math"
	"strings"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/scoring/conformity"
	"proveout/scoring/figure"
	"proveout/scoring/reference"
)

// againstGoodCards judges a value in base units against the same value of the
// family's good cards, where lower is better: by the prediction interval.
func (j *judge) againstGoodCards(c Check, good []float64, value, u float64) Check {
	o, err := reference.Judge(reference.Set{Unit: c.Unit, Scores: good}, value, reference.Options{
		Direction: reference.LowerIsBetter, Uncertainty: conformity.StandardUncertainty(u), Rule: conformity.Rule(j.step.Rule)})
	c.Value, c.U, c.Text = number(value), number(2*u), english(showValue(value, 2*u, c.Unit))
	if err != nil {
		c.Verdict, c.Reason = conformity.Inconclusive, english(endSentence(err.Error()))
		return c
	}
	c.fromReference(o)
	return c
}

// fromReference takes over verdict, limits and words of a reference judgement.
func (c *Check) fromReference(o reference.Outcome) {
	c.Verdict, c.Reason = o.Verdict, english(said(o.Sentence))
	if o.Prediction != nil {
		l := Limits{}
		if o.Prediction.Low != nil {
			l.Low = number(*o.Prediction.Low)
		}
		if o.Prediction.High != nil {
			l.High = number(*o.Prediction.High)
		}
		l.Text = english(rangeText(o.Prediction.Limits, c.Unit))
		c.Limits = &l
	}
	if o.Conformity != nil {
		c.Probability = number(float64(o.Conformity.Probability))
	}
	var settle []string
	for _, r := range o.Settle {
		settle = append(settle, said(r.Do))
	}
	c.Settle = english(strings.Join(settle, "; "))
}

func rangeText(l conformity.Limits, unit string) string {
	switch {
	case l.Low != nil && l.High != nil:
		return trimmed4(*l.Low) + " to " + withUnit(trimmed4(*l.High), unit)
	case l.Low != nil:
		return "at least " + withUnit(trimmed4(*l.Low), unit)
	case l.High != nil:
		return "at most " + withUnit(trimmed4(*l.High), unit)
	}
	return ""
}

func trimmed4(v float64) string { return significant(v, 4) }

// scoreAgainstSet judges a score against the reference set of the step's
// workload. It reports false when there is no such set at all.
func (j *loadJudge) scoreAgainstSet(score float64, unit string) (Check, bool) {
	set, ok := j.referenceSet()
	if !ok {
		return Check{}, false
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
	o, err := reference.Judge(reference.Set{Bench: set.Bench, Unit: set.Unit, Scores: scores, Names: names}, score, options)
	c := Check{Name: "score", Title: english("Score, " + j.spec.Workload), Unit: set.Unit, Value: number(score), Text: english(withUnit(trimmed4(score), set.Unit)),
		Source: english(fmt.Sprintf("%d known-good cards of the family on %s", len(scores), set.Bench)), Rule: string(j.step.Rule)}
	if err != nil {
		c.Verdict, c.Reason = conformity.Inconclusive, english(endSentence(err.Error()))
		return c, true
	}
	c.fromReference(o)
	if j.spec.Reference != plans.ReferenceJudge {
		c.Informative = true
	}
	if c.Verdict == conformity.Fail {
		j.cause(0.4, "the score "+said(c.Text)+" does not belong with good cards of the family ("+said(c.Limits.Text)+")", "Link rate, clocks and memory width first; then throttling; then the bench itself with the control card.")
	}
	for _, n := range saidAll(o.Notes) {
		j.remark("%s", n)
	}
	j.out.Figures = append(j.out.Figures, j.scoreFigure(set, scores, score, o))
	if f, ok := j.controlFigure(bench, set.Unit); ok {
		j.out.Figures = append(j.out.Figures, f)
	}
	if j.out.Detail == nil {
		j.out.Detail = map[string]any{}
	}
	j.out.Detail["reference"] = o
	return c, true
}

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
	first := open[0]
	j.check(Check{Name: "control-card", Title: english("Control card of the bench"), Verdict: conformity.Inconclusive, Text: english(fmt.Sprintf("%d open", len(open))), Limits: &Limits{Text: english("no open signal")},
		Reason: english(fmt.Sprintf("The control card shows that the bench has changed (%s), and nobody has looked into it yet.", said(first.Why))),
		Settle: english("Look into it, then: proveout reference answer --workload " + j.spec.Workload + " TEXT.")})
}

// scoreFigure draws the new score among those of good cards.
func (j *loadJudge) scoreFigure(set *plans.ReferenceSet, scores []float64, score float64, o reference.Outcome) figure.Figure {
	f := figure.Figure{ID: "reference", Step: j.step.ID, Title: "Score against good cards: " + j.spec.Workload,
		Source: fmt.Sprintf("reference set of %s", set.Bench), Samples: int64(len(scores)),
		X: figure.Axis{Name: "score", Unit: set.Unit}, Y: figure.Axis{Name: "", Categories: []string{"good cards", "this card"}}}
	good := figure.Series{Name: "good cards", Style: figure.Points}
	for _, s := range scores {
		good.X, good.Y = append(good.X, s), append(good.Y, 0)
	}
	f.Series = append(f.Series, good, figure.Series{Name: "this card", Style: figure.Points, X: []float64{score}, Y: []float64{1}})
	band := func(name string, l conformity.Limits) {
		if l.Low == nil && l.High == nil {
			return
		}
		low, high := bounds(scores, score)
		if l.Low != nil {
			low = *l.Low
		}
		if l.High != nil {
			high = *l.High
		}
		f.Bands = append(f.Bands, figure.Band{Name: name, Low: low, High: high, Vertical: true})
	}
	if o.Prediction != nil {
		band("where the next good card is expected (95 %)", o.Prediction.Limits)
	}
	f.Alt = fmt.Sprintf("%s among %d good cards. %s", withUnit(trimmed4(score), set.Unit), len(scores), said(o.Sentence))
	return f
}

func bounds(scores []float64, score float64) (low, high float64) {
	low, high = score, score
	for _, s := range scores {
		low, high = math.Min(low, s), math.Max(high, s)
	}
	pad := (high - low) * 0.1
	return low - pad, high + pad
}

// controlFigure draws the chart of the bench's control card.
func (j *loadJudge) controlFigure(bench, unit string) (figure.Figure, bool) {
	runs := j.runsOf(bench)
	if len(runs) < 2 {
		return figure.Figure{}, false
	}
	chart, err := reference.ControlChart(controlValues(runs))
	if err != nil {
		return figure.Figure{}, false
	}
	f := figure.Figure{ID: "control", Step: j.step.ID, Title: "Control card on " + bench + ": " + j.spec.Workload, Source: "register of the shop", Samples: int64(len(runs)),
		X: figure.Axis{Name: "run", Unit: ""}, Y: figure.Axis{Name: "score", Unit: unit}}
	each := figure.Series{Name: "control card", Style: figure.Points}
	smooth := figure.Series{Name: "weighted average", Style: figure.Dashed}
	for i, v := range chart.Runs {
		each.X, each.Y = append(each.X, float64(i+1)), append(each.Y, v)
		if i < len(chart.EWMA) {
			smooth.X, smooth.Y = append(smooth.X, float64(i+1)), append(smooth.Y, chart.EWMA[i])
		}
	}
	f.Series = append(f.Series, each, smooth)
	f.Limits = append(f.Limits, figure.Limit{Name: "centre", At: chart.Center})
	f.Bands = append(f.Bands, figure.Band{Name: "where an undisturbed bench stays", Low: chart.Low, High: chart.High})
	for _, s := range chart.Signals {
		f.Marks = append(f.Marks, figure.Mark{X: float64(s.Index + 1), Y: runs[s.Index].Value, Label: s.Chart})
	}
	f.Alt = fmt.Sprintf("%d runs of the control card around %.4g, %d signals.", len(runs), chart.Center, len(chart.Signals))
	return f, true
}
