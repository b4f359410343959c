package reference

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"proveout/scoring/conformity"
)

// figures prints figures to two significant digits of scale, with the unit; a
// scale of zero prints six significant digits.
func figures(scale float64, unit string) func(float64) string {
	if unit != "" {
		unit = " " + unit
	}
	if !(scale > 0) || math.IsInf(scale, 0) {
		return func(x float64) string { return strconv.FormatFloat(x, 'g', 6, 64) + unit }
	}
	decimals := min(max(1-int(math.Floor(math.Log10(scale))), 0), 12)
	return func(x float64) string {
		s := strconv.FormatFloat(x, 'f', decimals, 64)
		if zero, err := strconv.ParseFloat(s, 64); err == nil && zero == 0 {
			s = strconv.FormatFloat(0, 'f', decimals, 64) // never "-0.0"
		}
		return s + unit
	}
}

func (j *judgement) show() func(float64) string { return figures(j.basis.showScale(), j.set.Unit) }

// showScale is the standard deviation in the unit of the scores, on the bench
// of the new score.
func (b basis) showScale() float64 {
	if b.log {
		return b.SD * b.back(b.move(b.Mean))
	}
	return b.sd()
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func (j *judgement) tooFew() {
	n := len(j.set.Scores)
	missing := MinScores - n
	j.out.Verdict = conformity.NotRun
	have := "There is no known-good score"
	if n > 0 {
		have = "There is only " + count(n, "known-good score")
		if n > 1 {
			have = "There are only " + count(n, "known-good score")
		}
	}
	j.out.Sentence = fmt.Sprintf("%s of this family; %d are needed for a verdict, so the figures are shown as information only.", have, MinScores)
	j.out.Settle = append(j.out.Settle, Remedy{Do: fmt.Sprintf("score %s and add them to the set", count(missing, "more known-good card")), Cards: missing})
}

func (j *judgement) noTransfer() {
	j.out.Verdict = conformity.NotRun
	j.out.Sentence = fmt.Sprintf("The reference set was taken on bench %q and this score on bench %q, and the two cannot be compared: %v. No verdict.",
		j.set.Bench, j.options.Bench, j.blocked)
	here, there := 2, 2
	if c := j.options.Control; c != nil {
		there, here = max(0, 2-len(c.SetBench)), max(0, 2-len(c.ThisBench))
	}
	runs := max(here, there)
	j.out.Settle = append(j.out.Settle, Remedy{
		Do:   "run the control card at least twice on each of the two benches, or take a reference set on this one",
		Runs: runs,
	})
}

// holdForSignals overrules the verdict while the bench itself is in doubt.
func (j *judgement) holdForSignals() {
	if len(j.options.Signals) == 0 {
		return
	}
	j.out.Verdict = conformity.Inconclusive
	j.out.Sentence = fmt.Sprintf("The control card signals a change of this bench (%s), so no score on it is judged until someone has answered that: inconclusive.",
		j.options.Signals[0].Why)
	j.out.Settle = []Remedy{{Do: "find out what changed on the bench, put it right or accept it, answer the signal, and run the load again"}}
}

// noteSet says what a reader should know of the set.
func (j *judgement) noteSet() {
	note := func(format string, a ...any) { j.out.Notes = append(j.out.Notes, fmt.Sprintf(format, a...)) }
	n := j.basis.N
	if n < FewScores {
		few, err := PredictionFactor(n, j.options.Confidence)
		many, err2 := PredictionFactor(20, j.options.Confidence)
		if err == nil && err2 == nil {
			note("%d known-good cards are a small set: with 20 of the same spread the range would be about %.0f %% narrower.", n, 100*(1-many/few))
		}
	}
	if !j.out.Normality.Tested && j.basis.SD > 0 {
		note("Whether the scores are normally distributed cannot be tested: %s. It is assumed.", j.out.Normality.Why)
	}
	if j.out.Normality.Doubtful {
		note("The scores do not look normally distributed (Anderson–Darling A*² %.2f, critical %.3f), so the range rests on their order alone; that needs %d cards for %.0f %%, and %d for the range that covers %.0f %% of all.",
			j.out.Normality.Adjusted, j.out.Normality.Critical,
			j.out.Prediction.Needed, 100*j.options.Confidence, j.out.Tolerance.Needed, 100*j.options.Coverage)
		if !j.basis.log && j.basis.Min > 0 {
			if b, err := newBasis(j.set.Scores, Log, nil); err == nil {
				if a, err := AndersonDarling(b.scores, j.options.NormalitySignificance); err == nil && !a.Doubtful {
					note("On a log scale they do look normal (A*² %.2f).", a.Adjusted)
				}
			}
		}
	}
	if j.basis.SD == 0 {
		note("All scores of the set are equal, so their spread is not known.")
	}
	if t := j.out.Transfer; t != nil {
		note("The set is of bench %q, scaled by %.4f ± %.1f %% (one standard uncertainty) through the control card; this assumes that the benches differ by the same factor for every card.",
			j.set.Bench, t.Ratio, 100*t.Relative)
	}
}

func (j *judgement) tellComparison() {
	show, p, r := j.show(), j.out.Prediction, j.out.Conformity
	if j.out.Value == nil {
		j.lead = "The score is not a number"
		j.out.Sentence = j.lead + ": inconclusive."
		j.out.Settle = append(j.out.Settle, Remedy{Do: "run the load again"})
		return
	}
	score := show(j.value)
	if u := j.options.Uncertainty.Expanded(); u > 0 {
		score += " ± " + show(u)
	}
	j.lead = score + ": " + j.expectation()
	j.out.Sentence = fmt.Sprintf("%s: %s.", j.lead, j.out.Verdict)
	if j.good(p.Limits) {
		j.out.Notes = append(j.out.Notes, "The score is better than good cards show; check that load, settings and clocks are the same as for the set.")
	}
	if j.out.Verdict != conformity.Inconclusive {
		return
	}
	switch {
	case math.IsNaN(r.Probability):
		j.settle(Remedy{Do: "state the uncertainty of the score"})
	case r.Verdict == conformity.Fail && p.Needed > j.basis.N:
		missing := p.Needed - j.basis.N
		j.settle(Remedy{Do: fmt.Sprintf("score %s: a range without an assumed distribution needs %d for %.0f %%",
			count(missing, "more known-good card"), p.Needed, 100*j.options.Confidence), Cards: missing})
	case r.Verdict == conformity.Fail:
		j.settle(Remedy{Do: "take the scores with more digits, so that their spread is seen"})
	case r.Settle != nil && r.Settle.LargestExpanded > 0:
		u := r.Settle.LargestExpanded
		j.settle(Remedy{Do: fmt.Sprintf("measure the score more finely: with U of %s the same score would be a %s",
			show(u), r.Settle.Verdict), LargestU: &u})
	default:
		j.settle(Remedy{Do: "run the load again: the score lies on the limit itself"})
	}
}

// expectation says where the next good card should be.
func (j *judgement) expectation() string {
	p := j.out.Prediction
	return fmt.Sprintf("after %s the next good card is expected %s (%.0f %%)",
		count(j.basis.N, "known-good card"), span(p.Limits, j.show()), 100*p.Confidence)
}

func sentenceCase(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func (j *judgement) settle(r Remedy) { j.out.Settle = append(j.out.Settle, r) }

// good says that the score lies beyond the range on the side that is better.
func (j *judgement) good(l conformity.Limits) bool {
	switch j.options.Direction {
	case HigherIsBetter:
		return l.High != nil && j.value > *l.High
	case LowerIsBetter:
		return l.Low != nil && j.value < *l.Low
	}
	return false
}

func span(l conformity.Limits, show func(float64) string) string {
	switch {
	case l.Low != nil && l.High != nil:
		return fmt.Sprintf("between %s and %s", show(*l.Low), show(*l.High))
	case l.Low != nil:
		return "at " + show(*l.Low) + " or more"
	case l.High != nil:
		return "at " + show(*l.High) + " or less"
	}
	return "anywhere"
}

func (j *judgement) noteOutlier(o Outlier) {
	name := fmt.Sprintf("Score %d of the set", o.Index+1)
	if o.Name != "" {
		name += " (" + o.Name + ")"
	}
	j.out.Notes = append(j.out.Notes, fmt.Sprintf("%s, %s, stands off from the others (Grubbs G %.2f, critical %.2f). Is that card known to be good?",
		name, j.show()(o.Value), o.G, o.Critical))
}

func (j *judgement) holdForOutlier(o Outlier, without conformity.Verdict) {
	score := j.show()(o.Value)
	left := fmt.Sprintf("without it a %s", without)
	if without == conformity.NotRun {
		left = "without it too few are left for a verdict"
	}
	j.out.Sentence = fmt.Sprintf("%s: with the reference score that stands off, %s, the outcome is a %s, %s: inconclusive until someone says whether that card is good.",
		j.lead, score, j.out.Verdict, left)
	j.out.Verdict = conformity.Inconclusive
	j.settle(Remedy{Do: fmt.Sprintf("check the card that scored %s: keep it in the set as good, or take it out", score)})
}
