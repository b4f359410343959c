package archive

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"math"
	"slices"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/scoring"
)

// errNoFile is the error of a file that is not at hand.
var errNoFile = errors.New("the file is not at hand")

// Files opens the file with a SHA-256; nil for one that is not at hand.
type Files func(sha256 string) opener

type opener = func() (io.ReadCloser, error)

// open is the file's opener; nil when it is not at hand.
func (f Files) open(sum string) opener {
	if f == nil {
		return nil
	}
	return f(sum)
}

// mostDump is the longest dump that is read, in bytes.
const mostDump = 1 << 20

func (f Files) bytes(sum string) func() ([]byte, error) {
	return func() ([]byte, error) {
		open := f.open(sum)
		if open == nil {
			return nil, errNoFile
		}
		r, err := open()
		if err != nil {
			return nil, err
		}
		defer r.Close()
		return io.ReadAll(io.LimitReader(r, mostDump))
	}
}

// Memory gives the files that are in memory, each by its SHA-256.
func Memory(files map[string][]byte) Files {
	return func(sum string) opener {
		data, ok := files[sum]
		if !ok {
			return nil
		}
		return func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(data)), nil }
	}
}

// Digest is the SHA-256 of a file, as records name it.
func Digest(file []byte) string { return digest(file) }

// A Rescored says what was judged again, by the steps' titles.
type Rescored struct {
	Again []string // from the readings, and the files where there are some
	Taken []string // not judged again: their files are not at hand
}

// Rescore judges the record's readings again and compares. The error says what
// does not follow. Steps whose files are not at hand are only looked
// through for what contradicts itself.
func (r *Record) Rescore(files Files) (Rescored, error) { return r.rescore(files, toTheLetter) }

// A closeness says how a record is compared with what judging it again gives.
type closeness int

const (
	toTheLetter closeness = iota // each word and number
	byValue                      // verdicts, values and limits: another version may word them otherwise and add to them
)

// foreign tells whether another version of the program wrote the record.
func (r *Record) foreign(tool string) bool { return r.Schema != Schema || tool != "" && r.Tool != tool }

func (r *Record) rescore(files Files, how closeness) (Rescored, error) {
	var done Rescored
	plan, family, err := r.documents()
	if err != nil {
		return done, err
	}
	in := reading.Input{Plan: plan, Family: family, Shop: r.Shop.plans(), References: r.references()}
	in.Job = r.Job.reading(files)
	for _, c := range r.Control {
		in.Control = append(in.Control, reading.ControlRun(c))
	}
	for _, a := range r.Answers {
		in.Answers = append(in.Answers, reading.SignalAnswer(a))
	}
	taken := map[string]scoring.StepOutcome{}
	for _, s := range r.Outcome.Steps {
		title := s.Title
		if title == "" {
			title = s.ID
		}
		if r.complete(s.ID, files) {
			done.Again = append(done.Again, title)
			continue
		}
		if err := scoring.Consistent(&s); err != nil {
			return done, err
		}
		if err := r.frame(plan, in.Job, &s); err != nil {
			return done, err
		}
		taken[s.ID], done.Taken = s, append(done.Taken, title)
	}
	return done, r.compare(scoring.Rescore(in, taken), how)
}

// frame compares what the plan says of a step that is not judged again.
func (r *Record) frame(plan *plans.Plan, job *reading.Job, s *scoring.StepOutcome) error {
	step, ok := plan.Step(s.ID)
	if !ok {
		return fmt.Errorf("the plan has no step %s", s.ID)
	}
	required, why := scoring.Required(step, job)
	if s.Required != required || s.WhyNeeded != why || s.Gate != step.Gate || s.Title != step.Title || s.Kind != string(step.Kind) || s.Attempts != len(job.Attempts[s.ID]) {
		return fmt.Errorf("the step %s is not the one of the plan", s.ID)
	}
	return nil
}

func (r *Record) references() []plans.ReferenceSet {
	var out []plans.ReferenceSet
	for _, s := range r.References {
		set := plans.ReferenceSet{Workload: s.Workload, Bench: s.Bench, Unit: s.Unit, Better: s.Better, Source: s.Source}
		for _, one := range s.Scores {
			set.Scores = append(set.Scores, plans.ReferenceScore(one))
		}
		out = append(out, set)
	}
	return out
}

// complete tells whether all files that a step is judged by are at hand.
func (r *Record) complete(step string, files Files) bool {
	for _, a := range r.Job.Attempts[step] {
		var sums []string
		for _, l := range a.Logs {
			sums = append(sums, l.SHA256)
		}
		for _, c := range a.Captures {
			sums = append(sums, c.SHA256)
		}
		for _, d := range a.Dumps {
			sums = append(sums, d.SHA256)
		}
		for _, sum := range sums {
			if files.open(sum) == nil {
				return false
			}
		}
	}
	return true
}

// read gives a log what reads its file.
func (l *Log) read(to *reading.Log, files Files) {
	open := files.open(l.SHA256)
	if open == nil {
		open = func() (io.ReadCloser, error) { return nil, errNoFile }
	}
	broken := func(err error) opener { return func() (io.ReadCloser, error) { return nil, err } }
	if l.Failures != nil {
		var o logs.FailureOptions
		if err := json.Unmarshal(l.Failures, &o); err != nil {
			open = broken(err)
		}
		to.Recipe, to.Pool, to.Failures = l.Failures, l.Pool, logs.FailureRows(l.Name, open, o)
		to.Rows = func() iter.Seq2[reading.Row, error] { return func(func(reading.Row, error) bool) {} }
		return
	}
	var m logs.Map
	if err := json.Unmarshal(l.Recipe, &m); err != nil {
		open = broken(err)
	}
	to.Recipe, to.Rows = l.Recipe, logs.Rows(l.Name, open, m, l.Part)
}

// compare says the first thing in which the record's outcome differs from the
// one that was worked out again.
func (r *Record) compare(again scoring.Outcome, how closeness) error {
	if len(again.Steps) != len(r.Outcome.Steps) {
		return errors.New("the record does not have the steps of its plan")
	}
	for i := range again.Steps {
		was, is := &r.Outcome.Steps[i], &again.Steps[i]
		if was.ID != is.ID {
			return fmt.Errorf("the record has the step %s where its plan has %s", was.ID, is.ID)
		}
		if was.Verdict != is.Verdict {
			return fmt.Errorf("the step %s says %q, but its readings give %q", was.ID, was.Verdict, is.Verdict)
		}
		if how == byValue {
			if err := sameValues(was, is); err != nil {
				return err
			}
			continue
		}
		for k := range min(len(was.Checks), len(is.Checks)) {
			if w, g := &was.Checks[k], &is.Checks[k]; w.Verdict != g.Verdict || w.Text != g.Text {
				return fmt.Errorf("in the step %s the check %s says %q, %s, but the readings give %q, %s", was.ID, w.Name, w.Text, w.Verdict, g.Text, g.Verdict)
			}
		}
		if same, err := alike(was, is); err != nil || !same {
			return errors.Join(fmt.Errorf("the step %s does not say what its readings give", was.ID), err)
		}
	}
	if r.Outcome.Verdict != again.Verdict || r.Outcome.Accepted != again.Accepted {
		return fmt.Errorf("the record says %q for the card, but its steps give %q", r.Outcome.Verdict, again.Verdict)
	}
	if how == byValue {
		return nil
	}
	if same, err := alike(&r.Outcome, &again); err != nil || !same {
		return errors.Join(errors.New("the record's conclusion is not the one that its steps give"), err)
	}
	return nil
}

// sameValues compares a step with the same one as another version judges it:
// what decides, and each check that the record has.
func sameValues(was, is *scoring.StepOutcome) error {
	if was.Required != is.Required || was.Gate != is.Gate || was.Kind != is.Kind || was.Attempts != is.Attempts || !slices.Equal(was.Earlier, is.Earlier) {
		return fmt.Errorf("the step %s is not the one of the plan", was.ID)
	}
	for k := range was.Checks {
		w, before := &was.Checks[k], 0
		for _, c := range was.Checks[:k] {
			if c.Name == w.Name {
				before++
			}
		}
		g := named(is.Checks, w.Name, before)
		if g == nil {
			return fmt.Errorf("the step %s does not say what its readings give", was.ID)
		}
		type values struct {
			Verdict              scoring.Verdict
			Unit                 string
			Value, U, Low, High  *scoring.Number
			Informative, Limited bool
		}
		of := func(c *scoring.Check) values {
			v := values{Verdict: c.Verdict, Unit: c.Unit, Value: c.Value, U: c.U, Informative: c.Informative, Limited: c.Limits != nil}
			if c.Limits != nil {
				v.Low, v.High = c.Limits.Low, c.Limits.High
			}
			return v
		}
		if same, err := alike(of(w), of(g)); err != nil || !same {
			return errors.Join(fmt.Errorf("in the step %s the check %s says %q, %s, but the readings give %q, %s", was.ID, w.Name, w.Text, w.Verdict, g.Text, g.Verdict), err)
		}
	}
	return nil
}

// named is the check of a name that has so many of the same name before it.
func named(checks []scoring.Check, name string, before int) *scoring.Check {
	for i := range checks {
		if checks[i].Name != name {
			continue
		}
		if before == 0 {
			return &checks[i]
		}
		before--
	}
	return nil
}

// alike compares two values as JSON. Numbers may differ in their last digits,
// because processors round differently: by one part in 10^9.
func alike(a, b any) (bool, error) {
	x, err := generic(a)
	if err != nil {
		return false, err
	}
	y, err := generic(b)
	return err == nil && same(x, y), err
}

func generic(v any) (out any, err error) {
	text, err := json.Marshal(v)
	if err == nil {
		err = json.Unmarshal(text, &out)
	}
	return out, err
}

func same(a, b any) bool {
	switch a := a.(type) {
	case float64:
		b, ok := b.(float64)
		return ok && math.Abs(a-b) <= 1e-9*math.Max(math.Abs(a), math.Abs(b))+1e-12
	case []any:
		b, ok := b.([]any)
		return ok && slices.EqualFunc(a, b, same)
	case map[string]any:
		b, ok := b.(map[string]any)
		return ok && maps.EqualFunc(a, b, same)
	}
	return a == b
}
