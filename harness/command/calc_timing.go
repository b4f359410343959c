package command

import (
	"cmp"
	"errors"
	"fmt"
	"math"

	"github.com/urfave/cli/v2"

	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

func (c *Console) calcTiming() *cli.Command {
	r := &bus.TimingReading{}
	sign := func(name, usage string, at *bus.Polarity) *typed {
		return typedFlag(name, usage, func(text string) error {
			switch text {
			case "+", "positive":
				*at = bus.Positive
			case "-", "−", "negative":
				*at = bus.Negative
			default:
				return fmt.Errorf("%q is not + or -", text)
			}
			return nil
		})
	}
	return &cli.Command{
		Name:  "timing",
		Usage: "which display mode a line and a frame rate are, and whether the pixel clock is off",
		Description: "Type the rates with the digits that were shown: the last digit is taken for\n" +
			"their resolution.",
		HideHelp: true, // its short form is the sign of the line sync here
		Flags: []cli.Flag{jsonFlag,
			boolFlag("help", "show help"),
			frequency("line", "kHz", "line `RATE`, as in 48.4kHz", &r.LineHz, &r.LineResolution),
			frequency("frame", "Hz", "frame `RATE`, as in 60.0Hz", &r.RefreshHz, &r.RefreshResolution),
			frequency("clock", "MHz", "pixel `CLOCK`, when a counter read it", &r.PixelClockHz, &r.PixelResolution),
			sign("h", "`SIGN` of the line sync, + or -", &r.HPolarity),
			sign("v", "`SIGN` of the frame sync, + or -", &r.VPolarity),
			displayMode("`MODE` that was set, as in 1024x768; then the formulas are tried as well", &r.Mode),
			textFlag("instrument", "`LIMITS` of the counter, as in 20ppm"),
		},
		Action: func(x *cli.Context) error {
			a, err := timing(x, r)
			if err != nil {
				return err
			}
			return c.give(x, a, a.Verdict == conformity.Pass, a.print)
		},
	}
}

// frequency is a flag that takes a frequency and what its last digit is worth.
func frequency(name, unit, usage string, hz, resolution *float64) *typed {
	return typedFlag(name, usage, func(text string) error {
		q, err := parseAmount(text, quantity.Frequency, unit)
		if err != nil || !(q.Value > 0) {
			return fmt.Errorf("%q is not a frequency above 0", text)
		}
		*hz, *resolution = q.Value, q.Resolution
		return nil
	})
}

// timingAnswer is what calc timing prints.
type timingAnswer struct {
	bus.TimingReport
	Verdict conformity.Verdict `json:"verdict"`
}

func timing(x *cli.Context, r *bus.TimingReading) (*timingAnswer, error) {
	if r.LineHz == 0 && r.RefreshHz == 0 {
		return nil, errors.New("give the rates, as in: proveout calc timing --line 48.4kHz --frame 60.0Hz")
	}
	if x.IsSet("instrument") {
		ppm, err := relativeLimits(x.String("instrument"), cmp.Or(r.PixelClockHz, r.LineHz, r.RefreshHz))
		if err != nil {
			return nil, fmt.Errorf("--instrument: %w", err)
		}
		r.InstrumentPPM = ppm / math.Sqrt(3) // limits are rectangular (JCGM 100:2008, 4.3.7)
	}
	report, err := bus.MatchTiming(*r)
	if err != nil {
		return nil, err
	}
	return &timingAnswer{report, report.Verdict()}, nil
}

func (a *timingAnswer) print(p *printer) {
	p.verdict(a.Verdict)
	p.say(a.Text)
	if len(a.Matches) == 0 {
		return
	}
	rows := [][]string{p.TellAll([]fact.Fact{
		fact.New("bus.head-mode"), fact.New("bus.head-standard"), fact.New("bus.head-clock"),
		fact.New("bus.head-line"), fact.New("bus.head-frame"), fact.New("bus.head-what"),
	})}
	off := func(ppm float64, unit string) string { return p.Amount(fact.In(ppm, unit).To(1).WithSign()) }
	for _, m := range a.Matches {
		what := fact.New("bus.timing." + string(m.Verdict))
		if !m.PolarityOK {
			what = fact.New("bus.other-polarity", "what", what)
		}
		rows = append(rows, []string{
			p.Tell(m.Mode), m.Standard,
			off(m.DeviationPPM, "ppm"), off(m.LinePPM, ""), off(m.RefreshPPM, ""),
			p.Tell(what),
		})
	}
	p.gap()
	p.table(rows...)
}
