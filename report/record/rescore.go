package record

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"io"
	"maps"
	"math"
	"slices"

	"proveout/harness/reading"
	"proveout/plans/fact"
	"proveout/report/content"
	"proveout/report/seal/pdffile"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// A Rescored says what was judged again, by the steps' titles.
type Rescored struct {
	Again []string // from the readings, and the files where there are some
	Taken []string // not judged again: their files are not at hand
	Other []string // judged by the rules of an earlier schema, and otherwise by today's
}

// A Judging is how readings are judged and files read. The caller gives it,
// because judging stands above the record of what was judged.
type Judging struct {
	// Score judges a job; the steps that it is given are taken as they are.
	Score func(reading.Input, map[string]outcome.StepOutcome) outcome.Outcome
	// Files are those that can be opened.
	Files func(open func(reading.Evidence) (io.ReadCloser, error)) reading.Files
}

// InMemory are the files inside a certificate.
func (j Judging) InMemory(inside []pdffile.Attachment) reading.Files {
	bySHA256 := map[string][]byte{}
	for _, a := range inside {
		bySHA256[content.Digest(a.Data)] = a.Data
	}
	return j.Files(func(e reading.Evidence) (io.ReadCloser, error) {
		data, ok := bySHA256[e.SHA256]
		if !ok {
			return nil, reading.ErrNoFile
		}
		return io.NopCloser(bytes.NewReader(data)), nil
	})
}

// Rescore judges the record's readings again and compares. The error says what
// does not follow. Steps whose files are not at hand are only looked through for
// what contradicts itself; without files, no step has them.
//
// A record of this program, whose name and version is tool, is compared by each
// word and number. That of another version is compared by what decides: it may
// word things otherwise, and this one may add to them. One of an earlier schema was
// judged by other rules: what they passed may be undecided today, but never failed.
func (j Judging) Rescore(r *content.Record, files reading.Files, tool string) (Rescored, error) {
	var done Rescored
	plan, family, err := documents(r)
	if err != nil {
		return done, err
	}
	if files == nil {
		files = j.InMemory(nil)
	}
	in := reading.Input{
		Plan: plan, Family: family, Shop: r.Shop, Job: r.Job,
		References: r.References, Control: r.Control, Answers: r.Answers, Files: files,
	}
	taken := map[string]outcome.StepOutcome{}
	for _, s := range r.Outcome.Steps {
		title := cmp.Or(s.Title, s.ID)
		known := complete(r, s.ID, files)
		if known {
			done.Again = append(done.Again, title)
		} else {
			done.Taken = append(done.Taken, title)
		}
		if !known || r.Schema < Schema {
			if err := consistent(&s); err != nil {
				return done, err
			}
		}
		if !known {
			taken[s.ID] = s
		}
	}
	again := j.Score(in, taken)
	if r.Schema == Schema {
		return done, compare(r, again, r.Tool != tool)
	}
	if done.Other, err = earlier(r, again); err != nil {
		return done, err
	}
	done.Again = slices.DeleteFunc(done.Again, func(title string) bool { return slices.Contains(done.Other, title) })
	for _, s := range r.Outcome.Steps {
		taken[s.ID] = s
	}
	return done, sameOutcome(r, j.Score(in, taken))
}

// earlier compares a record of an earlier schema with the outcome by today's
// rules, and returns the titles of the steps that they would judge otherwise.
// What was typed has to be the same: only its uncertainty, and what was worked
// out from files, is a matter of the rules.
func earlier(r *content.Record, again outcome.Outcome) (other []string, err error) {
	if len(again.Steps) != len(r.Outcome.Steps) {
		return nil, fact.New("check.other-steps").Err()
	}
	for i := range again.Steps {
		was, is := &r.Outcome.Steps[i], &again.Steps[i]
		switch {
		case !sameStep(was, is):
			return nil, fact.New("check.step-not-of-plan", "step", was.ID).Err()
		case was.Verdict == conformity.Pass && is.Verdict == conformity.Fail:
			return nil, otherVerdict(was, is)
		}
		differs := was.Verdict != is.Verdict
		typed := !slices.ContainsFunc(r.Job.Attempts[was.ID], func(a reading.Attempt) bool { return len(a.Files()) > 0 })
		byName(was, is, func(w, g *outcome.Check) {
			differs = differs || g == nil || w.Verdict != g.Verdict || !sameNumber(w.U, g.U)
			switch {
			case !typed || err != nil:
			case g == nil:
				err = fact.New("check.other-step", "step", was.ID).Err()
			case !sameTyped(w, g):
				err = otherCheck(was.ID, w, g)
			}
		})
		if err != nil {
			return nil, err
		}
		if differs {
			other = append(other, cmp.Or(was.Title, was.ID))
		}
	}
	return other, nil
}

// byName calls f with each check of was and the one of the same name in is, nil
// when there is none.
func byName(was, is *outcome.StepOutcome, f func(was, is *outcome.Check)) {
	named := map[string][]*outcome.Check{} // those of a name, in their order
	for i := range is.Checks {
		c := &is.Checks[i]
		named[c.Name] = append(named[c.Name], c)
	}
	for i := range was.Checks {
		w := &was.Checks[i]
		var g *outcome.Check
		if same := named[w.Name]; len(same) > 0 {
			g, named[w.Name] = same[0], same[1:]
		}
		f(w, g)
	}
}

// sameTyped tells whether two checks are of the same typed value, with the same
// limits as far as both have them.
func sameTyped(w, g *outcome.Check) bool {
	if w.Unit != g.Unit || !sameNumber(w.Value, g.Value) {
		return false
	}
	if w.Limits == nil || g.Limits == nil {
		return true
	}
	both := func(a, b *float64) bool { return a == nil || b == nil || sameNumber(a, b) }
	return both(w.Limits.Low, g.Limits.Low) && both(w.Limits.High, g.Limits.High)
}

func sameNumber(a, b *float64) bool {
	if a == nil || b == nil {
		return a == b
	}
	return same(*a, *b)
}

// complete tells whether all files that a step is judged by are at hand.
func complete(r *content.Record, step string, files reading.Files) bool {
	missing := func(e reading.Evidence) bool {
		file, err := files.Open(e)
		if err == nil {
			file.Close()
		}
		return errors.Is(err, reading.ErrNoFile)
	}
	return !slices.ContainsFunc(r.Job.Attempts[step], func(a reading.Attempt) bool {
		return slices.ContainsFunc(a.Files(), missing)
	})
}

// compare says the first thing in which the record's outcome differs from the
// one that was worked out again, in words and all or by value.
func compare(r *content.Record, again outcome.Outcome, byValue bool) error {
	if len(again.Steps) != len(r.Outcome.Steps) {
		return fact.New("check.other-steps").Err()
	}
	for i := range again.Steps {
		was, is := &r.Outcome.Steps[i], &again.Steps[i]
		if was.ID != is.ID {
			return fact.New("check.step-elsewhere", "step", was.ID, "plan", is.ID).Err()
		}
		if was.Verdict != is.Verdict {
			return otherVerdict(was, is)
		}
		if byValue {
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
			return errors.Join(fact.New("check.other-step", "step", was.ID).Err(), err)
		}
	}
	if err := sameOutcome(r, again); err != nil || byValue {
		return err
	}
	if same, err := alike(&r.Outcome, &again); err != nil || !same {
		return errors.Join(fact.New("check.other-conclusion").Err(), err)
	}
	return nil
}

// sameOutcome compares what the job came to.
func sameOutcome(r *content.Record, again outcome.Outcome) error {
	if r.Outcome.Verdict != again.Verdict || r.Outcome.Accepted != again.Accepted {
		return fact.New("check.other-outcome",
			"was", r.Outcome.Verdict.Fact(), "is", again.Verdict.Fact()).Err()
	}
	return nil
}

func otherVerdict(was, is *outcome.StepOutcome) error {
	return fact.New("check.other-verdict",
		"step", was.ID, "was", was.Verdict.Fact(), "is", is.Verdict.Fact()).Err()
}

// sameStep tells whether a step is the same one of the plan, with as many
// attempts.
func sameStep(was, is *outcome.StepOutcome) bool {
	return was.ID == is.ID && was.Required == is.Required && was.WhyNeeded == is.WhyNeeded && was.Gate == is.Gate &&
		was.Kind == is.Kind && was.Title == is.Title && was.Attempts == is.Attempts &&
		len(was.Earlier) == len(is.Earlier)
}

// sameValues compares a step with the same one as another version judges it:
// what decides, and each check that the record has.
func sameValues(was, is *outcome.StepOutcome) error {
	if !sameStep(was, is) || !slices.Equal(was.Earlier, is.Earlier) {
		return fact.New("check.step-not-of-plan", "step", was.ID).Err()
	}
	var err error
	byName(was, is, func(w, g *outcome.Check) {
		if g == nil {
			err = cmp.Or(err, fact.New("check.other-step", "step", was.ID).Err())
			return
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
			if c.K != nil && w.K == nil { // earlier versions took k = 2 of few readings too
				v.U = new(*c.U * 2 / *c.K)
			}
			return v
		}
		if same, unlike := alike(of(w), of(g)); err == nil && (unlike != nil || !same) {
			err = errors.Join(otherCheck(was.ID, w, g), unlike)
		}
	})
	return err
}

// otherCheck is the error for a check that comes out otherwise.
func otherCheck(step string, was, is *outcome.Check) error {
	return fact.New("check.other-check", "step", step, "check", was.Name, "was", was.Text, "verdict", was.Verdict.Fact(),
		"is", is.Text, "gives", is.Verdict.Fact()).
		Err()
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

// consistent says what does not hold together in a step that cannot be judged
// again because its files are not at hand: its verdict has to be the worst of
// its checks, and a check that passed by its numbers has to pass by them.
func consistent(s *outcome.StepOutcome) error {
	if s.Attempts == 0 || s.Reason.Key == "outcome.held" {
		if s.Verdict != conformity.NotRun {
			return fact.New("check.nothing-judged", "step", s.ID, "verdict", s.Verdict.Fact()).Err()
		}
		return nil
	}
	if got := outcome.Worst(s.Checks); len(s.Checks) > 0 && got != s.Verdict {
		return fact.New("check.other-than-checks", "step", s.ID, "verdict", s.Verdict.Fact(), "checks", got.Fact()).Err()
	}
	if len(s.Checks) == 0 && s.Verdict != conformity.NotRun {
		return fact.New("check.no-checks", "step", s.ID, "verdict", s.Verdict.Fact()).Err()
	}
	for i := range s.Checks {
		c := &s.Checks[i]
		if c.Verdict == conformity.Pass && !c.Informative && !passes(c) {
			return fact.New("check.passes-outside", "step", s.ID, "check", c.Name).Err()
		}
	}
	return nil
}

// passes tells whether the numbers of a check carry its pass. A check without
// numbers does not say.
func passes(c *outcome.Check) bool {
	if c.Value == nil || c.Limits == nil || c.Rule == "" {
		return true
	}
	u := 0.0
	if c.U != nil && c.Rule == string(conformity.Guarded) {
		u = float64(*c.U)
	}
	v := float64(*c.Value)
	// Numbers were brought from base units to the check's unit: the last digits
	// may differ.
	slack := 1e-9 * math.Max(math.Abs(v), 1)
	if c.Limits.Low != nil && v-u < float64(*c.Limits.Low)-slack {
		return false
	}
	return c.Limits.High == nil || v+u <= float64(*c.Limits.High)+slack
}
