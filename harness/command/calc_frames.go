package command

import (
	"errors"
	"fmt"

	"github.com/urfave/cli/v2"

	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/pacing"
)

func (c *Console) calcFrames() *cli.Command {
	o := &pacing.Options{}
	return &cli.Command{
		Name:      "frames",
		Usage:     "frame pacing of one or more logs: mean, percentiles, stalls, freezes, drift",
		ArgsUsage: "LOG…",
		Flags: append([]cli.Flag{
			mapFlag,
			amount("freeze-after", quantity.Duration, "", "no frame for longer than `DURATION` is a freeze",
				value(to(&o.FreezeLimit))).or("1 s"),
			number("stall-factor", "a stall is longer than `N` medians", to(&o.StallFactor)).or("3"),
			jsonFlag,
		}, hintFlags...),
		Action: func(x *cli.Context) error {
			a, err := c.paced(x, *o)
			if err != nil {
				return err
			}
			if len(a.Runs) == 1 {
				return c.give(x, a.Runs[0], true, a.print)
			}
			return c.give(x, a, true, a.print)
		},
	}
}

// framesAnswer is what calc frames prints: the report of one log, or of each
// with how far they agree.
type framesAnswer struct {
	Runs          []framesRun           `json:"runs"`
	Notes         []fact.Fact           `json:"notes,omitempty"` // about the logs
	Repeatability *pacing.Repeatability `json:"repeatability"`
}

type framesRun struct {
	File string `json:"file"`
	Run  int    `json:"run"`
	pacing.Report
	Notes []fact.Fact `json:"notes,omitempty"` // about the log, where it is the only one
}

// paced reads the logs of the arguments and reports on each of their runs.
func (c *Console) paced(x *cli.Context, o pacing.Options) (*framesAnswer, error) {
	if x.NArg() == 0 {
		return nil, errors.New("name at least one frame log")
	}
	a := &framesAnswer{}
	var means []float64
	for _, name := range x.Args().Slice() {
		log, err := c.logFile(x, name)
		if err != nil {
			return nil, err
		}
		runs, err := log.Pacing(o)
		if err != nil {
			return nil, err
		}
		a.Notes = append(a.Notes, log.Notes...)
		for i, r := range runs {
			a.Runs = append(a.Runs, framesRun{File: name, Run: i + 1, Report: r})
			if r.MeanFPS != nil {
				means = append(means, *r.MeanFPS)
			}
		}
	}
	if len(a.Runs) == 1 {
		a.Runs[0].Notes = a.Notes
	}
	if len(means) > 1 {
		if rep, err := pacing.Repeat(means); err == nil {
			a.Repeatability = &rep
		}
	}
	return a, nil
}

func (a *framesAnswer) print(p *printer) {
	for _, r := range a.Runs {
		if len(a.Runs) > 1 {
			p.line(fmt.Sprintf("%s, run %d", r.File, r.Run))
		}
		p.say(r.Sentence...)
	}
	p.remarks(a.Notes)
	if r := a.Repeatability; r != nil {
		p.textf(0, "Over %d runs: mean %.2f fps, s = %.3g (%.2g %%), range %.3g, critical range %.3g.",
			r.N, r.Mean, r.SD, 100*r.CV, r.Range, r.Critical)
	}
}
