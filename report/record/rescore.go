package record

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// A Rescored says what was judged again, by the steps' titles.
type Rescored struct {
	Again []string // from the readings, and the files where there are some
	Taken []string // not judged again: their files are not at hand
}

// Rescore judges the record's readings again and compares. The error says what
// does not follow. Steps whose files are not at hand are only looked through for
// what contradicts itself; without files, no step has them.
func (r *Record) Rescore(files reading.Files) (Rescored, error) { return r.rescore(files, toTheLetter) }

// A closeness says how a record is compared with what judging it again gives.
type closeness int

const (
	toTheLetter closeness = iota // each word and number
	byValue                      // verdicts, values, limits: another version may word them otherwise, and add to them
)

// foreign tells whether another version of the program wrote the record.
func (r *Record) foreign(tool string) bool {
	return r.Schema != Schema || tool != "" && r.Tool != tool
}

func (r *Record) rescore(files reading.Files, how closeness) (Rescored, error) {
	var done Rescored
	plan, family, err := r.documents()
	if err != nil {
		return done, err
	}
	if files == nil {
		files = logs.InMemory(nil)
	}
	in := reading.Input{
		Plan: plan, Family: family, Shop: r.Shop, Job: r.Job,
		References: r.References, Control: r.Control, Answers: r.Answers, Files: files,
	}
	taken := map[string]outcome.StepOutcome{}
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
func (r *Record) frame(plan *plans.Plan, job *reading.Job, s *outcome.StepOutcome) error {
	step, ok := plan.Step(s.ID)
	if !ok {
		return fmt.Errorf("the plan has no step %s", s.ID)
	}
	required, why := scoring.Required(step, job)
	same := s.Required == required && s.WhyNeeded == why && s.Gate == step.Gate && s.Title == step.Title &&
		s.Kind == string(step.Kind) && s.Attempts == len(job.Attempts[s.ID])
	if !same {
		return fmt.Errorf("the step %s is not the one of the plan", s.ID)
	}
	return nil
}

// complete tells whether all files that a step is judged by are at hand.
func (r *Record) complete(step string, files reading.Files) bool {
	atHand := func(e reading.Evidence) bool {
		file, err := files.Open(e)
		if err == nil {
			file.Close()
		}
		return !errors.Is(err, reading.ErrNoFile)
	}
	for _, a := range r.Job.Attempts[step] {
		for _, e := range a.Files() {
			if !atHand(e) {
				return false
			}
		}
	}
	return true
}

// compare says the first thing in which the record's outcome differs from the
// one that was worked out again.
func (r *Record) compare(again outcome.Outcome, how closeness) error {
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
			w, g := &was.Checks[k], &is.Checks[k]
			sameText, err := alike(w.Text, g.Text)
			if err != nil || w.Verdict != g.Verdict || !sameText {
				return otherCheck(was.ID, w, g)
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
func sameValues(was, is *outcome.StepOutcome) error {
	sameStep := was.Required == is.Required && was.Gate == is.Gate && was.Kind == is.Kind &&
		was.Attempts == is.Attempts && slices.Equal(was.Earlier, is.Earlier)
	if !sameStep {
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
			Verdict              conformity.Verdict
			Unit                 string
			Value, U, Low, High  *float64
			Informative, Limited bool
		}
		of := func(c *outcome.Check) values {
			v := values{Verdict: c.Verdict, Unit: c.Unit, Value: c.Value, U: c.U}
			v.Informative, v.Limited = c.Informative, c.Limits != nil
			if c.Limits != nil {
				v.Low, v.High = c.Limits.Low, c.Limits.High
			}
			return v
		}
		if same, err := alike(of(w), of(g)); err != nil || !same {
			return errors.Join(otherCheck(was.ID, w, g), err)
		}
	}
	return nil
}

// otherCheck is the error for a check that comes out otherwise.
func otherCheck(step string, was, is *outcome.Check) error {
	return fact.New("check.other-check", "step", step, "check", was.Name, "was", was.Text, "verdict", was.Verdict.Fact(),
		"is", is.Text, "gives", is.Verdict.Fact()).
		Err()
}

// named is the check of a name that has so many of the same name before it.
func named(checks []outcome.Check, name string, before int) *outcome.Check {
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
