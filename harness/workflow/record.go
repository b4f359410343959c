package workflow

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/document"
	"proveout/plans/quantity"
)

// ReadResults reads a file of typed results.
func (j *Job) ReadResults(path string) ([]reading.Results, error) {
	data, err := ReadTyped(path)
	if err != nil {
		return nil, err
	}
	results, problems := reading.ParseResults(path, data, j.Plan, j.Family)
	return results, plans.AsError(problems)
}

// ParseTyped reads words of the form name=value, typed for a step. A value that
// looks like a slip of the decimal point is refused unless a note says why it
// is so.
func (j *Job) ParseTyped(step *plans.Step, words []string, note string) ([]reading.Reading, error) {
	fields := plans.Fields(step, j.Family)
	var out []reading.Reading
	var errs []error
	for _, word := range words {
		readings, err := typedWord(step, fields, word, note)
		out, errs = append(out, readings...), append(errs, err)
	}
	return out, errors.Join(errs...)
}

func typedWord(step *plans.Step, fields []plans.Field, word, note string) ([]reading.Reading, error) {
	name, value, ok := strings.Cut(word, "=")
	if !ok {
		return nil, fmt.Errorf("%q is not name=value", word)
	}
	f, ok := plans.FieldNamed(fields, name)
	if !ok {
		advice := document.DidYouMean(name, FieldNames(fields))
		return nil, fmt.Errorf("step %s takes no reading %q; %s", step.ID, name, advice)
	}
	readings, err := reading.Parse(f, value)
	for _, r := range readings {
		if doubt, _ := reading.DoubtOf(f, r); doubt.Slip() && note == "" {
			return nil, fmt.Errorf("%s: %s Nothing was recorded; if it is right as typed, "+
				"say why with --note TEXT", f.Name, doubt.Question())
		}
	}
	return readings, err
}

// FieldNames are the names of fields.
func FieldNames(fields []plans.Field) []string {
	return plans.NamesOf(fields, func(f plans.Field) string { return f.Name })
}

// Record keeps results of steps, all or none. What a step cannot take, and what
// would change an earlier reading unseen, is refused.
func (j *Job) Record(results []reading.Results) error {
	return j.work(func(f *job.Folder) error {
		var entries []job.Entry
		for i := range results {
			r := &results[i]
			if err := j.settle(r); err != nil {
				return err
			}
			entries = append(entries, j.entriesOf(r)...)
		}
		return f.Append(entries...)
	})
}

// settle refuses results that cannot be recorded, and keeps their instruments
// with the readings that these can have taken.
func (j *Job) settle(r *reading.Results) error {
	step, err := j.Step(r.Step)
	if err != nil {
		return err
	}
	if err := j.refuseHeld(step); err != nil {
		return err
	}
	if err := j.refuseRepeats(step, r); err != nil {
		return err
	}
	return j.settleInstruments(step, r)
}

// entriesOf turns results into journal entries of the open attempt, or of a
// new one.
func (j *Job) entriesOf(r *reading.Results) []job.Entry {
	var out []job.Entry
	attempt := j.Last(r.Step).Number
	add := func(e job.Entry) {
		e.Step, e.Attempt, e.By = r.Step, attempt, j.By
		out = append(out, e)
	}
	if attempt == 0 || j.freshFor(r) {
		attempt++
		add(job.Entry{Kind: job.AttemptStart})
	}
	for _, one := range r.Readings {
		add(job.Observe(r.Step, attempt, one))
	}
	if r.Note != "" {
		add(job.Entry{Kind: job.Remark, Text: r.Note})
	}
	if r.Skip != "" {
		add(job.Entry{Kind: job.Skip, Text: r.Skip})
	}
	return out
}

// freshFor reports whether results begin a new attempt.
func (j *Job) freshFor(r *reading.Results) bool {
	return r.Retest || !correcting(r) && closed(j.Last(r.Step))
}

func correcting(r *reading.Results) bool {
	return slices.ContainsFunc(r.Readings, func(one reading.Reading) bool { return one.Corrects })
}

// refuseRepeats refuses a second value where a step takes one and the open
// attempt has it: a mistyped value is corrected, a changed card is a retest,
// and neither is lost from sight.
func (j *Job) refuseRepeats(step *plans.Step, r *reading.Results) error {
	last := j.Last(r.Step)
	fields := plans.Fields(step, j.Family)
	if last.Number == 0 || j.freshFor(r) {
		if correcting(r) {
			return fmt.Errorf("step %s has no readings yet that could be corrected", r.Step)
		}
		return onceEach(fields, r)
	}
	for _, one := range r.Readings {
		before, read := last.Latest(one.Name)
		field, known := plans.FieldNamed(fields, one.Name)
		switch {
		case one.Corrects && !read:
			return fmt.Errorf("%s was not read in attempt %d, so there is nothing to correct", one.Name, last.Number)
		case !one.Corrects && read && known && !field.Many:
			return fmt.Errorf("%s was read as %s in attempt %d already; use --correct if that was mistyped, "+
				"or --retest for a new attempt at the step", one.Name, before.Text, last.Number)
		}
	}
	return onceEach(fields, r)
}

// onceEach refuses two values of a name that takes one, and a correction with
// more than one.
func onceEach(fields []plans.Field, r *reading.Results) error {
	seen := map[string]bool{}
	for _, one := range r.Readings {
		field, known := plans.FieldNamed(fields, one.Name)
		if seen[one.Name] && one.Corrects {
			return fmt.Errorf("%s: a correction takes the place of the last reading, so give one value; "+
				"to read all of them again, use --retest", one.Name)
		}
		if seen[one.Name] && known && !field.Many {
			return fmt.Errorf("%s: the step takes one value of it", one.Name)
		}
		seen[one.Name] = true
	}
	return nil
}

// bench is the bench of the job; empty when the shop has none of its name.
func (j *Job) bench() *plans.Bench {
	if bench, ok := j.Shop.Bench(j.Input.Job.Bench); ok {
		return bench
	}
	return &plans.Bench{}
}

// refuseInstrument refuses an instrument that the bench does not have.
func (j *Job) refuseInstrument(id string) error {
	bench := j.bench()
	if _, has := bench.Instrument(id); has || id == "" || bench.ID == "" {
		return nil
	}
	ids := plans.NamesOf(bench.Instruments, func(inst plans.Instrument) string { return inst.ID })
	return fmt.Errorf("bench %s has no instrument %q; it has: %s", bench.ID, id, strings.Join(ids, ", "))
}

// settleInstruments keeps a named instrument with the readings that it can
// have taken, and refuses one that the bench does not have or that measures
// none of them.
func (j *Job) settleInstruments(step *plans.Step, r *reading.Results) error {
	bench, fields := j.bench(), plans.Fields(step, j.Family)
	var named *plans.Instrument
	used := false
	for i := range r.Readings {
		one := &r.Readings[i]
		if err := j.refuseInstrument(one.Instrument); err != nil {
			return err
		}
		inst, found := bench.Instrument(one.Instrument)
		if !found {
			continue
		}
		named = inst
		field, _ := plans.FieldNamed(fields, one.Name)
		if one.Value != nil && slices.Contains(inst.Measures, field.Dimension) {
			used = true
			continue
		}
		one.Instrument = ""
	}
	if named == nil || used {
		return nil
	}
	measures := plans.NamesOf(named.Measures, func(d quantity.Dimension) string { return string(d) })
	return fmt.Errorf("%s measures %s, and none of these readings is that", named.ID, strings.Join(measures, ", "))
}

// Measuring returns the bench's instruments for a field, and the one that must
// have taken it where there is no choice; nil where there is.
func (j *Job) Measuring(f plans.Field) (all []plans.Instrument, the *plans.Instrument) {
	bench := j.bench()
	for _, inst := range bench.Instruments {
		if slices.Contains(inst.Measures, f.Dimension) {
			all = append(all, inst)
		}
	}
	the, _ = bench.Measuring(f.Dimension, f.Place)
	return all, the
}
