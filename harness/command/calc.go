package command

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/reference"
)

func (c *Console) calcCommands() *cli.Command {
	return &cli.Command{
		Name:  "calc",
		Usage: "use one computation alone",
		Subcommands: []*cli.Command{
			c.calcConform(), c.calcRange(), c.calcThermal(), c.calcFrames(), c.calcSoakLength(),
			c.calcPCI(), c.calcEDID(), c.calcTiming(), c.calcClock(), c.calcMemorySize(), c.calcMemoryFaults(),
		},
	}
}

func (c *Console) calcRange() *cli.Command {
	return &cli.Command{
		Name:      "range",
		Usage:     "does a new score belong with the scores of known-good cards",
		ArgsUsage: "SCORE…",
		Description: "The arguments are the known-good scores, at least five for a verdict. Without\n" +
			"--value the set alone is described.",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "value", Usage: "the new `SCORE`"},
			&cli.StringFlag{Name: "unit", Usage: "`UNIT` of the scores"},
			&cli.StringFlag{Name: "better", Usage: "which scores are good: `WAY` higher, lower or both", Value: "both"},
			&cli.BoolFlag{Name: "log", Usage: "take the logarithms to be normal"},
			&cli.StringFlag{Name: "confidence", Usage: "`C` of the prediction and the tolerance interval", Value: "0.95"},
			&cli.StringFlag{Name: "coverage", Value: "0.95",
				Usage: "share `P` of good cards that the tolerance interval covers"},
			&cli.StringFlag{Name: "u", Usage: "standard uncertainty `U` of the new score beyond the scatter of the set"},
			&cli.BoolFlag{Name: "keep-outlier", Usage: "the outlier was looked into and belongs to the set"},
			jsonFlag,
		},
		Action: c.runRange,
	}
}

func (c *Console) runRange(x *cli.Context) error {
	n := &numbers{x: x}
	var scores []float64
	for _, word := range x.Args().Slice() {
		for _, part := range strings.FieldsFunc(word, func(r rune) bool { return r == ',' || r == ';' || r == ' ' }) {
			scores = append(scores, n.parse("score", part))
		}
	}
	if len(scores) == 0 {
		return errors.New("give the known-good scores as arguments, as in: " +
			"proveout calc range 41.2 40.8 41.9 40.1 41.5 --value 40.9")
	}
	value := n.get("value")
	o := reference.Options{
		Confidence:  n.parse("confidence", x.String("confidence")),
		Coverage:    n.parse("coverage", x.String("coverage")),
		Log:         x.Bool("log"),
		KeepOutlier: x.Bool("keep-outlier"),
	}
	if x.IsSet("u") {
		o.Uncertainty = conformity.StandardUncertainty(n.get("u"))
	}
	if n.err != nil {
		return n.err
	}
	switch x.String("better") {
	case "higher":
		o.Direction = reference.HigherIsBetter
	case "lower":
		o.Direction = reference.LowerIsBetter
	case "both":
		o.Direction = reference.TwoSided
	default:
		return fmt.Errorf("--better: %q is not higher, lower or both", x.String("better"))
	}
	r, err := reference.Judge(reference.Set{Unit: firstOf(x.String("unit"), n.unit), Scores: scores}, value, o)
	if err != nil {
		return err
	}
	if !x.IsSet("value") {
		r.Verdict, r.Sentence = conformity.NotApplicable, fact.New("reference.set-alone")
		r.Settle = nil
	}
	if x.Bool("json") {
		err = c.answer(r)
	} else {
		c.printRange(&r)
	}
	if err == nil && x.IsSet("value") && r.Verdict != conformity.Pass {
		err = errNotPassed
	}
	return err
}

func (c *Console) printRange(r *reference.Outcome) {
	w := c.Out
	if r.Value != nil {
		fmt.Fprintln(w, strings.ToUpper(r.Verdict.String()))
	}
	fold(w, "", c.words().Tell(r.Sentence))
	unit := func(v float64) string { return strings.TrimSpace(fmt.Sprintf("%.6g %s", v, r.Unit)) }
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "\nscores\t%d\n", r.N)
	fmt.Fprintf(t, "mean\t%s\n", unit(r.Mean))
	fmt.Fprintf(t, "standard deviation\t%s (robust %s)\n", unit(r.SD), unit(r.RobustSD))
	fmt.Fprintf(t, "median\t%s\n", unit(r.Median))
	if r.Prediction != nil {
		fmt.Fprintf(t, "next good card\t%s (%.0f %%, %s)\n",
			limitsText(r.Prediction.Limits, unit), 100*r.Prediction.Confidence, r.Prediction.Method)
	}
	if r.Tolerance != nil && (r.Tolerance.Low != nil || r.Tolerance.High != nil) {
		fmt.Fprintf(t, "%.0f %% of good cards\t%s (with %.0f %% confidence)\n",
			100*r.Tolerance.Coverage, limitsText(r.Tolerance.Limits, unit), 100*r.Tolerance.Confidence)
	}
	if r.Normality.Tested {
		fmt.Fprintf(t, "normality\tA² = %.4f, p = %.3g\n", r.Normality.A2, r.Normality.P)
	}
	if r.Percentile != nil {
		fmt.Fprintf(t, "percentile\t%.1f\n", *r.Percentile)
	}
	t.Flush()
	for _, o := range r.Outliers {
		fold(w, "", fmt.Sprintf("Outlier: %s (G = %.4f, critical %.4f). Look into it; nothing is taken out by itself.",
			unit(o.Value), o.G, o.Critical))
	}
	for _, n := range c.words().TellAll(r.Notes) {
		fold(w, "", "Note: "+n)
	}
	for _, s := range r.Settle {
		fold(w, "", "To settle it: "+c.words().Tell(s.Do))
	}
}

// mapFor returns the map of --map, or the one that the log itself suggests.
func (c *Console) mapFor(x *cli.Context, name string) (logs.Map, error) {
	if x.String("map") != "" {
		shop, _ := c.shopDir(x)
		return c.logMap(shop, x.String("map"))
	}
	f, err := os.Open(c.path(name))
	if err != nil {
		return logs.Map{}, err
	}
	defer f.Close()
	m, _, err := logs.Sniff(name, f)
	return m, err
}

func (c *Console) streamLog(name string, m logs.Map, each func(*logs.Batch) error) (logs.Summary, error) {
	f, err := os.Open(c.path(name))
	if err != nil {
		return logs.Summary{}, err
	}
	defer f.Close()
	return logs.Read(logs.Input{Name: name, Reader: f}, m, each)
}

// columnOf finds the first column of a quantity in a map; −1 when there is none.
func columnOf(m logs.Map) func(quantity string) int {
	return func(quantity string) int {
		return slices.IndexFunc(m.Columns, func(col logs.Column) bool { return col.Quantity == quantity })
	}
}
