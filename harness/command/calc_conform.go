package command

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/urfave/cli/v2"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

func (c *Console) calcConform() *cli.Command {
	return &cli.Command{
		Name:  "conform",
		Usage: "judge one value with its uncertainty against limits",
		Description: "Give the uncertainty as --u (standard) or --expanded with --k, or let it be\n" +
			"combined from --instrument, --resolution and --readings (JCGM 100:2008).\n" +
			"All numbers are in one unit; it may be written behind any of them.",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "value", Usage: "the measured `VALUE`; not needed with --readings"},
			&cli.StringFlag{Name: "low", Usage: "lower `LIMIT`"},
			&cli.StringFlag{Name: "high", Usage: "upper `LIMIT`"},
			&cli.StringFlag{Name: "u", Usage: "standard uncertainty `U`"},
			&cli.StringFlag{Name: "expanded", Usage: "expanded uncertainty `U`"},
			&cli.StringFlag{Name: "k", Usage: "coverage factor `K` of --expanded", Value: "2"},
			&cli.StringFlag{Name: "instrument", Usage: "limits ±`A` of the instrument, rectangular"},
			&cli.StringFlag{Name: "resolution", Usage: "one `STEP` of the display"},
			&cli.StringFlag{Name: "readings", Usage: "repeated `READINGS`, separated by commas"},
			&cli.StringFlag{Name: "rule", Usage: "decision `RULE`: guarded or simple", Value: "guarded"},
			&cli.StringFlag{Name: "prior-mean", Usage: "`MEAN` of good and bad cards before measuring"},
			&cli.StringFlag{Name: "prior-sd", Usage: "standard deviation `SD` of the same"},
			jsonFlag,
		},
		Action: c.runConform,
	}
}

// conformAnswer is what calc conform prints.
type conformAnswer struct {
	Unit string `json:"unit"`
	conformity.Result
	Budget   *conformity.Budget       `json:"budget,omitempty"`
	Specific *conformity.SpecificRisk `json:"specific_risk,omitempty"`
	Global   *conformity.GlobalRisk   `json:"global_risk,omitempty"`
	Prior    *conformity.Prior        `json:"prior,omitempty"`
}

func (c *Console) runConform(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	n := &numbers{x: x}
	value, readings := n.get("value"), n.list("readings")
	if len(readings) > 0 {
		if x.IsSet("value") {
			return errors.New("give --value or --readings, not both: the mean of the readings is the value")
		}
		value = meanOf(readings)
	} else if !x.IsSet("value") {
		return errors.New("give the measured value: --value VALUE or --readings A,B,C")
	}
	var limits conformity.Limits
	if x.IsSet("low") {
		v := n.get("low")
		limits.Low = &v
	}
	if x.IsSet("high") {
		v := n.get("high")
		limits.High = &v
	}
	u, budget, err := n.uncertainty(readings)
	if err = errors.Join(n.err, err); err != nil {
		return err
	}
	r, err := conformity.Judge(value, u, limits, conformity.Rule(x.String("rule")))
	if err != nil {
		return err
	}
	a := conformAnswer{Unit: n.unit, Result: r, Budget: budget}
	if err := a.risks(x, n); err != nil {
		return err
	}
	if x.Bool("json") {
		err = c.answer(a)
	} else {
		a.print(c)
	}
	if err == nil && r.Verdict != conformity.Pass {
		err = errNotPassed
	}
	return err
}

func (a *conformAnswer) risks(x *cli.Context, n *numbers) error {
	if !x.IsSet("prior-mean") && !x.IsSet("prior-sd") {
		return nil
	}
	if !x.IsSet("prior-mean") || !x.IsSet("prior-sd") {
		return errors.New("a prior needs both --prior-mean and --prior-sd")
	}
	prior := conformity.Prior{Mean: n.get("prior-mean"), SD: n.get("prior-sd")}
	if n.err != nil {
		return n.err
	}
	specific, err := conformity.Specific(float64(a.Value), float64(a.Standard), a.Limits, prior)
	if err != nil {
		return err
	}
	global, err := conformity.Global(prior, float64(a.Standard), a.Limits, a.Acceptance)
	if err != nil {
		return err
	}
	a.Prior, a.Specific, a.Global = &prior, &specific, &global
	return nil
}

func (a *conformAnswer) print(c *Console) {
	w, say := c.Out, c.words()
	unit := func(v float64) string { return strings.TrimSpace(strconv.FormatFloat(v, 'g', 6, 64) + " " + a.Unit) }
	number := func(v conformity.Number) string { return unit(float64(v)) }
	fmt.Fprintf(w, "%s\n\n", strings.ToUpper(a.Verdict.String()))
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "value\t%s\n", number(a.Value))
	fmt.Fprintf(t, "expanded uncertainty U\t%s (k = %g)\n", number(a.Expanded), a.K)
	fmt.Fprintf(t, "limits\t%s\n", limitsText(a.Limits, unit))
	fmt.Fprintf(t, "rule\t%s\n", a.Rule)
	fmt.Fprintf(t, "guard band\t%s\n", number(a.GuardBand))
	if a.NoneCanPass {
		fmt.Fprintf(t, "acceptance limits\tnone: ±U is wider than the limits\n")
	} else {
		fmt.Fprintf(t, "acceptance limits\t%s\n", limitsText(a.Acceptance, unit))
	}
	fmt.Fprintf(t, "probability of conformance\t%.4f\n", a.Probability)
	if a.Settle != nil && a.Settle.LargestExpanded > 0 {
		fmt.Fprintf(t, "to settle it\ta repeat with U up to %s would be a %s\n",
			unit(a.Settle.LargestExpanded), a.Settle.Verdict)
	}
	if a.Specific != nil {
		fmt.Fprintf(t, "risk, this card\taccepting it %.4g, rejecting it %.4g\n", a.Specific.Consumer, a.Specific.Producer)
		fmt.Fprintf(t, "risk, all cards\tbad and accepted %.4g, good and rejected %.4g\n",
			a.Global.Consumer, a.Global.Producer)
	}
	t.Flush()
	if a.Budget == nil {
		return
	}
	fmt.Fprintln(w, "\nUncertainty budget")
	t = tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "contribution\tstated\tdistribution\tu\tshare")
	for _, line := range a.Budget.Contributions {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%.0f %%\n",
			say.Tell(line.Name), unit(line.Value), line.Distribution, unit(line.Standard), 100*line.Share)
	}
	fmt.Fprintf(t, "combined\t\t\t%s\t\n", unit(a.Budget.Standard))
	t.Flush()
}

func limitsText(l conformity.Limits, unit func(float64) string) string {
	switch {
	case l.Low != nil && l.High != nil:
		return unit(*l.Low) + " to " + unit(*l.High)
	case l.Low != nil:
		return "at least " + unit(*l.Low)
	case l.High != nil:
		return "at most " + unit(*l.High)
	}
	return "none"
}

// numbers reads the numeric flags of a command and sees to it that those with
// a unit have the same one.
type numbers struct {
	x    *cli.Context
	unit string
	err  error
}

func (n *numbers) get(flag string) float64 {
	if !n.x.IsSet(flag) {
		return math.NaN()
	}
	return n.parse(flag, n.x.String(flag))
}

func (n *numbers) list(flag string) []float64 {
	if !n.x.IsSet(flag) {
		return nil
	}
	var out []float64
	for _, word := range strings.FieldsFunc(n.x.String(flag), func(r rune) bool { return r == ',' || r == ';' }) {
		out = append(out, n.parse(flag, word))
	}
	return out
}

func (n *numbers) parse(flag, text string) float64 {
	text = strings.TrimSpace(strings.ReplaceAll(text, "−", "-"))
	end := len(text)
	for end > 0 {
		v, err := strconv.ParseFloat(strings.TrimSpace(text[:end]), 64)
		if err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
			unit := strings.TrimSpace(text[end:])
			if strings.HasPrefix(unit, ",") {
				n.fail("--%s: %q has a comma; write a point as the decimal sign", flag, text)
				return math.NaN()
			}
			if unit != "" && n.unit != "" && unit != n.unit {
				n.fail("--%s is in %q, another value is in %q: use one unit", flag, unit, n.unit)
			}
			if unit != "" {
				n.unit = unit
			}
			return v
		}
		end--
	}
	n.fail("--%s: %q is not a number", flag, text)
	return math.NaN()
}

func (n *numbers) fail(format string, args ...any) {
	if n.err == nil {
		n.err = fmt.Errorf(format, args...)
	}
}

const waysOfUncertainty = "--u, or --expanded with --k, or the parts --instrument, --resolution, --readings"

func (n *numbers) uncertainty(readings []float64) (conformity.Uncertainty, *conformity.Budget, error) {
	x := n.x
	combined := x.IsSet("instrument") || x.IsSet("resolution") || len(readings) > 1
	given := 0
	for _, f := range []string{"u", "expanded"} {
		if x.IsSet(f) {
			given++
		}
	}
	switch {
	case given > 1, given == 1 && combined:
		return conformity.Uncertainty{}, nil, errors.New("give the uncertainty one way: " + waysOfUncertainty)
	case x.IsSet("u"):
		return conformity.StandardUncertainty(n.get("u")), nil, nil
	case x.IsSet("expanded"):
		k := n.parse("k", x.String("k"))
		if !(k > 0) {
			return conformity.Uncertainty{}, nil, errors.New("--k must be above 0")
		}
		return conformity.ExpandedUncertainty(n.get("expanded"), k), nil, nil
	case !combined:
		return conformity.Uncertainty{}, nil, errors.New("state the uncertainty: " + waysOfUncertainty)
	}
	var lines []conformity.Contribution
	if x.IsSet("instrument") {
		lines = append(lines, conformity.InstrumentLimits(fact.New("measure.instrument"), n.get("instrument"), 0))
	}
	if x.IsSet("resolution") {
		lines = append(lines, conformity.Resolution(fact.New("measure.display-resolution"), n.get("resolution")))
	}
	if len(readings) > 1 {
		line, err := conformity.Repeatability(fact.New("measure.repeatability"), readings)
		if err != nil {
			return conformity.Uncertainty{}, nil, err
		}
		lines = append(lines, line)
	}
	if n.err != nil {
		return conformity.Uncertainty{}, nil, n.err
	}
	budget, err := conformity.Combine(lines...)
	if err != nil {
		return conformity.Uncertainty{}, nil, err
	}
	return budget.Uncertainty(), &budget, nil
}

func meanOf(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}

func noArguments(x *cli.Context) error {
	if x.NArg() > 0 {
		return fmt.Errorf("%q is one argument too many; see --help", x.Args().First())
	}
	return nil
}
