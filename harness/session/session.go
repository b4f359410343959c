package session

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
)

// Run leads through the plan from where the job stands. It returns nil when
// every step has been gone through, and [ErrStopped] or [ErrEnded] when the
// technician or the input stopped before.
func (t *Talk) Run(ctx context.Context, desk Desk) error {
	s := &session{Talk: t, desk: desk, instruments: map[string]string{}, gone: map[string]bool{}}
	return s.run(ctx)
}

type session struct {
	*Talk
	desk        Desk
	instruments map[string]string // by dimension and place; chosen once, kept for the session
	gone        map[string]bool   // steps gone through or passed over
}

// A jump says that the technician asked to go to another step.
type jump struct{ step string }

func (j jump) Error() string { return "go to " + j.step }

// errPassedOver ends a step without a verdict: it was skipped.
var errPassedOver = errors.New("passed over")

func (s *session) run(ctx context.Context) error {
	s.Say("Answer each question and press Enter. Every answer is on the disk before the next question. Words that begin with / are for the session: /help lists them, /stop leaves.")
	forced := ""
	for {
		step, index, err := s.nextStep(forced)
		if err != nil {
			return err
		}
		if step == nil {
			return s.finish()
		}
		wasForced := forced == step.ID
		forced = ""
		err = s.step(ctx, step, index, wasForced)
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
	for i := range s.desk.Plan().Steps {
		id := s.desk.Plan().Steps[i].ID
		if behind = behind || id == from; behind {
			delete(s.gone, id)
		}
	}
}

// nextStep returns the first step that is not passed and was not gone through
// in this session, or the one that was asked for.
func (s *session) nextStep(forced string) (*plans.Step, int, error) {
	plan := s.desk.Plan()
	job, err := s.desk.Job()
	if err != nil {
		return nil, 0, err
	}
	for i := range plan.Steps {
		step := &plan.Steps[i]
		if step.ID == forced {
			return step, i, nil
		}
		if forced != "" || s.gone[step.ID] {
			continue
		}
		attempts := job.Attempts[step.ID]
		if len(attempts) > 0 && !open(attempts) {
			j, err := s.desk.Judge(step.ID)
			if err != nil {
				return nil, 0, err
			}
			if j.Passed {
				s.gone[step.ID] = true
				continue
			}
		}
		return step, i, nil
	}
	return nil, 0, nil
}

// open reports whether the last attempt was begun and not ended.
func open(attempts []reading.Attempt) bool {
	if len(attempts) == 0 {
		return false
	}
	last := attempts[len(attempts)-1]
	return last.Ended.IsZero() && last.Skipped == "" && last.Cut == ""
}

func (s *session) finish() error {
	j, err := s.desk.Standing()
	if err != nil {
		return err
	}
	s.screen.heading("The job as it stands")
	s.show(j)
	return nil
}

func (s *session) step(ctx context.Context, step *plans.Step, index int, forced bool) error {
	required, why := s.desk.Required(step)
	s.screen.heading(fmt.Sprintf("%d/%d · %s", index+1, len(s.desk.Plan().Steps), step.Title))
	if gate, held := s.desk.HeldBy(step.ID); held {
		s.screen.print(s.screen.led(bold+red, "HELD  ", fmt.Sprintf("The gate %q failed. No powered step may run until it passes: put it right, then /back %s or run the job again.", gate, gate))...)
		return errPassedOver
	}
	job, err := s.desk.Job()
	if err != nil {
		return err
	}
	attempts := job.Attempts[step.ID]
	switch {
	case required && why != "":
		s.Say("Required, because of the work done: " + why + ".")
	case !required:
		s.Say("Not required for this job.")
	}
	q, otherwise := "", true
	switch {
	case open(attempts):
	case len(attempts) > 0:
		j, err := s.desk.Judge(step.ID)
		if err != nil {
			return err
		}
		s.Say(fmt.Sprintf("Attempt %d stands as %s. %s", len(attempts), j.Verdict, j.Reason))
		q, otherwise = "Make a new attempt", required && attempts[len(attempts)-1].Skipped == ""
	case !required && !forced:
		q, otherwise = "Do it all the same", false
	}
	if q != "" {
		if yes, err := s.agree(ctx, step, q, otherwise || forced); err != nil || !yes {
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
	job, err := s.desk.Job()
	if err != nil {
		return false, err
	}
	attempts := job.Attempts[step.ID]
	goingOn := open(attempts)
	if goingOn {
		last := &attempts[len(attempts)-1]
		if begun, done := clockRuns(last); begun > done {
			reason, ran := brokenOff(last)
			if err := s.desk.Cut(step.ID, reason, ran); err != nil {
				return false, err
			}
			s.Say("A timed run of this step was cut: " + reason + ". What it measured is kept with that attempt; the step starts again.")
			goingOn = false
		}
	}
	for _, c := range step.Cautions {
		s.screen.caution(c)
	}
	if step.Instruction != "" {
		s.Say(step.Instruction)
	}
	if goingOn {
		s.Say("Going on with the open attempt; what it has is kept.")
	} else if err := s.desk.Begin(step.ID); err != nil {
		return false, err
	}
	ran, err := s.gather(ctx, step)
	if err != nil {
		return false, err
	}
	if err := s.desk.End(step.ID, ran); err != nil {
		return false, err
	}
	j, err := s.desk.Judge(step.ID)
	if err != nil {
		return false, err
	}
	s.show(j)
	if j.Passed {
		return false, nil
	}
	return s.agree(ctx, step, "Make a new attempt now", false)
}

func (s *session) show(j Judgement) {
	s.screen.blank()
	s.screen.stamp(j)
	for _, l := range j.Lines {
		s.screen.print(s.screen.led("", "  - ", l)...)
	}
	for _, l := range j.Causes {
		s.screen.print(s.screen.led(bold, "  Probably  ", l)...)
	}
	for _, l := range j.Settle {
		s.screen.print(s.screen.led(bold, "  To settle it  ", l)...)
	}
}

// instrument returns the id of the instrument for a field: the bench's only
// one, or the one the technician chooses, asked once a session.
func (s *session) instrument(ctx context.Context, step *plans.Step, f plans.Field) (string, error) {
	job, err := s.desk.Job()
	if err != nil {
		return "", err
	}
	bench, ok := s.desk.Shop().Bench(job.Bench)
	if !ok || !measured(f.Dimension) {
		return "", nil
	}
	key := string(f.Dimension) + " " + f.Place
	if id, ok := s.instruments[key]; ok {
		return id, nil
	}
	if inst, ok := bench.Measuring(f.Dimension, f.Place); ok {
		s.instruments[key] = inst.ID
		s.screen.line(2, "Instrument: "+inst.Title+".")
		return inst.ID, nil
	}
	var choices []Choice
	for _, inst := range bench.Instruments {
		for _, d := range inst.Measures {
			if d == f.Dimension {
				choices = append(choices, Choice{inst.ID, inst.Title})
			}
		}
	}
	if len(choices) == 0 {
		return "", nil
	}
	s.list("Instrument for "+strings.ToLower(f.Ask[:1])+f.Ask[1:], choices)
	for {
		answer, err := s.ask(ctx, step, "Number or name")
		if err != nil {
			return "", err
		}
		id, err := pick(choices, answer)
		if err == nil {
			s.instruments[key] = id
			return id, nil
		}
		s.screen.line(2, sentence(err.Error()))
	}
}

// measured reports whether a dimension is read from an instrument.
func measured(d quantity.Dimension) bool {
	switch d {
	case "", quantity.Duration, quantity.Number, quantity.Bits, quantity.Bytes:
		return false
	}
	return true
}
