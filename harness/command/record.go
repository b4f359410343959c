package command

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/document"
	"proveout/scoring"
)

var (
	retestFlag     = &cli.BoolFlag{Name: "retest", Usage: "begin a new attempt at the step"}
	instrumentFlag = &cli.StringFlag{Name: "instrument", Usage: "instrument `ID` of the bench"}
)

func (c *Console) recordCommand() *cli.Command {
	return &cli.Command{
		Name:      "record",
		Usage:     "record typed results of a step",
		ArgsUsage: "JOB STEP name=value…",
		Description: "Values carry their unit: core=\"166.2 MHz\". Several readings of one name are\n" +
			"separated by commas; \"61.5 °C @ 30 min\" says when in a run it was read. Results\n" +
			"of several steps can come from a file: record JOB --file results.toml.",
		Flags: []cli.Flag{shopFlag, jsonFlag, retestFlag, instrumentFlag, byFlag,
			&cli.StringFlag{Name: "file", Usage: "results `FILE`, a table for each step"},
			&cli.StringFlag{Name: "note", Usage: "keep a remark `TEXT` with the step"},
			&cli.StringFlag{Name: "skip", Usage: "pass over the step, with the reason `WHY`"},
			&cli.BoolFlag{Name: "correct", Usage: "the values take the place of the readings before them"}},
		Action: c.record,
	}
}

func (c *Console) record(x *cli.Context) error {
	k, err := c.openJob(x)
	if err != nil {
		return err
	}
	results, err := c.typedResults(x, k)
	if err != nil {
		return err
	}
	for _, r := range results {
		step, _ := k.input.Plan.Step(r.Step)
		if err := k.refuseHeld(step); err != nil {
			return err
		}
		if err := k.refuseRepeats(&r); err != nil {
			return err
		}
		if err := k.settleInstruments(&r); err != nil {
			return err
		}
	}
	err = k.work(func(f *job.Folder) error {
		var entries []job.Entry
		for _, r := range results {
			more, err := k.entriesOf(f, r, k.by(x))
			if err != nil {
				return err
			}
			entries = append(entries, more...)
		}
		return f.Append(entries...)
	})
	if err != nil {
		return err
	}
	return c.showSteps(x, k, results)
}

func (c *Console) typedResults(x *cli.Context, k *openCase) ([]reading.Results, error) {
	if file := x.String("file"); file != "" {
		if x.NArg() > 1 {
			return nil, errors.New("give a step with its values, or a results file, not both")
		}
		for _, flag := range []string{"correct", "note", "skip", "instrument"} {
			if x.IsSet(flag) {
				return nil, fmt.Errorf("--%s does not go with --file; write it into the file, or record the step by itself", flag)
			}
		}
		path := c.path(file)
		data, err := readSmall(path)
		if err != nil {
			return nil, err
		}
		results, problems := reading.ParseResults(path, data, k.input.Plan, k.input.Family)
		for i := range results {
			results[i].Retest = results[i].Retest || x.Bool("retest")
		}
		return results, plans.AsError(problems)
	}
	step, err := k.stepArgument(x)
	if err != nil {
		return nil, err
	}
	r := reading.Results{Step: step.ID, Note: x.String("note"), Skip: x.String("skip"), Retest: x.Bool("retest")}
	if r.Retest && x.Bool("correct") {
		return nil, errors.New("--correct mends a reading of the last attempt, --retest begins a new one: give one of them")
	}
	fields := plans.Fields(step, k.input.Family)
	var errs []error
	for _, word := range x.Args().Slice()[2:] {
		readings, err := typedWord(step, fields, word)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		for i := range readings {
			readings[i].Instrument = x.String("instrument")
			readings[i].Corrects = x.Bool("correct")
			readings[i].Source = reading.Source{Kind: "typed"}
		}
		r.Readings = append(r.Readings, readings...)
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	if len(r.Readings) == 0 && r.Note == "" && r.Skip == "" {
		var names []string
		for _, f := range fields {
			names = append(names, f.Name)
		}
		return nil, fmt.Errorf("give at least one name=value; step %s takes: %s", step.ID, strings.Join(names, ", "))
	}
	return []reading.Results{r}, nil
}

func typedWord(step *plans.Step, fields []plans.Field, word string) ([]reading.Reading, error) {
	name, value, ok := strings.Cut(word, "=")
	if !ok {
		return nil, fmt.Errorf("%q is not name=value", word)
	}
	var names []string
	for _, f := range fields {
		names = append(names, f.Name)
	}
	f, ok := plans.FieldNamed(fields, name)
	if !ok {
		if near := document.Nearest(name, names); near != "" {
			return nil, fmt.Errorf("step %s takes no reading %q; did you mean %q?", step.ID, name, near)
		}
		return nil, fmt.Errorf("step %s takes no reading %q; it takes: %s", step.ID, name, strings.Join(names, ", "))
	}
	readings, err := reading.Parse(f, value)
	if err != nil {
		return nil, err
	}
	for _, r := range readings {
		if doubt, _ := reading.DoubtOf(f, r); doubt.Slip() {
			return nil, fmt.Errorf("%s: %s Nothing was recorded; if it is right as typed, record it from a file "+
				"with a note that says why: proveout record JOB --file results.toml", f.Name, doubt.Question())
		}
	}
	return readings, nil
}

func (k *openCase) checkInstrument(readings []reading.Reading) error {
	bench, ok := k.input.Shop.Bench(k.input.Job.Bench)
	if !ok {
		return nil
	}
	var ids []string
	for _, inst := range bench.Instruments {
		ids = append(ids, inst.ID)
	}
	for _, r := range readings {
		if r.Instrument != "" && !slices.Contains(ids, r.Instrument) {
			return fmt.Errorf("bench %s has no instrument %q; it has: %s", bench.ID, r.Instrument, strings.Join(ids, ", "))
		}
	}
	return nil
}

// entriesOf turns results into journal entries of the open attempt, or of a
// new one.
func (k *openCase) entriesOf(f *job.Folder, r reading.Results, by string) ([]job.Entry, error) {
	attempt := f.LastAttempt(r.Step)
	var out []job.Entry
	if attempt == 0 || r.Retest || !correcting(&r) && attemptClosed(k.input.Job.Attempts[r.Step]) {
		attempt++
		out = append(out, job.Entry{Kind: job.AttemptStart, Step: r.Step, Attempt: attempt, By: by})
	}
	for _, one := range r.Readings {
		one.By = by
		e := job.Observe(r.Step, attempt, one)
		e.By = by
		out = append(out, e)
	}
	if r.Note != "" {
		out = append(out, job.Entry{Kind: job.Remark, Step: r.Step, Attempt: attempt, By: by, Text: r.Note})
	}
	if r.Skip != "" {
		out = append(out, job.Entry{Kind: job.Skip, Step: r.Step, Attempt: attempt, By: by, Text: r.Skip})
	}
	return out, nil
}

func attemptClosed(attempts []reading.Attempt) bool {
	if len(attempts) == 0 {
		return false
	}
	last := attempts[len(attempts)-1]
	return !last.Ended.IsZero() || last.Skipped != "" || last.Cut != ""
}

// showSteps tells how the steps stand that were just recorded.
func (c *Console) showSteps(x *cli.Context, k *openCase, results []reading.Results) error {
	if err := k.load(); err != nil {
		return err
	}
	o := scoring.Score(k.input)
	var shown []scoring.StepOutcome
	for _, r := range results {
		for _, s := range o.Steps {
			if s.ID == r.Step {
				shown = append(shown, s)
			}
		}
	}
	if x.Bool("json") {
		return c.answer(map[string]any{"job": o.Job, "steps": shown})
	}
	for i := range shown {
		printStep(c.Out, c.words(), &shown[i], true)
	}
	return nil
}

// readSmall reads a file that a person wrote.
func readSmall(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return nil, fmt.Errorf("%s is a folder, not a file", path)
	}
	if info.Size() > reading.MostTyped {
		return nil, fmt.Errorf("%s is larger than 1 MiB, too large for a file of typed results", path)
	}
	return os.ReadFile(path)
}
