package command

import (
	"errors"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/endurance"
)

func (c *Console) calcSoakLength() *cli.Command {
	return &cli.Command{
		Name:  "soak-length",
		Usage: "how long a failure-free run must last to call an intermittent fault gone",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "every", Usage: "the fault came back about every `DURATION` before the repair"},
			&cli.StringFlag{Name: "times", Usage: "show `M` times that interval", Value: "1"},
			&cli.StringFlag{Name: "confidence", Usage: "confidence `C`", Value: "0.9"},
			&cli.IntFlag{Name: "allowed", Usage: "`R` failures let pass"},
			&cli.StringSliceFlag{Name: "ran", Usage: "a run of `DURATION` after the repair, may be repeated"},
			&cli.IntFlag{Name: "failures", Usage: "`N` failures in those runs"},
			&cli.IntFlag{Name: "passes", Usage: "count passes instead: `N` of them were made"},
			&cli.StringFlag{Name: "reliability", Usage: "chance `R` of a good pass to show, with --passes or alone"},
			&cli.StringFlag{Name: "activation-energy", Usage: "`EV` of a hot soak, an assumption"},
			&cli.StringFlag{Name: "use-temp", Usage: "`TEMPERATURE` in ordinary use, with --activation-energy"},
			&cli.StringFlag{Name: "soak-temp", Usage: "`TEMPERATURE` in the soak, with --activation-energy"},
			jsonFlag,
		},
		Action: c.runSoakLength,
	}
}

func (c *Console) runSoakLength(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	n := &numbers{x: x}
	confidence := n.parse("confidence", x.String("confidence"))
	if x.IsSet("reliability") || x.IsSet("passes") {
		return c.soakPasses(x, n, confidence)
	}
	every, err := typedDuration(x, "every")
	if err != nil {
		return err
	}
	q := endurance.Question{
		Interval: every, Multiple: n.parse("times", x.String("times")),
		Confidence: confidence, Allowed: x.Int("allowed"),
	}
	if x.IsSet("activation-energy") {
		use, err1 := quantity.Parse(x.String("use-temp"), quantity.Temperature)
		soak, err2 := quantity.Parse(x.String("soak-temp"), quantity.Temperature)
		if err := errors.Join(err1, err2); err != nil {
			return fmt.Errorf("--activation-energy needs --use-temp and --soak-temp: %w", err)
		}
		q.Hot = &endurance.HotSoak{
			ActivationEnergy: n.get("activation-energy"), UseC: use.Value, SoakC: soak.Value,
		}
	}
	if n.err != nil {
		return n.err
	}
	var runs []endurance.Run
	for i, text := range x.StringSlice("ran") {
		d, err := quantity.Parse(text, quantity.Duration)
		if err != nil {
			return fmt.Errorf("--ran: %w", err)
		}
		r := endurance.Run{Seconds: d.Value}
		if i == 0 {
			r.Failures = x.Int("failures")
		}
		runs = append(runs, r)
	}
	o, err := endurance.Judge(q, runs)
	if err != nil {
		return err
	}
	if x.Bool("json") {
		if err := c.answer(o); err != nil {
			return err
		}
	} else {
		c.printSoakLength(&o)
	}
	if len(runs) > 0 && o.Verdict != conformity.Pass {
		return errNotPassed
	}
	return nil
}

func (c *Console) printSoakLength(o *endurance.Outcome) {
	fmt.Fprintln(c.Out, strings.ToUpper(o.Verdict.String()))
	fold(c.Out, "", c.words().Tell(o.Sentence))
	fmt.Fprintf(c.Out, "\nneeded: %s without more than %d failures, for a confidence of %.4g\n",
		quantity.Format(o.Needed, 0, quantity.Duration), o.Allowed, o.Confidence)
	if a := o.Acceleration; a != nil {
		fold(c.Out, "", "Assumption: "+c.words().Tell(a.Assumption))
	}
	if !o.Settle.IsZero() {
		fold(c.Out, "", "To settle it: "+c.words().Tell(o.Settle))
	}
}

func (c *Console) soakPasses(x *cli.Context, n *numbers, confidence float64) error {
	if n.err != nil {
		return n.err
	}
	answer := map[string]any{"confidence": confidence, "failures": x.Int("failures")}
	var text []string
	notShown := false
	if x.IsSet("reliability") {
		reliability := n.get("reliability")
		if n.err != nil {
			return n.err
		}
		needed, err := endurance.NeededPasses(reliability, confidence, x.Int("allowed"))
		if err != nil {
			return err
		}
		answer["needed_passes"], answer["reliability"] = needed, reliability
		text = append(text, fmt.Sprintf(
			"%d passes with at most %d spoilt show a chance of a good pass of at least %.4g with %.4g confidence.",
			needed, x.Int("allowed"), reliability, confidence))
		notShown = x.IsSet("passes") && (x.Int("passes") < needed || x.Int("failures") > x.Int("allowed"))
	}
	if x.IsSet("passes") {
		shown, err := endurance.ShownReliability(x.Int("passes"), x.Int("failures"), confidence)
		if err != nil {
			return err
		}
		answer["shown_reliability"], answer["passes"] = shown, x.Int("passes")
		text = append(text, fmt.Sprintf(
			"%d passes with %d spoilt have shown a chance of a good pass of at least %.4f.",
			x.Int("passes"), x.Int("failures"), shown))
	}
	if x.Bool("json") {
		if err := c.answer(answer); err != nil {
			return err
		}
	} else {
		for _, t := range text {
			fold(c.Out, "", t)
		}
	}
	if notShown {
		return errNotPassed
	}
	return nil
}

func typedDuration(x *cli.Context, flag string) (float64, error) {
	if !x.IsSet(flag) {
		return 0, fmt.Errorf("--%s is needed, as in --%s \"2 h\"", flag, flag)
	}
	q, err := quantity.Parse(x.String(flag), quantity.Duration)
	if err != nil {
		return 0, fmt.Errorf("--%s: %w", flag, err)
	}
	return q.Value, nil
}
