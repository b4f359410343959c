package command

import (
	"errors"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

func (c *Console) calcTiming() *cli.Command {
	return &cli.Command{
		Name:  "timing",
		Usage: "which display mode a line and a frame rate are, and whether the pixel clock is off",
		Description: "Type the rates with the digits that were shown: the last digit is taken for\n" +
			"their resolution.",
		HideHelp: true, // its short form is the sign of the line sync here
		Flags: []cli.Flag{jsonFlag,
			&cli.BoolFlag{Name: "help", Usage: "show help"},
			&cli.StringFlag{Name: "line", Usage: "line `RATE`, as in 48.4kHz"},
			&cli.StringFlag{Name: "frame", Usage: "frame `RATE`, as in 60.0Hz"},
			&cli.StringFlag{Name: "clock", Usage: "pixel `CLOCK`, when a counter read it"},
			&cli.StringFlag{Name: "h", Usage: "`SIGN` of the line sync, + or -"},
			&cli.StringFlag{Name: "v", Usage: "`SIGN` of the frame sync, + or -"},
			&cli.StringFlag{
				Name:  "mode",
				Usage: "`MODE` that was set, as in 1024x768; then the formulas are tried as well",
			},
			&cli.StringFlag{Name: "instrument", Usage: "`LIMITS` of the counter, as in 20ppm"},
		},
		Action: c.runTiming,
	}
}

// timingAnswer is what calc timing prints.
type timingAnswer struct {
	bus.TimingReport
	Verdict conformity.Verdict `json:"verdict"`
}

func (c *Console) runTiming(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	r, err := timingReading(x)
	if err != nil {
		return err
	}
	report, err := bus.MatchTiming(r)
	if err != nil {
		return err
	}
	a := timingAnswer{TimingReport: report, Verdict: timingVerdict(report)}
	if x.Bool("json") {
		err = c.answer(a)
	} else {
		c.printTiming(&a)
	}
	if err == nil && a.Verdict != conformity.Pass {
		err = errNotPassed
	}
	return err
}

// timingVerdict is what the best match means for the card.
func timingVerdict(r bus.TimingReport) conformity.Verdict {
	if len(r.Matches) == 0 {
		return conformity.Fail
	}
	switch r.Matches[0].Verdict {
	case bus.TimingAgrees, bus.TimingRounded, bus.TimingSmall:
		return conformity.Pass
	case bus.TimingClockOff:
		return conformity.Fail
	}
	return conformity.Inconclusive
}

func timingReading(x *cli.Context) (bus.TimingReading, error) {
	var r bus.TimingReading
	if !x.IsSet("line") && !x.IsSet("frame") {
		return r, errors.New("give the rates, as in: proveout calc timing --line 48.4kHz --frame 60.0Hz")
	}
	var errs []error
	read := func(flag string, unit quantity.Unit, value, resolution *float64) {
		if !x.IsSet(flag) {
			return
		}
		q, err := quantity.ParseIn(x.String(flag), quantity.Frequency, unit)
		if err != nil || !(q.Value > 0) {
			errs = append(errs, fmt.Errorf("--%s: %q is not a frequency above 0", flag, x.String(flag)))
			return
		}
		*value, *resolution = q.Value, q.Resolution
	}
	read("line", hertzUnit("kHz"), &r.LineHz, &r.LineResolution)
	read("frame", hertzUnit("Hz"), &r.RefreshHz, &r.RefreshResolution)
	read("clock", hertzUnit("MHz"), &r.PixelClockHz, &r.PixelResolution)
	sign := func(flag string, p *bus.Polarity) {
		switch x.String(flag) {
		case "":
		case "+", "positive":
			*p = bus.Positive
		case "-", "−", "negative":
			*p = bus.Negative
		default:
			errs = append(errs, fmt.Errorf("--%s: %q is not + or -", flag, x.String(flag)))
		}
	}
	sign("h", &r.HPolarity)
	sign("v", &r.VPolarity)
	if text := x.String("mode"); text != "" {
		var err error
		if r.Mode, err = modeOf(text); err != nil {
			errs = append(errs, err)
		}
	}
	if x.IsSet("instrument") {
		half, err := relativeLimits(x.String("instrument"), firstAbove(r.PixelClockHz, r.LineHz, r.RefreshHz))
		if err != nil {
			errs = append(errs, fmt.Errorf("--instrument: %w", err))
		}
		r.InstrumentPPM = half / 1.7320508075688772 // limits are rectangular (JCGM 100:2008, 4.3.7)
	}
	return r, errors.Join(errs...)
}

func firstAbove(values ...float64) float64 {
	for _, v := range values {
		if v > 0 {
			return v
		}
	}
	return 0
}

func hertzUnit(name string) quantity.Unit {
	u, _ := quantity.LookUp(quantity.Frequency, name)
	return u
}

// modeOf reads a mode as far as it is given.
func modeOf(text string) (plans.Mode, error) {
	m, err := plans.ParseMode(text)
	if err != nil {
		return plans.Mode{}, fmt.Errorf("--mode: %w", err)
	}
	return m, nil
}

func (c *Console) printTiming(a *timingAnswer) {
	say := c.words()
	fmt.Fprintln(c.Out, strings.ToUpper(a.Verdict.String()))
	fold(c.Out, "", say.Tell(a.Text))
	if len(a.Matches) == 0 {
		return
	}
	fmt.Fprintln(c.Out)
	rows := [][]string{say.TellAll([]fact.Fact{
		fact.New("bus.head-mode"), fact.New("bus.head-standard"), fact.New("bus.head-clock"),
		fact.New("bus.head-line"), fact.New("bus.head-frame"), fact.New("bus.head-what"),
	})}
	off := func(ppm float64, unit string) string { return say.Amount(fact.In(ppm, unit).To(1).WithSign()) }
	for _, m := range a.Matches {
		what := fact.New("bus.timing." + string(m.Verdict))
		if !m.PolarityOK {
			what = fact.New("bus.other-polarity", "what", what)
		}
		rows = append(rows, []string{
			say.Tell(m.Mode), m.Standard,
			off(m.DeviationPPM, "ppm"), off(m.LinePPM, ""), off(m.RefreshPPM, ""),
			say.Tell(what),
		})
	}
	table(c.Out, rows)
}
