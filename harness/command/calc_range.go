package command

import (
	"cmp"
	"errors"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/reference"
)

func (c *Console) calcRange() *cli.Command {
	n, o, set := &numbers{}, &reference.Options{}, &reference.Set{}
	value := 0.0
	uncertainty := func(u float64) { o.Uncertainty = conformity.StandardUncertainty(u) }
	return &cli.Command{
		Name:      "range",
		Usage:     "does a new score belong with the scores of known-good cards",
		ArgsUsage: "SCORE…",
		Description: "The arguments are the known-good scores, at least five for a verdict. Without\n" +
			"--value the set alone is described.",
		Flags: []cli.Flag{
			n.flag("value", "the new `SCORE`", to(&value)),
			textFlag("unit", "`UNIT` of the scores"),
			choice("better", "which scores are good: `WAY` higher, lower or both",
				func(way string) { o.Direction = reference.Direction(way) }, "higher", "lower", "both").or("both"),
			boolFlag("log", "take the logarithms to be normal"),
			number("confidence", "`C` of the prediction and the tolerance interval", to(&o.Confidence)).or("0.95"),
			number("coverage", "share `P` of good cards that the tolerance interval covers", to(&o.Coverage)).or("0.95"),
			n.flag("u", "standard uncertainty `U` of the new score beyond the scatter of the set", uncertainty),
			boolFlag("keep-outlier", "the scores that stand off were looked into and belong to the set"),
			jsonFlag,
		},
		Action: func(x *cli.Context) error {
			var err error
			if set.Scores, err = n.scores(x.Args().Slice()); err != nil {
				return err
			}
			set.Unit = cmp.Or(x.String("unit"), n.unit)
			o.Log = x.Bool("log")
			for i := range set.Scores {
				if x.Bool("keep-outlier") {
					set.Kept = append(set.Kept, i)
				}
			}
			var r reference.Outcome
			if x.IsSet("value") {
				r, err = reference.Judge(*set, value, *o)
			} else {
				r, err = reference.Ranges(*set, *o)
				r.Verdict, r.Sentence, r.Settle = conformity.NotApplicable, fact.New("reference.set-alone"), nil
			}
			if err != nil {
				return err
			}
			passed := r.Verdict == conformity.Pass || r.Verdict == conformity.NotApplicable
			return c.give(x, r, passed, func(p *printer) { printRange(p, &r) })
		},
	}
}

// scores reads the scores of the arguments, of which each may hold several.
func (n *numbers) scores(words []string) ([]float64, error) {
	scores, _, err := n.list(strings.Join(words, " "), ",; ")
	if err == nil && len(scores) == 0 {
		err = errors.New("give the known-good scores as arguments, as in: " +
			"proveout calc range 41.2 40.8 41.9 40.1 41.5 --value 40.9")
	}
	return scores, err
}

func printRange(p *printer, r *reference.Outcome) {
	in := func(v float64) string { return p.Tell(fact.Text(toUncertainty(fact.In(v, r.Unit), r.SD))) }
	two := func(v float64) string { return p.Tell(fact.Text(fact.In(v, r.Unit).Digits(2))) }
	rows := [][]string{
		{"scores", fmt.Sprint(r.N)},
		{"mean", in(r.Mean)},
		{"standard deviation", fmt.Sprintf("%s (robust %s)", two(r.SD), two(r.RobustSD))},
		{"median", in(r.Median)},
	}
	row := func(label, format string, args ...any) {
		rows = append(rows, []string{label, fmt.Sprintf(format, args...)})
	}
	if i := r.Prediction; i != nil {
		row("next good card", "%s (%.0f %%, %s)", limitsText(i.Limits, in), 100*i.Confidence, i.Method)
	}
	if i := r.Prediction; i != nil && i.TooGood != nil {
		row("asked about", "beyond %s", in(*i.TooGood))
	}
	if i := r.Tolerance; i != nil && (i.Low != nil || i.High != nil) {
		row(fmt.Sprintf("%.0f %% of good cards", 100*i.Coverage),
			"%s (with %.0f %% confidence)", limitsText(i.Limits, in), 100*i.Confidence)
	}
	if r.Normality.Tested {
		row("normality", "A² = %.4f, p = %.3g", r.Normality.A2, r.Normality.P)
	}
	if r.Percentile != nil {
		row("percentile", "%s", p.Tell(fact.Text(workflow.Probability(*r.Percentile/100))))
	}
	if r.Value != nil {
		p.verdict(r.Verdict)
	}
	p.say(r.Sentence)
	p.gap()
	p.table(rows...)
	p.lead("Note: ", r.Notes...)
	p.lead("To settle it: ", r.Settle...)
}
