package command

import (
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"time"

	"proveout/harness/job"
	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/harness/session"
	"proveout/plans"
	"proveout/report/words"
	"proveout/scoring"
	"proveout/scoring/conformity"
	"proveout/scoring/picture/align"
)

// A desk is the job that a guided session works on. It has the job folder for
// itself until it is closed.
type desk struct {
	c        *Console
	k        *openCase
	folder   *job.Folder
	by       string
	logMap   logs.Map            // for every log that is imported or followed; may be empty
	stepMaps map[string]logs.Map // those that the plan names, by step; without logMap only
	here     string              // root of the system tree the card sits in; empty when it sits elsewhere
	now      func() time.Time
	besides  map[string]bool // files that this program wrote itself, with a header that says what they hold

	outcome *scoring.Outcome // of the job as it stands; nil when it must be computed
}

// mapOf is the log map for the logs of a step; empty when the header says.
func (d *desk) mapOf(step string) logs.Map {
	if m, named := d.stepMaps[step]; named {
		return m
	}
	return d.logMap
}

func (d *desk) Plan() *plans.Plan     { return d.k.input.Plan }
func (d *desk) Family() *plans.Family { return d.k.input.Family }
func (d *desk) Shop() *plans.Shop     { return d.k.input.Shop }

// Job returns the job as it stands on the disk.
func (d *desk) Job() (*reading.Job, error) {
	if d.outcome == nil || d.k.input.Job == nil {
		j, _, err := job.Load(d.k.dir)
		if err != nil {
			return nil, err
		}
		d.k.input.Job = j
	}
	return d.k.input.Job, nil
}

// append records entries of the open attempt at a step.
func (d *desk) append(entries ...job.Entry) error {
	d.outcome = nil
	for i := range entries {
		e := &entries[i]
		e.By = d.by
		if e.Step != "" && e.Attempt == 0 {
			e.Attempt = max(d.folder.LastAttempt(e.Step), 1)
		}
	}
	return d.folder.Append(entries...)
}

func (d *desk) Begin(step string) error {
	d.outcome = nil
	_, err := d.folder.StartAttempt(step, d.by)
	return err
}

func (d *desk) Record(step string, readings ...reading.Reading) error {
	var entries []job.Entry
	for _, r := range readings {
		if r.Source.Kind == "" {
			r.Source.Kind = "typed"
		}
		entries = append(entries, job.Observe(step, 0, r))
	}
	return d.append(entries...)
}

func (d *desk) Note(step, text string) error {
	return d.append(job.Entry{Kind: job.Remark, Step: step, Text: text})
}

func (d *desk) Began(step string) error {
	return d.append(job.Entry{Kind: job.Remark, Step: step, Text: "the clock was started", Event: reading.RunBegan})
}

func (d *desk) Skip(step, reason string) error {
	return d.append(job.Entry{Kind: job.Skip, Step: step, Text: reason})
}

func (d *desk) Cut(step, reason string, ran time.Duration) error {
	return d.append(job.Entry{Kind: job.Cut, Step: step, Text: reason, Ran: ran.Seconds()})
}

func (d *desk) End(step string, ran time.Duration) error {
	return d.append(job.Entry{Kind: job.AttemptEnd, Step: step, Ran: ran.Seconds()})
}

// Import takes a log or a capture as evidence of the open attempt.
func (d *desk) Import(step, path string, of session.Origin) (string, error) {
	path = d.c.path(path)
	d.outcome = nil
	attempt := max(d.folder.LastAttempt(step), 1)
	st, known := d.Plan().Step(step)
	if compare := known && st.Kind.Files() == plans.Captures; compare || isPicture(path) {
		part := reading.Capture{Pattern: of.Pattern, Mode: of.Mode}
		if compare {
			var err error
			if part, err = d.k.lookAtCapture(stated{pattern: of.Pattern, mode: of.Mode}, path); err != nil {
				if errors.Is(err, align.ErrNone) {
					return "", fmt.Errorf("%s: %w", filepath.Base(path), session.ErrUnnamed)
				}
				return "", fmt.Errorf("%w; /file PATH keeps any file as it is", err)
			}
		}
		e, err := d.folder.Keep(path, "capture", "")
		if err != nil {
			return "", err
		}
		told := "kept " + e.Name + " as a capture."
		if compare {
			told = "kept " + e.Name + " as a capture of " + part.Pattern + " at " + part.Mode + "."
		}
		return told, d.append(job.Entry{Kind: job.Picture, Step: step, File: &e, Capture: &part})
	}
	m := d.mapOf(step)
	if d.besides[path] {
		m = logs.Map{}
	}
	in := job.Import{Step: step, Attempt: attempt, By: d.by, Path: path}
	sum, err := d.folder.ImportLog(job.LogImport{Import: in, Map: m})
	if err != nil {
		return "", err
	}
	one := imported{File: filepath.Base(path), SHA256: sum.SHA256, Kind: "log", Bad: sum.Bad, Runs: len(sum.Runs)}
	for _, r := range sum.Runs {
		one.Rows += r.Count
		one.Seconds += r.Seconds
	}
	one.Columns = columnsOf(sum.Columns)
	text, _, _ := strings.Cut(one.String(), "\n")
	return "kept " + text + ".", nil
}

// Attach keeps a photo or any other file with the job.
func (d *desk) Attach(step, path, role, caption string) (string, error) {
	path = d.c.path(path)
	p := job.Photo{File: path, Role: role, Caption: caption}
	if role != "file" {
		var err error
		if p.Print, err = printVersion(path, len(d.k.input.Job.Card.Photos)); err != nil {
			return "", err
		}
	}
	e, err := d.folder.KeepPhoto(p)
	if err != nil {
		return "", err
	}
	if role != "file" {
		if err := d.folder.Amend(func(j *reading.Job) { j.Card.Photos = append(j.Card.Photos, e.Evidence) }); err != nil {
			return "", err
		}
	}
	return "kept " + e.Name + ".", d.append(job.Entry{Kind: job.Remark, Step: step, File: &e, Text: "attached " + e.Name})
}

// score judges the job as it stands.
func (d *desk) score() (*scoring.Outcome, error) {
	if d.outcome == nil {
		if _, err := d.Job(); err != nil {
			return nil, err
		}
		o := scoring.Score(d.k.input)
		d.outcome = &o
	}
	return d.outcome, nil
}

func (d *desk) Judge(step string) (session.Judgement, error) {
	o, err := d.score()
	if err != nil {
		return session.Judgement{}, err
	}
	for i := range o.Steps {
		if o.Steps[i].ID == step {
			return stepJudgement(d.c.words(), &o.Steps[i]), nil
		}
	}
	return session.Judgement{}, fmt.Errorf("the plan has no step %q", step)
}

func stepJudgement(say *words.Plain, s *scoring.StepOutcome) session.Judgement {
	j := session.Judgement{Verdict: s.Verdict.String(), Reason: say.Tell(s.Reason),
		Passed: s.Verdict == conformity.Pass || s.Verdict == conformity.NotApplicable, Failed: s.Verdict == conformity.Fail}
	quiet := j.Passed && len(s.Checks) > 3
	for _, c := range s.Checks {
		line := checkLine(say, c)
		if (!quiet || c.Verdict != conformity.Pass) && !strings.Contains(say.Tell(s.Reason), say.Tell(c.Reason)) {
			j.Lines = append(j.Lines, line)
		}
		if !c.Settle.IsZero() {
			j.Settle = append(j.Settle, say.Tell(c.Settle))
		}
	}
	for _, w := range s.Warnings {
		j.Lines = append(j.Lines, "Note: "+say.Tell(w))
	}
	for _, c := range s.Causes {
		j.Causes = append(j.Causes, causeText(say, c))
	}
	return j
}

func causeText(say *words.Plain, c scoring.Cause) string {
	return fmt.Sprintf("%s (%.0f %%). Look at: %s", say.Tell(c.Text), 100*c.Confidence, say.Tell(c.Look))
}

// Check returns the verdict on one reading; it leaves the step's other
// readings aside.
func (d *desk) Check(step, name string) (session.Judgement, error) {
	if _, err := d.Job(); err != nil {
		return session.Judgement{}, err
	}
	st, ok := d.Plan().Step(step)
	if !ok || st.Timed() != nil {
		return session.Judgement{}, nil // a run is judged as a whole
	}
	o := scoring.ScoreStep(d.k.input, st)
	for _, c := range o.Checks {
		if c.Name == name && !c.Informative {
			return session.Judgement{Verdict: c.Verdict.String(), Passed: c.Verdict == conformity.Pass || c.Verdict == conformity.NotApplicable,
				Failed: c.Verdict == conformity.Fail, Reason: d.c.words().Tell(c.Reason)}, nil
		}
	}
	return session.Judgement{}, nil
}

func (d *desk) Standing() (session.Judgement, error) {
	o, err := d.score()
	if err != nil {
		return session.Judgement{}, err
	}
	j := session.Judgement{Verdict: o.Verdict.String(), Passed: o.Accepted, Failed: o.Verdict == conformity.Fail, Reason: d.c.words().Tell(o.Reason), Lines: d.c.words().TellAll(o.Standing)}
	if o.Accepted {
		j.Verdict = "accepted"
		j.Reason = capital(strings.TrimPrefix(d.c.words().Tell(o.Reason), "Accepted: "))
	}
	for i, c := range o.Causes {
		if i == 3 {
			break
		}
		j.Causes = append(j.Causes, causeText(d.c.words(), c))
	}
	return j, nil
}

func (d *desk) Required(step *plans.Step) (bool, string) {
	return scoring.Required(step, d.k.input.Job)
}

func (d *desk) HeldBy(step string) (string, bool) {
	st, ok := d.Plan().Step(step)
	if !ok || !st.Kind.Powered() {
		return "", false
	}
	o, err := d.score()
	if err != nil {
		return "", false
	}
	return scoring.FailedGate(o, d.Plan(), step)
}

func (d *desk) Follow(step, path string) (session.Follower, error) {
	st, _ := d.Plan().Step(step)
	path, err := followable(d.c.path(path))
	if err != nil {
		return nil, err
	}
	return newLogFollower(path, d.mapOf(step), newLiveView(st, d.Family(), d.now))
}

func (d *desk) Trend(step string, at, temperature []float64) session.Live {
	st, _ := d.Plan().Step(step)
	v := newLiveView(st, d.Family(), d.now)
	last := math.Inf(-1)
	for i := range at {
		if at[i] >= last {
			v.Add(at[i], temperature[i])
			last = at[i]
		}
	}
	v.Analyse()
	return v.state()
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
