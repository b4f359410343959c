package command

import (
	"errors"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/reading"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/scoring/outcome"
)

var (
	retestFlag     = boolFlag("retest", "begin a new attempt at the step")
	instrumentFlag = textFlag("instrument", "instrument `ID` of the bench")
)

func (c *Console) recordCommand() *cli.Command {
	return &cli.Command{
		Name:      "record",
		Usage:     "record typed results of a step",
		ArgsUsage: "JOB STEP name=value…",
		Description: "Values carry their unit: core=\"137.2 MHz\". Several readings of one name are\n" +
			"separated by commas; \"61.5 °C @ 30 min\" says when in a run it was read. A\n" +
			"resistance above the meter's range is OL or \">20 MΩ\"; 2k2 is 2.2 kΩ. Results of\n" +
			"several steps can come from a file: record JOB --file results.toml.",
		Flags: []cli.Flag{shopFlag, jsonFlag, screenLanguageFlag, retestFlag, instrumentFlag, byFlag,
			textFlag("file", "results `FILE`, a table for each step"),
			textFlag("note", "keep a remark `TEXT` with the step"),
			textFlag("skip", "pass over the step, with the reason `WHY`"),
			boolFlag("correct", "the values take the place of the readings before them")},
		Action: c.onJob(c.record),
	}
}

func (c *Console) record(x *cli.Context, job *workflow.Job) error {
	results, err := c.typedResults(x, job)
	if err != nil {
		return err
	}
	if err := job.Record(results); err != nil {
		return err
	}
	shown := []outcome.StepOutcome{}
	for _, r := range results {
		shown = append(shown, *job.Judged(r.Step))
	}
	return c.give(x, map[string]any{"job": job.Outcome().Job, "steps": shown}, true, func(p *printer) {
		for i := range shown {
			p.step(&shown[i], true)
		}
	})
}

// typedResults are the results of the command line, or of the file it names.
func (c *Console) typedResults(x *cli.Context, job *workflow.Job) ([]reading.Results, error) {
	if file := x.String("file"); file != "" {
		if x.NArg() > 1 {
			return nil, errors.New("give a step with its values, or a results file, not both")
		}
		for _, flag := range []string{"correct", "note", "skip", "instrument"} {
			if x.IsSet(flag) {
				return nil, fmt.Errorf("--%s does not go with --file; write it into the file, "+
					"or record the step by itself", flag)
			}
		}
		results, err := job.ReadResults(c.path(file))
		for i := range results {
			results[i].Retest = results[i].Retest || x.Bool("retest")
		}
		return results, err
	}
	step, err := job.Step(x.Args().Get(1))
	if err != nil {
		return nil, err
	}
	r := reading.Results{Step: step.ID, Note: x.String("note"), Skip: x.String("skip"), Retest: x.Bool("retest")}
	if r.Retest && x.Bool("correct") {
		return nil, errors.New("--correct mends a reading of the last attempt, --retest begins a new one: give one of them")
	}
	if r.Readings, err = job.ParseTyped(step, x.Args().Slice()[2:], r.Note); err != nil {
		return nil, err
	}
	for i := range r.Readings {
		one := &r.Readings[i]
		one.Instrument, one.Corrects = x.String("instrument"), x.Bool("correct")
		one.Source = reading.Source{Kind: "typed"}
	}
	if len(r.Readings) == 0 && r.Note == "" && r.Skip == "" {
		names := workflow.FieldNames(plans.Fields(step, job.Family))
		return nil, fmt.Errorf("give at least one name=value; step %s takes: %s", step.ID, strings.Join(names, ", "))
	}
	return []reading.Results{r}, nil
}
