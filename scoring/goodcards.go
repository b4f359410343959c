package scoring

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
	"proveout/scoring/reference"
)

// GoodCards is a set of good cards as it is compared with.
func GoodCards(set *plans.ReferenceSet) reference.Set {
	good := reference.Set{Bench: set.Bench, Unit: set.Unit}
	for i, s := range set.Scores {
		good.Scores, good.Names = append(good.Scores, s.Value), append(good.Names, s.Card)
		if s.Kept != "" {
			good.Kept = append(good.Kept, i)
		}
	}
	return good
}

// goodCards is the set of good cards that a workload is compared with: of this bench
// before one of another, the shop's own before the family's, and examples last. It is
// nil when there is none.
func (j *judge) goodCards(workload string) *plans.ReferenceSet {
	sets := append(slices.Clone(j.in.References), j.in.Family.Reference...)
	if rises := j.in.Family.Thermal.Rises(); len(rises.Scores) > 0 {
		sets = append(sets, rises)
	}
	rank := func(set *plans.ReferenceSet) int {
		switch {
		case set.Example:
			return 1
		case set.Bench != "" && set.Bench != j.in.Job.Bench:
			return 2
		}
		return 3
	}
	var best *plans.ReferenceSet
	for i := range sets {
		if set := &sets[i]; set.Workload == workload && (best == nil || rank(set) > rank(best)) {
			best = set
		}
	}
	return best
}

// Lacking says which required steps of the plan cannot be judged yet, because they
// need good cards that the shop has not measured.
func Lacking(in reading.Input) []fact.Fact {
	var out []fact.Fact
	for i := range in.Plan.Steps {
		j := &judge{in: in, step: &in.Plan.Steps[i]}
		load, workload := plans.SpecOf[plans.Load](j.step), plans.RiseWorkload
		if load.Reference == plans.ReferenceJudge {
			workload = load.Workload
		} else if !plans.SpecOf[plans.Soak](j.step).CompareRise {
			continue
		}
		set := j.goodCards(workload)
		enough := set != nil && !set.Example && len(set.Scores) >= reference.MinScores
		if needed, _ := j.step.Needed(in.Job.Work); needed && !enough {
			out = append(out, fact.New("score.lacking",
				"step", j.step.ID, "n", reference.MinScores, "command", j.addCommand(workload)))
		}
	}
	return out
}

// Outside GoodRange lies one good card in two hundred on the bad side, outside
// failRange one in a thousand: a plan compares several values, and each costs some
// good cards. Our choice; plans prove shows what it lets through.
const GoodRange, failRange = 0.99, 0.998

// besideGoodCards judges the value of a check, in the set's unit, by the prediction
// interval of good cards. Without a set there is nothing to judge by, and examples
// never decide: then it says so, with what makes a set, and there is no outcome.
func (j *judge) besideGoodCards(
	c *outcome.Check, workload string, set *plans.ReferenceSet, o reference.Options,
) *reference.Outcome {
	c.Verdict, c.Rule = conformity.NotRun, string(j.step.Rule)
	makeSet := fact.New("score.make-set", "n", reference.MinScores, "command", j.addCommand(workload))
	switch {
	case set == nil:
		c.Reason, c.Settle = fact.New("score.no-set", "value", c.Text), makeSet
		return nil
	case set.Example:
		c.Reason, c.Settle = fact.New("score.example", "value", c.Text), makeSet
		c.Source = fact.New("score.example-source", "n", len(set.Scores))
		return nil
	}
	o.Bench, o.Direction, o.Rule = j.in.Job.Bench, reference.Direction(set.Better), conformity.Rule(j.step.Rule)
	c.Source = fact.New("score.source", "n", len(set.Scores), "bench", set.Bench)
	if set.Bench == "" {
		c.Source = fact.New("score.source-family", "n", len(set.Scores))
	}
	o.Confidence, o.Failing = GoodRange, failRange
	out, err := reference.Judge(GoodCards(set), *c.Value, o)
	if err != nil {
		c.Verdict, c.Reason = conformity.Inconclusive, because(err)
		return nil
	}
	c.Verdict, c.Reason = out.Verdict, out.Sentence
	if r := out.Conformity; r != nil {
		limits := r.Limits
		limits.Text = limitsText(limits, c.Unit, asComputed)
		c.Limits = &limits
		if r.Standard > 0 {
			c.Probability = number(float64(r.Probability))
		}
	}
	if out.Verdict == conformity.NotRun {
		out.Settle = append(out.Settle, makeSet)
	}
	c.Settle = parts(out.Settle)
	j.out.Findings = append(j.out.Findings, out.Notes...)
	return &out
}

// addCommand is what adds a good card to the shop's own set of a workload.
func (j *judge) addCommand(workload string) string {
	command := "proveout reference add CARD SCORE --family " + j.in.Family.ID
	if v := j.in.Family.Variant; v != "" {
		command += " --variant " + v
	}
	return command + " --workload " + workload + " --bench " + j.in.Job.Bench
}

// scoreAgainstSet judges a score against the good cards of the step's workload.
func (j *loadJudge) scoreAgainstSet(score float64) outcome.Check {
	c := outcome.Check{
		Name: "score", Title: fact.New("score.of", "workload", j.spec.Workload),
		Value: number(score), Text: fact.Text(fact.In(score, "")),
		Informative: j.spec.Reference != plans.ReferenceJudge,
	}
	set := j.goodCards(j.spec.Workload)
	options := reference.Options{Mistakes: fact.New("score.mistakes")}
	card := j.controlCard(j.in.Job.Bench)
	options.Signals = card.Open
	if set != nil {
		c.Unit, c.Text = set.Unit, fact.Text(fact.In(score, set.Unit))
		there := j.controlCard(set.Bench)
		if set.Bench != j.in.Job.Bench && len(there.Runs) > 0 && len(card.Runs) > 0 {
			options.Control = &reference.ControlRuns{SetBench: there.Runs, ThisBench: card.Runs}
		}
	}
	o := j.besideGoodCards(&c, j.spec.Workload, set, options)
	if o == nil {
		return c
	}
	if c.Verdict == conformity.Fail {
		j.suspect(0.4, fact.New("score.not-of-good-cards", "score", c.Text, "limits", c.Limits.Text),
			fact.New("score.not-of-good-cards-look"))
	}
	j.out.Figures = append(j.out.Figures, j.scoreFigure(set, score, o))
	if card.Chart != nil {
		j.out.Figures = append(j.out.Figures, j.controlFigure(&card, set.Unit))
	}
	j.detail("reference", o)
	return c
}

// leastGoodRise is the smallest rise over ambient (K) that a good card showed; 0 where
// nobody measured one.
func (j *judge) leastGoodRise() float64 {
	set := j.goodCards(plans.RiseWorkload)
	if set == nil || set.Example {
		return 0
	}
	least := set.Scores[0].Value
	for _, s := range set.Scores {
		least = math.Min(least, s.Value)
	}
	return least
}

// riseAgainstSet judges a rise over ambient (K), with its standard uncertainty u,
// against those of good cards.
func (j *soakJudge) riseAgainstSet(c *outcome.Check, rise, u float64) {
	set := j.goodCards(plans.RiseWorkload)
	if shared := j.sharedWith(set); shared > 0 {
		u = math.Sqrt(math.Max(0, u*u-shared*shared))
		j.finding(fact.New("soak.error-cancels", "shared", fact.In(2*shared, "K").Digits(2)))
	}
	c.Value, c.U, c.Text = number(rise), number(2*u), fact.Text(fact.In(rise, "K").Within(2*u))
	j.besideGoodCards(c, plans.RiseWorkload, set, reference.Options{
		Uncertainty: conformity.StandardUncertainty(u), Mistakes: fact.New("soak.mistakes"),
	})
}

// sharedWith is the standard uncertainty that a rise has in common with those of a
// set: what the thermometers of the bench are off by, as far as the same read both.
// It cancels in the comparison (JCGM 100:2008, 5.2 and F.1.2).
func (j *soakJudge) sharedWith(set *plans.ReferenceSet) float64 {
	if set == nil || set.Example || set.Bench != "" && set.Bench != j.in.Job.Bench {
		return 0
	}
	shared := 0.0
	if inst, usual := j.readWith(j.heat.from, j.spec.Place(j.in.Family)); inst != nil {
		other := func(s plans.ReferenceScore) bool { return cmp.Or(s.Instrument, usual) != inst.ID }
		if !slices.ContainsFunc(set.Scores, other) {
			shared = standardLimits(inst, quantity.Temperature, j.heat.hottest)
		}
	}
	last, _ := j.attempt.Latest("ambient")
	last.Place = "ambient"
	if inst, usual := j.readWith(last, "ambient"); inst != nil && inst.ID == usual {
		shared = math.Hypot(shared, standardLimits(inst, quantity.Temperature, *j.report.Ambient))
	}
	return shared
}

// readWith is the thermometer of a reading, nil where it is not known, and the id of
// the one that the bench has for a place.
func (j *soakJudge) readWith(r reading.Reading, place string) (inst *plans.Instrument, usual string) {
	if own, ok := j.instrument(reading.Reading{Place: place}, quantity.Temperature); ok {
		usual = own.ID
	}
	if found, ok := j.instrument(r, quantity.Temperature); ok {
		inst = found
	}
	return inst, usual
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
func (j *loadJudge) scoreFigure(set *plans.ReferenceSet, score float64, o *reference.Outcome) outcome.Figure {
	scores := make([]float64, len(set.Scores))
	for i, s := range set.Scores {
		scores[i] = s.Value
	}
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
