package command

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"github.com/urfave/cli/v2"
	"gonum.org/v1/gonum/stat"

	"proveout/harness/workflow"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
)

// A conform is what calc conform is asked.
type conform struct {
	numbers
	value                  *float64
	readings               []float64
	step                   float64 // that the last digit of the coarsest reading counts
	limits                 conformity.Limits
	u, expanded, k         *float64
	instrument, resolution *float64
	rule                   conformity.Rule
	priorMean, priorSD     *float64
}

func (c *Console) calcConform() *cli.Command {
	o := &conform{}
	readings := func(text string) (err error) {
		o.readings, o.step, err = o.list(text, ",;")
		return err
	}
	return &cli.Command{
		Name:  "conform",
		Usage: "judge one value with its uncertainty against limits",
		Description: "Give the uncertainty as --u (standard) or --expanded with --k, or let it be\n" +
			"combined from --instrument, --resolution and --readings (JCGM 100:2008); the\n" +
			"last digit of the readings stands for a --resolution that is not stated.\n" +
			"All numbers are in one unit; it may be written behind any of them.",
		Flags: []cli.Flag{
			o.flag("value", "the measured `VALUE`; not needed with --readings", toNew(&o.value)),
			o.flag("low", "lower `LIMIT`", toNew(&o.limits.Low)),
			o.flag("high", "upper `LIMIT`", toNew(&o.limits.High)),
			o.flag("u", "standard uncertainty `U`", toNew(&o.u)),
			o.flag("expanded", "expanded uncertainty `U`", toNew(&o.expanded)),
			number("k", "coverage factor `K` of --expanded", toNew(&o.k)).or("2"),
			o.flag("instrument", "limits ±`A` of the instrument, rectangular", toNew(&o.instrument)),
			o.flag("resolution", "one `STEP` of the display", toNew(&o.resolution)),
			typedFlag("readings", "repeated `READINGS`, separated by commas", readings),
			choice("rule", "decision `RULE`: guarded or simple",
				func(rule string) { o.rule = conformity.Rule(rule) }, "guarded", "simple").or("guarded"),
			o.flag("prior-mean", "`MEAN` of good and bad cards before measuring", toNew(&o.priorMean)),
			o.flag("prior-sd", "standard deviation `SD` of the same", toNew(&o.priorSD)),
			jsonFlag,
		},
		Action: func(x *cli.Context) error {
			a, err := o.judge()
			if err != nil {
				return err
			}
			return c.give(x, a, a.Verdict == conformity.Pass, a.print)
		},
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

func (o *conform) judge() (*conformAnswer, error) {
	value, err := o.measured()
	if err != nil {
		return nil, err
	}
	u, budget, err := o.uncertainty()
	if err != nil {
		return nil, err
	}
	r, err := conformity.Judge(value, u, o.limits, o.rule)
	if err != nil {
		return nil, err
	}
	a := &conformAnswer{Unit: o.unit, Result: r, Budget: budget}
	return a, o.risks(a)
}

// measured is the value, or the mean of the readings.
func (o *conform) measured() (float64, error) {
	switch {
	case o.value != nil && len(o.readings) > 0:
		return 0, errors.New("give --value or --readings, not both: the mean of the readings is the value")
	case o.value != nil:
		return *o.value, nil
	case len(o.readings) == 0:
		return 0, errors.New("give the measured value: --value VALUE or --readings A,B,C")
	}
	return stat.Mean(o.readings, nil), nil
}

const waysOfUncertainty = "--u, or --expanded with --k, or the parts --instrument, --resolution, --readings"

func (o *conform) uncertainty() (conformity.Uncertainty, *conformity.Budget, error) {
	stated := o.u != nil || o.expanded != nil
	combined := o.instrument != nil || o.resolution != nil || len(o.readings) > 1
	switch {
	case o.u != nil && o.expanded != nil, stated && combined:
		return conformity.Uncertainty{}, nil, errors.New("give the uncertainty one way: " + waysOfUncertainty)
	case o.u != nil:
		return conformity.StandardUncertainty(*o.u), nil, nil
	case o.expanded != nil && !(*o.k > 0):
		return conformity.Uncertainty{}, nil, errors.New("--k must be above 0")
	case o.expanded != nil:
		return conformity.ExpandedUncertainty(*o.expanded, *o.k), nil, nil
	case !combined:
		return conformity.Uncertainty{}, nil, errors.New("state the uncertainty: " + waysOfUncertainty)
	}
	var lines []conformity.Contribution
	if o.instrument != nil {
		lines = append(lines, conformity.InstrumentLimits(fact.New("measure.instrument"), *o.instrument, 0))
	}
	step := o.step
	if o.resolution != nil {
		step = *o.resolution
	}
	scatter, display := fact.New("measure.repeatability"), fact.New("measure.display-resolution")
	own, err := conformity.Readings(scatter, display, o.readings, step)
	if err != nil {
		return conformity.Uncertainty{}, nil, err
	}
	lines = append(lines, own...)
	budget, err := conformity.Combine(lines...)
	if err != nil {
		return conformity.Uncertainty{}, nil, err
	}
	return budget.Uncertainty(), &budget, nil
}

// risks adds what the answer risks, where it is known how cards are before they
// are measured.
func (o *conform) risks(a *conformAnswer) error {
	if o.priorMean == nil && o.priorSD == nil {
		return nil
	}
	if o.priorMean == nil || o.priorSD == nil {
		return errors.New("a prior needs both --prior-mean and --prior-sd")
	}
	prior := conformity.Prior{Mean: *o.priorMean, SD: *o.priorSD}
	u := float64(a.Standard)
	if a.DoF > 0 { // of few readings
		u = float64(a.Expanded) / 2
	}
	specific, err := conformity.Specific(float64(a.Value), u, a.Limits, prior)
	if err != nil {
		return err
	}
	global, err := conformity.Global(prior, u, a.Limits, a.Acceptance)
	if err != nil {
		return err
	}
	a.Prior, a.Specific, a.Global = &prior, &specific, &global
	return nil
}

func (a *conformAnswer) print(p *printer) {
	in := inUnit(a.Unit)
	amount := func(v float64) fact.Amount { return fact.In(v, a.Unit) }
	tell := func(v fact.Arg) string { return p.Tell(fact.Text(v)) }
	two := func(v float64) string { return tell(amount(v).Digits(2)) } // U and what is like it
	value, expanded := amount(float64(a.Value)), float64(a.Expanded)
	if expanded > 0 {
		value = value.Within(expanded)
	}
	acceptance := limitsText(a.Acceptance, func(v float64) string { return tell(toUncertainty(amount(v), expanded)) })
	if a.NoneCanPass {
		acceptance = "none: ±U is wider than the limits"
	}
	rows := [][]string{
		{"value", tell(value)},
		{"expanded uncertainty U", two(expanded) + " (" + factor(a.K, a.DoF) + ")"},
		{"limits", limitsText(a.Limits, in)},
		{"rule", string(a.Rule)},
		{"guard band", two(float64(a.GuardBand))},
		{"acceptance limits", acceptance},
		{"probability of conformance", tell(workflow.Probability(float64(a.Probability)))},
	}
	if s := a.Settle; s != nil && s.LargestExpanded > 0 {
		rows = append(rows, []string{"to settle it",
			fmt.Sprintf("a repeat with U up to %s would be a %s", two(s.LargestExpanded), s.Verdict)})
	}
	if a.Specific != nil {
		rows = append(rows,
			[]string{"risk, this card",
				fmt.Sprintf("accepting it %.2g, rejecting it %.2g", a.Specific.Consumer, a.Specific.Producer)},
			[]string{"risk, all cards",
				fmt.Sprintf("bad and accepted %.2g, good and rejected %.2g", a.Global.Consumer, a.Global.Producer)})
	}
	p.verdict(a.Verdict)
	p.gap()
	p.table(rows...)
	if a.Budget == nil {
		return
	}
	p.line("\nUncertainty budget")
	rows = [][]string{{"contribution", "stated", "distribution", "u", "share"}}
	for _, l := range a.Budget.Contributions {
		share := fmt.Sprintf("%.0f %%", 100*l.Share)
		stated := in(l.Value)
		if l.Distribution == conformity.TypeA {
			stated = two(l.Value)
		}
		rows = append(rows, []string{p.Tell(l.Name), stated, string(l.Distribution), two(l.Standard), share})
	}
	p.table(append(rows, []string{"combined", "", "", two(a.Budget.Standard), ""})...)
}

// toUncertainty shows an amount to the third digit of U.
func toUncertainty(a fact.Amount, expanded float64) fact.Amount {
	if !(expanded > 0) {
		return a
	}
	return a.To(math.Pow10(int(math.Floor(math.Log10(expanded))) - 2))
}

func limitsText(l conformity.Limits, in func(float64) string) string {
	switch {
	case l.Low != nil && l.High != nil:
		return in(*l.Low) + " to " + in(*l.High)
	case l.Low != nil:
		return "at least " + in(*l.Low)
	case l.High != nil:
		return "at most " + in(*l.High)
	}
	return "none"
}

// inUnit writes values with a unit that is whatever somebody typed.
func inUnit(unit string) func(float64) string {
	return func(v float64) string { return strings.TrimSpace(fmt.Sprintf("%.6g %s", v, unit)) }
}

// numbers are flags and arguments that have one unit, which may be written
// behind any of them.
type numbers struct{ unit string }

func (n *numbers) flag(name, usage string, take func(float64)) *typed {
	return typedFlag(name, usage, func(text string) error {
		v, _, err := n.parse(text)
		if err == nil {
			take(v)
		}
		return err
	})
}

// list reads numbers parted by any of some marks, and what the last digit of the
// coarsest of them counts. A comma beside semicolons is no such mark.
func (n *numbers) list(text, marks string) (out []float64, step float64, err error) {
	if strings.Contains(text, ";") && strings.Contains(marks, ";") {
		marks = strings.ReplaceAll(marks, ",", "")
	}
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(marks, r) }) {
		v, digit, err := n.parse(word)
		if err != nil {
			return nil, 0, err
		}
		if len(word) > 1 && word[0] == '0' && word[1] >= '0' && word[1] <= '9' {
			return nil, 0, fmt.Errorf("%q begins with a zero: write thousands without a mark between them", word)
		}
		out, step = append(out, v), max(step, digit)
	}
	return out, step, nil
}

// parse reads a number, what its last digit counts, and the unit behind it.
func (n *numbers) parse(text string) (value, step float64, err error) {
	value, step, unit, err := quantity.ParseInUnit(text)
	switch {
	case err != nil:
		return 0, 0, err
	case unit != "" && n.unit != "" && unit != n.unit:
		return 0, 0, fmt.Errorf("%q is in %q, another value is in %q: use one unit", text, unit, n.unit)
	case unit != "":
		n.unit = unit
	}
	return value, step, nil
}

// factor is a coverage factor with the degrees of freedom ν that it comes from.
func factor(k, dof conformity.Number) string {
	if dof == 0 {
		return fmt.Sprintf("k = %g", k)
	}
	return fmt.Sprintf("k = %.3g, ν = %.3g", k, dof)
}
