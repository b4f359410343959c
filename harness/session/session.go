package session

import (
	"context"
	"errors"
	"strings"
	"time"

	"proveout/harness/reading"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// Run leads through the plan from where the job stands, which is taken for this
// process. It returns nil when every step has been gone through, and
// [ErrStopped] or [ErrEnded] when the technician or the input stopped before.
func (t *Talk) Run(ctx context.Context, job *workflow.Job) error {
	return t.session(job).run(ctx)
}

func (t *Talk) session(job *workflow.Job) *session {
	return &session{Talk: t, job: job, instruments: map[string]string{}, gone: map[string]bool{}}
}

type session struct {
	*Talk
	job         *workflow.Job
	instruments map[string]string // by dimension and place; chosen once, kept for the session
	gone        map[string]bool   // steps gone through or passed over
}

// A jump says that the technician asked to go to another step.
type jump struct{ step string }

func (j jump) Error() string { return "go to " + j.step }

// errPassedOver ends a step without a verdict: it was skipped.
var errPassedOver = errors.New("passed over")

func (s *session) run(ctx context.Context) error {
	s.Say(fact.New("session.how-it-works"))
	forced := ""
	for {
		step, index := s.nextStep(forced)
		if step == nil {
			s.Heading(fact.New("session.job-as-it-stands"))
			s.standing()
			return nil
		}
		wasForced := forced == step.ID
		forced = ""
		err := s.step(ctx, step, index, wasForced)
		var to jump
		switch {
		case errors.As(err, &to):
			forced = to.step
			s.forget(to.step)
		case err != nil && !errors.Is(err, errPassedOver):
			return err
		default:
			s.gone[step.ID] = true
		}
	}
}

// forget makes the session look again at a step and at those behind it.
func (s *session) forget(from string) {
	behind := false
	for _, step := range s.job.Plan.Steps {
		if behind = behind || step.ID == from; behind {
			delete(s.gone, step.ID)
		}
	}
}

// nextStep returns the first step that is not passed and was not gone through
// in this session, or the one that was asked for.
func (s *session) nextStep(forced string) (*plans.Step, int) {
	for i := range s.job.Plan.Steps {
		step := &s.job.Plan.Steps[i]
		if step.ID == forced {
			return step, i
		}
		if forced != "" || s.gone[step.ID] {
			continue
		}
		done := len(s.job.Attempts(step.ID)) > 0 && !s.job.Open(step.ID)
		if done && passed(s.job.Judged(step.ID).Verdict) {
			s.gone[step.ID] = true
			continue
		}
		return step, i
	}
	return nil, 0
}

func passed(v conformity.Verdict) bool { return v == conformity.Pass || v == conformity.NotApplicable }

func (s *session) step(ctx context.Context, step *plans.Step, index int, forced bool) error {
	s.onWord = func(ctx context.Context, typed string) error { return s.word(ctx, step, typed) }
	required, why := step.Needed(s.job.Input.Job.Work)
	s.Heading(fact.New("session.step",
		"number", index+1, "of", len(s.job.Plan.Steps), "title", fact.Phrase(step.Title)))
	if err := s.job.Unfit(step); err != nil {
		s.failed(err)
		return errPassedOver
	}
	if gate := s.job.HeldBy(step); gate != "" {
		s.sign(bold+red, fact.New("session.held"), fact.New("session.gate-failed", "gate", gate))
		return errPassedOver
	}
	switch {
	case required && why != "":
		s.Say(fact.New("session.required-by-work", "work", fact.Phrase(why)))
	case !required:
		s.Say(fact.New("session.not-required"))
	}
	var q fact.Fact
	otherwise := true
	attempts := s.job.Attempts(step.ID)
	switch {
	case s.job.Open(step.ID):
	case len(attempts) > 0:
		judged := s.job.Judged(step.ID)
		s.Say(fact.New("session.attempt-stands",
			"attempt", len(attempts), "verdict", judged.Verdict.Fact(), "reason", judged.Reason))
		q, otherwise = fact.New("session.new-attempt"), required && s.job.Last(step.ID).Skipped == ""
	case !required && !forced:
		q, otherwise = fact.New("session.all-the-same"), false
	}
	if !q.IsZero() {
		if yes, err := s.agree(ctx, q, otherwise || forced); err != nil || !yes {
			return err
		}
	}
	for {
		again, err := s.attempt(ctx, step)
		if err != nil || !again {
			return err
		}
	}
}

// attempt goes once through the step. It reports whether the technician wants
// another attempt.
func (s *session) attempt(ctx context.Context, step *plans.Step) (again bool, err error) {
	if err := s.cutIfKilled(step); err != nil {
		return false, err
	}
	for _, c := range step.Cautions {
		s.sign(bold+magenta, fact.New("session.caution"), fact.Text(fact.Phrase(c)))
	}
	if step.Instruction != "" {
		s.Say(fact.Text(fact.Phrase(step.Instruction)))
	}
	if s.job.Open(step.ID) {
		s.Say(fact.New("session.going-on"))
	} else if err := s.job.Begin(step.ID); err != nil {
		return false, err
	}
	ran, err := s.gather(ctx, step)
	if err == nil {
		err = s.job.End(step.ID, ran)
	}
	if err != nil {
		return false, err
	}
	judged := s.job.Judged(step.ID)
	s.show(judged)
	if passed(judged.Verdict) {
		return false, nil
	}
	return s.agree(ctx, fact.New("session.new-attempt-now"), false)
}

// cutIfKilled ends an attempt whose run broke off when the program did.
func (s *session) cutIfKilled(step *plans.Step) error {
	last := s.job.Last(step.ID)
	if begun, done := clockRuns(last); !s.job.Open(step.ID) || begun <= done {
		return nil
	}
	reason, ran := brokenOff(last)
	if err := s.job.Cut(step.ID, reason, ran); err != nil {
		return err
	}
	s.Say(fact.New("session.run-was-cut", "why", reason))
	return nil
}

// show tells the verdict on a step with its reasons.
func (s *session) show(o *outcome.StepOutcome) {
	reason := s.words(o.Reason)
	s.screen.blank()
	s.stamp("", o.Verdict, o.Verdict.Fact(), o.Reason)
	quiet := passed(o.Verdict) && len(o.Checks) > 3
	for _, c := range o.Checks {
		told := strings.Contains(reason, s.words(c.Reason))
		if (!quiet || c.Verdict != conformity.Pass) && !told {
			s.item(workflow.CheckSaid(&c))
		}
	}
	for _, w := range o.Warnings {
		s.item(fact.New("screen.note", "what", w))
	}
	s.causes(o.Causes)
	for _, c := range o.Checks {
		if !c.Settle.IsZero() {
			s.inset(fact.New("session.to-settle"), c.Settle)
		}
	}
}

// standing tells how the job stands, and what is in the way.
func (s *session) standing() {
	o := s.job.Outcome()
	word, reason := o.Verdict.Fact(), o.Reason
	if o.Accepted {
		required := 0
		for _, step := range o.Steps {
			if step.Required {
				required++
			}
		}
		word, reason = fact.New("screen.accepted"), fact.New("session.all-passed", "n", required)
	}
	s.screen.blank()
	s.stamp("", o.Verdict, word, reason)
	for _, f := range o.Standing {
		s.item(f)
	}
	s.causes(o.Causes[:min(len(o.Causes), mostCauses)])
}

// mostCauses are told of a whole job.
const mostCauses = 3

func (s *session) item(f fact.Fact) { s.screen.print(s.screen.led("", "  - ", s.words(f))...) }

func (s *session) causes(causes []outcome.Cause) {
	for _, c := range causes {
		said := fact.New("session.cause", "cause", c.Text, "sure", workflow.Confidence(c), "look", c.Look)
		s.inset(fact.New("session.probably"), said)
	}
}

// stamp writes a verdict in capitals, with its reason behind it.
func (s *session) stamp(indent string, v conformity.Verdict, word, reason fact.Fact) {
	code := bold
	switch {
	case passed(v):
		code += green
	case v == conformity.Fail:
		code += red
	}
	lead := indent + strings.ToUpper(s.words(word)) + "  "
	s.screen.print(s.screen.led(code, lead, s.words(reason))...)
}

// instrument returns the id of the instrument for a field: the bench's only
// one, or the one the technician chooses, asked once a session.
func (s *session) instrument(ctx context.Context, f plans.Field) (string, error) {
	if !measured(f.Dimension) {
		return "", nil
	}
	key := string(f.Dimension) + " " + f.Place
	if id, ok := s.instruments[key]; ok {
		return id, nil
	}
	all, the := s.job.Measuring(f)
	if the != nil {
		s.instruments[key] = the.ID
		s.hint(fact.New("session.instrument", "title", fact.Phrase(the.Title)))
		return the.ID, nil
	}
	if len(all) == 0 {
		return "", nil
	}
	choices := choicesOf(all, func(inst plans.Instrument) choice { return choice{inst.ID, phrase(inst.Title)} })
	which := fact.New("session.which-instrument", "question", f.Ask)
	id, err := s.choose(ctx, which, choices, false)
	if err == nil {
		s.instruments[key] = id
	}
	return id, err
}

// measured reports whether a dimension is read from an instrument.
func measured(d quantity.Dimension) bool {
	switch d {
	case "", quantity.Duration, quantity.Number, quantity.Bits, quantity.Bytes:
		return false
	}
	return true
}

// clockRuns counts the runs whose clock was started in an attempt, and those
// that have a length. A run whose clock was started and that has no length was
// cut.
func clockRuns(a *reading.Attempt) (begun, done int) {
	for _, n := range a.Notes {
		if n.Event == reading.RunBegan {
			begun++
		}
	}
	for _, r := range a.All("duration") {
		if r.Source.Kind == timedSource {
			done++
		}
	}
	return begun, done
}

// timedSource is where the length of a run timed here comes from.
const timedSource = "timed"

// brokenOff says how far a run got that was cut by the end of the program.
func brokenOff(a *reading.Attempt) (reason fact.Fact, ran time.Duration) {
	for _, r := range a.Readings {
		if r.After != nil {
			ran = max(ran, seconds(*r.After))
		}
	}
	if ran == 0 {
		return fact.New("session.killed-before-readings"), 0
	}
	return fact.New("session.killed", "time", clock(ran)), ran
}

func seconds(v float64) time.Duration { return time.Duration(v * float64(time.Second)) }
