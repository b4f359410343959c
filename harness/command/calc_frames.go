package command

import (
	"errors"
	"fmt"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/plans/quantity"
	"proveout/scoring/pacing"
)

func (c *Console) calcFrames() *cli.Command {
	return &cli.Command{
		Name:      "frames",
		Usage:     "frame pacing of one or more logs: mean, percentiles, stalls, freezes, drift",
		ArgsUsage: "LOG…",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "map", Usage: "log map `FILE`"},
			&cli.StringFlag{Name: "freeze-after", Usage: "no frame for longer than `DURATION` is a freeze", Value: "1 s"},
			&cli.Float64Flag{Name: "stall-factor", Usage: "a stall is longer than `N` medians", Value: 3},
			jsonFlag,
		},
		Action: c.runFrames,
	}
}

// framesAnswer is what calc frames prints: the report of one log, or of each
// with how far they agree.
type framesAnswer struct {
	Runs          []framesRun           `json:"runs"`
	Repeatability *pacing.Repeatability `json:"repeatability"`
}

type framesRun struct {
	File string `json:"file"`
	Run  int    `json:"run"`
	pacing.Report
}

func (c *Console) runFrames(x *cli.Context) error {
	if x.NArg() == 0 {
		return errors.New("name at least one frame log")
	}
	freeze, err := quantity.Parse(x.String("freeze-after"), quantity.Duration)
	if err != nil {
		return fmt.Errorf("--freeze-after: %w", err)
	}
	o := pacing.Options{FreezeLimit: freeze.Value, StallFactor: x.Float64("stall-factor")}
	var a framesAnswer
	for _, name := range x.Args().Slice() {
		runs, err := c.readFrames(x, name)
		if err != nil {
			return err
		}
		for i := range runs {
			r, err := runs[i].Report(o)
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			a.Runs = append(a.Runs, framesRun{File: name, Run: i + 1, Report: r})
		}
	}
	a.repeat()
	if x.Bool("json") {
		if len(a.Runs) == 1 {
			return c.answer(a.Runs[0])
		}
		return c.answer(a)
	}
	for _, r := range a.Runs {
		if len(a.Runs) > 1 {
			fmt.Fprintf(c.Out, "%s, run %d\n", r.File, r.Run)
		}
		for _, s := range c.words().TellAll(r.Sentence) {
			fold(c.Out, "", s)
		}
	}
	if rep := a.Repeatability; rep != nil {
		fold(c.Out, "", fmt.Sprintf("Over %d runs: mean %.2f fps, s = %.3g (%.2g %%), range %.3g, critical range %.3g.",
			rep.N, rep.Mean, rep.SD, 100*rep.CV, rep.Range, rep.Critical))
	}
	return nil
}

func (a *framesAnswer) repeat() {
	var means []float64
	for _, r := range a.Runs {
		if r.MeanFPS != nil {
			means = append(means, *r.MeanFPS)
		}
	}
	if len(means) > 1 {
		if rep, err := pacing.Repeat(means, 0); err == nil {
			a.Repeatability = &rep
		}
	}
}

// readFrames streams a log into one accumulator a run.
func (c *Console) readFrames(x *cli.Context, name string) ([]*pacing.Accumulator, error) {
	m, err := c.mapFor(x, name)
	if err != nil {
		return nil, err
	}
	columns := pacing.ColumnsOf(columnOf(m))
	if !columns.Any() {
		return nil, noColumn(name, m, "no column holds frame times, the time stamps of frames, or a frame rate")
	}
	var runs []*pacing.Accumulator
	var ms []float64
	_, err = c.streamLog(name, m, func(b *logs.Batch) error {
		for len(runs) < b.Run {
			runs = append(runs, &pacing.Accumulator{})
		}
		run := runs[b.Run-1]
		if columns.Frame >= 0 { // all at once: a long run has millions of them
			ms = ms[:0]
			for _, s := range b.Columns[columns.Frame] {
				ms = append(ms, 1000*s)
			}
			run.AddAll(ms)
			return nil
		}
		for i := range b.Len() {
			columns.Add(run, func(place int) float64 { return b.Columns[place][i] })
		}
		return nil
	})
	return runs, err
}
