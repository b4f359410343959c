package workflow

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"time"

	"proveout/harness/job"
	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/harness/register"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/report/words"
	"proveout/scoring"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// A Job is a card's way through the bench with everything that judging it
// needs, as it stands on the disk.
type Job struct {
	reading.Input
	Dir string
	By  string // technician who works on it

	home    *Shop
	folder  *job.Folder         // nil while nobody has taken it
	outcome *outcome.Outcome    // nil when it must be judged anew
	maps    map[string]logs.Map // read for its steps, by id
	own     map[string]bool     // files that this program wrote; true: their headers say what they hold
	shopLog []fact.Fact         // warnings about the shop's register
}

// Job loads the job of a number.
func (s *Shop) Job(number string) (*Job, error) {
	dir, err := job.Dir(s.Dir, number)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no job %q in %s; proveout job list shows the jobs", number, s.Dir)
	}
	if err != nil {
		return nil, err
	}
	observed, snapshot, err := job.Load(dir)
	if err != nil {
		return nil, err
	}
	plan, family, err := readSnapshot(dir, observed, snapshot)
	if err != nil {
		return nil, err
	}
	entries, warnings, err := register.Load(s.Dir)
	if err != nil {
		return nil, err
	}
	j := &Job{Dir: dir, By: observed.Technician, home: s, shopLog: warnings}
	j.Input = reading.Input{
		Plan: plan, Family: family, Shop: s.Shop,
		References: register.Sets(entries, family.ID, family.Variant),
		Control:    register.ControlRuns(entries),
		Answers:    register.Answers(entries),
		Files:      job.Files(dir, logs.Files),
	}
	j.take(observed)
	return j, nil
}

func readSnapshot(dir string, j *reading.Job, s job.Snapshot) (*plans.Plan, *plans.Family, error) {
	plan, problems := plans.ParsePlan(filepath.Join(dir, "plan.toml"), s.Plan)
	if len(problems) > 0 {
		return nil, nil, plans.AsError(problems)
	}
	file, problems := plans.ParseFamily(filepath.Join(dir, "family.toml"), s.Family)
	if len(problems) > 0 {
		return nil, nil, plans.AsError(problems)
	}
	family, err := file.Variant(j.Card.Variant)
	return plan, family, err
}

// take makes what was read the state of the job.
func (j *Job) take(observed *reading.Job) {
	observed.Warnings = append(observed.Warnings, j.shopLog...)
	j.Input.Job, j.outcome = observed, nil
}

// ShopDir is the folder of the job's shop.
func (j *Job) ShopDir() string { return j.home.Dir }

// Step returns the step of the plan with an id.
func (j *Job) Step(id string) (*plans.Step, error) { return stepOf(j.Plan, id) }

// Last is the last attempt at a step; an empty one when there is none.
func (j *Job) Last(step string) *reading.Attempt {
	attempts := j.Attempts(step)
	if len(attempts) == 0 {
		return &reading.Attempt{}
	}
	return &attempts[len(attempts)-1]
}

// Attempts are all attempts at a step.
func (j *Job) Attempts(step string) []reading.Attempt { return j.Input.Job.Attempts[step] }

// Open reports whether the last attempt at a step was begun and not ended.
func (j *Job) Open(step string) bool { return j.Last(step).Number > 0 && !closed(j.Last(step)) }

func closed(a *reading.Attempt) bool { return !a.Ended.IsZero() || a.Skipped != "" || a.Cut != "" }

// Outcome is the judgement of the job as it stands.
func (j *Job) Outcome() *outcome.Outcome {
	if j.outcome == nil {
		o := scoring.Score(j.Input)
		j.outcome = &o
	}
	return j.outcome
}

// Judged is the judgement of a step as it stands.
func (j *Job) Judged(step string) *outcome.StepOutcome {
	o := j.Outcome()
	for i := range o.Steps {
		if o.Steps[i].ID == step {
			return &o.Steps[i]
		}
	}
	return &outcome.StepOutcome{}
}

// Check is the check of one reading of a step, with the step's other readings
// left aside. There is none of a run, which is judged as a whole.
func (j *Job) Check(step *plans.Step, name string) (outcome.Check, bool) {
	if step.Timed() != nil {
		return outcome.Check{}, false
	}
	for _, c := range scoring.ScoreStep(j.Input, step).Checks {
		if c.Name == name && !c.Informative {
			return c, true
		}
	}
	return outcome.Check{}, false
}

// HeldBy is the first gate that failed before a powered step; empty when the
// step may run.
func (j *Job) HeldBy(step *plans.Step) string { return scoring.HeldBy(j.Input, step) }

// Unfit says why a step that gives the card power may not run on the job's
// bench: the slot, as the shop's file has it now, does not take the card.
func (j *Job) Unfit(step *plans.Step) error {
	bench := j.bench()
	if bench.ID == "" || !step.Kind.Powered() && step.Kind != plans.RailsKind {
		return nil
	}
	return fits(bench, j.Family)
}

// refuseHeld refuses a step that a gate or the slot forbids.
func (j *Job) refuseHeld(step *plans.Step) error {
	if err := j.Unfit(step); err != nil {
		return err
	}
	if gate := j.HeldBy(step); gate != "" {
		return fact.New("job.held", "step", step.ID, "gate", gate).Err()
	}
	return nil
}

// WaitsFor names the first required step that has not passed.
func (j *Job) WaitsFor() string {
	for _, s := range j.Outcome().Steps {
		if s.Required && s.Verdict != conformity.Pass && s.Verdict != conformity.NotApplicable {
			return s.ID
		}
	}
	return ""
}

// Take takes the job for this process, as it stands then, until it is given back
// with Close. A job that is not taken is taken for each change of it.
func (j *Job) Take() error {
	f, err := job.Open(j.Dir)
	if err != nil {
		return err
	}
	j.folder = f
	if err := j.reload(); err != nil {
		return errors.Join(err, j.Close())
	}
	return nil
}

// reload reads what happened at the bench afresh.
func (j *Job) reload() error {
	observed, _, err := job.Load(j.Dir)
	if err == nil {
		j.take(observed)
	}
	return err
}

// Close gives the job back.
func (j *Job) Close() error {
	f := j.folder
	j.folder = nil
	return f.Close()
}

// work changes the job and reads it again.
func (j *Job) work(do func(*job.Folder) error) (err error) {
	if j.folder == nil {
		if err := j.Take(); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, j.Close()) }()
	}
	done := do(j.folder)
	return errors.Join(done, j.reload())
}

// append records entries of the open attempt at a step; the first attempt is
// begun by its first entry.
func (j *Job) append(entries ...job.Entry) error {
	return j.work(func(f *job.Folder) error {
		for i := range entries {
			e := &entries[i]
			e.By = j.By
			if e.Step != "" && e.Attempt == 0 {
				e.Attempt = max(j.Last(e.Step).Number, 1)
			}
		}
		return f.Append(entries...)
	})
}

// Begin opens a new attempt at a step.
func (j *Job) Begin(step string) error {
	return j.work(func(f *job.Folder) error {
		next := j.Last(step).Number + 1
		return f.Append(job.Entry{Kind: job.AttemptStart, Step: step, Attempt: next, By: j.By})
	})
}

// Observe keeps readings of the open attempt.
func (j *Job) Observe(step string, readings ...reading.Reading) error {
	var entries []job.Entry
	for _, r := range readings {
		if r.Source.Kind == "" {
			r.Source.Kind = "typed"
		}
		entries = append(entries, job.Observe(step, 0, r))
	}
	return j.append(entries...)
}

// Note keeps a remark with a step, or with the job where no step is named.
func (j *Job) Note(step, text string) error {
	return j.append(job.Entry{Kind: job.Remark, Step: step, Text: text})
}

// Remark keeps what the program has to say as a note.
func (j *Job) Remark(step string, f fact.Fact) error { return j.Note(step, english(f)) }

// RunBegan notes that the clock of a timed run was started.
func (j *Job) RunBegan(step string) error {
	text := english(fact.New("job.clock-started"))
	return j.append(job.Entry{Kind: job.Remark, Step: step, Text: text, Event: reading.RunBegan})
}

// Skip ends the open attempt: the step is passed over.
func (j *Job) Skip(step, reason string) error {
	return j.append(job.Entry{Kind: job.Skip, Step: step, Text: reason})
}

// Cut ends the open attempt, whose run broke off.
func (j *Job) Cut(step string, reason fact.Fact, ran time.Duration) error {
	return j.append(job.Entry{Kind: job.Cut, Step: step, Text: english(reason), Ran: ran.Seconds()})
}

// End ends the open attempt. ran is the timed length, 0 when untimed.
func (j *Job) End(step string, ran time.Duration) error {
	return j.append(job.Entry{Kind: job.AttemptEnd, Step: step, Ran: ran.Seconds()})
}

// english is what the program writes into records: they do not hang on the
// language of a screen.
func english(f fact.Fact) string {
	w, err := words.In("en")
	if err != nil {
		panic(err) // the catalogue is part of the program
	}
	return w.Plain().Tell(f)
}
