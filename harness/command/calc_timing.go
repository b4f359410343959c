package command

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/plans"
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
			&cli.StringFlag{Name: "mode", Usage: "`MODE` that was set, as in 1024x768; then the formulas are tried as well"},
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
		a.print(c.Out)
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
		if r.Width, r.Height, _, err = modeOf(text); err != nil {
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
func modeOf(text string) (width, height int, rate float64, err error) {
	m, err := plans.ParseMode(text)
	if err != nil {
		return 0, 0, 0, fmt.Errorf("--mode: %w", err)
	}
	return m.Width, m.Height, m.Rate, nil
}

func (a *timingAnswer) print(w io.Writer) {
	fmt.Fprintln(w, strings.ToUpper(a.Verdict.String()))
	fold(w, "", a.Text)
	if len(a.Matches) == 0 {
		return
	}
	fmt.Fprintln(w)
	rows := [][]string{{"mode", "standard", "clock", "line", "frame", "what it is"}}
	for _, m := range a.Matches {
		sign := ""
		if !m.PolarityOK {
			sign = ", other polarity"
		}
		rows = append(rows, []string{m.Mode, m.Standard, fmt.Sprintf("%+.0f ppm", m.DeviationPPM), fmt.Sprintf("%+.0f", m.LinePPM), fmt.Sprintf("%+.0f", m.RefreshPPM), string(m.Verdict) + sign})
	}
	table(w, rows)
}
