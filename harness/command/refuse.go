package command

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring"
)

// onlyJob refuses arguments behind the job.
func onlyJob(x *cli.Context) error {
	if x.NArg() > 1 {
		return fmt.Errorf("%q is one argument too many; see --help", x.Args().Get(1))
	}
	return nil
}

// knownTechnician refuses a --by that nobody of the shop is.
func knownTechnician(x *cli.Context, shop *plans.Shop) error {
	if !x.IsSet("by") {
		return nil
	}
	if x.String("by") == "" {
		return errors.New("--by is empty; name the technician")
	}
	_, err := chooseTechnician(shop, x.String("by"))
	return err
}

// stepFlagOf refuses a --step that the plan does not have.
func (k *openCase) stepFlagOf(x *cli.Context) (string, error) {
	id := x.String("step")
	if id == "" {
		return "", nil
	}
	step, err := k.stepNamed(id)
	if err != nil {
		return "", err
	}
	return step.ID, nil
}

// refuseRepeats refuses a second value where a step takes one and the open
// attempt has it: a mistyped value is corrected, a changed card is a retest,
// and neither is lost from sight.
func (k *openCase) refuseRepeats(r *reading.Results) error {
	step, _ := k.input.Plan.Step(r.Step)
	attempts := k.input.Job.Attempts[r.Step]
	if r.Retest || len(attempts) == 0 || !correcting(r) && attemptClosed(attempts) {
		if correcting(r) {
			return fmt.Errorf("step %s has no readings yet that could be corrected", r.Step)
		}
		return onceEach(step, k.input.Family, r)
	}
	last := &attempts[len(attempts)-1]
	fields := plans.Fields(step, k.input.Family)
	for _, one := range r.Readings {
		before, read := last.Latest(one.Name)
		field, known := plans.FieldNamed(fields, one.Name)
		switch {
		case one.Corrects && !read:
			return fmt.Errorf("%s was not read in attempt %d, so there is nothing to correct", one.Name, last.Number)
		case !one.Corrects && read && known && !field.Many:
			return fmt.Errorf("%s was read as %s in attempt %d already; use --correct if that was mistyped, or --retest for a new attempt at the step", one.Name, before.Text, last.Number)
		}
	}
	return onceEach(step, k.input.Family, r)
}

func correcting(r *reading.Results) bool {
	return slices.ContainsFunc(r.Readings, func(one reading.Reading) bool { return one.Corrects })
}

// onceEach refuses two values of a name that takes one, and a correction with
// more than one.
func onceEach(step *plans.Step, family *plans.Family, r *reading.Results) error {
	fields := plans.Fields(step, family)
	seen := map[string]bool{}
	for _, one := range r.Readings {
		field, known := plans.FieldNamed(fields, one.Name)
		if seen[one.Name] && one.Corrects {
			return fmt.Errorf("%s: a correction takes the place of the last reading, so give one value; to read all of them again, use --retest", one.Name)
		}
		if seen[one.Name] && known && !field.Many {
			return fmt.Errorf("%s: the step takes one value of it", one.Name)
		}
		seen[one.Name] = true
	}
	return nil
}

// settleInstruments keeps a named instrument with the readings that it can
// have taken, and refuses one that the bench does not have or that measures
// none of them.
func (k *openCase) settleInstruments(r *reading.Results) error {
	if err := k.checkInstrument(r.Readings); err != nil {
		return err
	}
	bench, ok := k.input.Shop.Bench(k.input.Job.Bench)
	if !ok {
		return nil
	}
	step, _ := k.input.Plan.Step(r.Step)
	fields := plans.Fields(step, k.input.Family)
	named, used := "", false
	for i := range r.Readings {
		one := &r.Readings[i]
		inst, found := bench.Instrument(one.Instrument)
		if !found {
			continue
		}
		named = inst.ID
		field, _ := plans.FieldNamed(fields, one.Name)
		if one.Value != nil && slices.Contains(inst.Measures, field.Dimension) {
			used = true
			continue
		}
		one.Instrument = ""
	}
	if named == "" || used {
		return nil
	}
	inst, _ := bench.Instrument(named)
	return fmt.Errorf("%s measures %s, and none of these readings is that", named, dimensionList(inst.Measures))
}

func dimensionList(dims []quantity.Dimension) string {
	var out []string
	for _, d := range dims {
		out = append(out, string(d))
	}
	return strings.Join(out, ", ")
}

// refuseLog refuses a log that the step cannot use. A log that cannot be read
// is left to the reader, which says where and why.
func refuseLog(step *plans.Step, path, name string, m logs.Map) error {
	needed := step.Kind.Declared().Columns
	if step.Kind.Files() != plans.Logs {
		return fmt.Errorf("step %s is of kind %s and takes no log; record what was read with: proveout record", step.ID, step.Kind)
	}
	if m.Format == "" {
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		defer f.Close()
		if m, _, err = logs.Sniff(name, f); err != nil {
			return nil
		}
	}
	for _, c := range m.Columns {
		if slices.Contains(needed, c.Quantity) {
			return nil
		}
	}
	return noColumn(name, m, fmt.Sprintf("no column of this log is a %s, which step %s needs", strings.Join(needed, " or a "), step.ID))
}

// noColumn says of a log that it lacks a quantity, at its header.
func noColumn(name string, m logs.Map, what string) error {
	return &logs.Problem{File: name, Line: max(int64(m.Header), 1), Column: 1, What: what, Fix: "name it in the header with its unit, or in a log map"}
}

// readWhole reads a log to its end without keeping anything, so that of several
// logs either all are imported or none.
func readWhole(ctx context.Context, path, name string, m logs.Map) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = logs.Read(logs.Input{Name: name, Reader: f}, m, untilStopped(ctx))
	return err
}

func untilStopped(ctx context.Context) func(*logs.Batch) error {
	return func(*logs.Batch) error { return ctx.Err() }
}

// held reports the gate that holds a step, if any.
func (k *openCase) held(step *plans.Step) (gate string, held bool) {
	if !step.Kind.Powered() {
		return "", false
	}
	outcome := scoring.Score(k.input)
	return scoring.FailedGate(&outcome, k.input.Plan, step.ID)
}
