package session

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
)

// gather takes everything the step asks for: timed runs, files and readings.
// It returns the timed length of the last run, 0 when nothing was timed.
func (s *session) gather(ctx context.Context, step *plans.Step) (time.Duration, error) {
	if err := s.offer(ctx, step); err != nil {
		return 0, err
	}
	timed := step.Timed()
	if timed == nil || timed.Duration == nil {
		if step.Kind.Files() == plans.FailingList {
			if err := s.files(ctx, step, "List of failing addresses, even an empty one: its path"); err != nil {
				return 0, err
			}
		}
		if err := s.fields(ctx, step, 1); err != nil {
			return 0, err
		}
		if step.Kind.Files() == plans.Captures {
			return 0, s.captures(ctx, step)
		}
		return 0, nil
	}
	runs := max(timed.Runs, 1)
	var ran time.Duration
	for n := 1; n <= runs; n++ {
		if runs > 1 {
			s.screen.blank()
			s.Say(fmt.Sprintf("Run %d of %d.", n, runs))
		}
		var err error
		if ran, err = s.oneRun(ctx, step, n); err != nil {
			return 0, err
		}
	}
	return ran, nil
}

// oneRun takes run n of a timed step, as far as the attempt lacks it.
func (s *session) oneRun(ctx context.Context, step *plans.Step, n int) (time.Duration, error) {
	last, err := s.attemptOf(step)
	if err != nil {
		return 0, err
	}
	var ran time.Duration
	if durations := last.All("duration"); len(durations) >= n {
		ran = seconds(durations[n-1].Number())
	} else if ran, err = s.timed(ctx, step); err != nil {
		return 0, err
	}
	if last, err = s.attemptOf(step); err != nil {
		return 0, err
	}
	if len(last.Logs) < n {
		if err := s.files(ctx, step, "Log of the run: its path"); err != nil {
			return 0, err
		}
	}
	return ran, s.fields(ctx, step, n)
}

func (s *session) attemptOf(step *plans.Step) (*reading.Attempt, error) {
	job, err := s.desk.Job()
	if err != nil {
		return nil, err
	}
	attempts := job.Attempts[step.ID]
	if len(attempts) == 0 {
		return &reading.Attempt{}, nil
	}
	return &attempts[len(attempts)-1], nil
}

// offer asks whether readings may be taken from this computer.
func (s *session) offer(ctx context.Context, step *plans.Step) error {
	readings, from := s.desk.Offer(step)
	if len(readings) == 0 {
		return nil
	}
	last, err := s.attemptOf(step)
	if err != nil {
		return err
	}
	if _, known := last.Latest(readings[0].Name); known {
		return nil
	}
	s.Say(from)
	for _, r := range readings {
		s.screen.line(4, r.Name+" "+r.Text)
	}
	yes, err := s.agree(ctx, step, "Take these readings", true)
	if err != nil || !yes {
		return err
	}
	return s.desk.Record(step.ID, readings...)
}

// files asks for logs to import, one after the other.
func (s *session) files(ctx context.Context, step *plans.Step, q string) error {
	for {
		last, err := s.attemptOf(step)
		if err != nil {
			return err
		}
		more := q + ", Enter for none"
		if len(last.Logs) > 0 {
			more = "Another file, Enter when done"
		}
		if s.o.Watch != "" {
			more += ", /newest for the newest of the watched folder"
		}
		answer, err := s.ask(ctx, step, more)
		if err != nil || answer == "" {
			return err
		}
		s.told(s.desk.Import(step.ID, unquote(answer), Origin{}))
		if now, err := s.attemptOf(step); err != nil || len(now.Logs) > len(last.Logs) && step.Kind.Files() != plans.FailingList {
			return err
		}
	}
}

// captures asks for pictures of the card's output.
func (s *session) captures(ctx context.Context, step *plans.Step) error {
	image := plans.SpecOf[plans.Image](step)
	modes := image.Modes.On(s.desk.Family())
	if len(image.Patterns) > 0 {
		s.screen.line(2, "Test pictures of the plan: "+strings.Join(image.Patterns, ", ")+". proveout picture set makes them.")
	}
	for {
		answer, err := s.ask(ctx, step, "Capture or photo of the screen: its path, Enter when done")
		if err != nil || answer == "" {
			return err
		}
		told, err := s.desk.Import(step.ID, unquote(answer), Origin{})
		if !errors.Is(err, ErrUnnamed) {
			s.told(told, err)
			continue
		}
		s.screen.line(2, "The picture does not tell what it shows.")
		var of Origin
		if of.Mode, err = s.oneOf(ctx, step, "Mode it was taken in", modes); err != nil {
			return err
		}
		if of.Pattern, err = s.oneOf(ctx, step, "Test picture it shows", image.Patterns); err != nil {
			return err
		}
		if of == (Origin{}) {
			s.screen.line(2, "Nothing was kept. /file PATH keeps it without comparing it.")
			continue
		}
		s.told(s.desk.Import(step.ID, unquote(answer), of))
	}
}

// oneOf asks which of several names it is.
func (s *session) oneOf(ctx context.Context, step *plans.Step, q string, names []string) (string, error) {
	if len(names) < 2 {
		return strings.Join(names, ""), nil
	}
	var choices []Choice
	for _, n := range names {
		choices = append(choices, Choice{Name: n})
	}
	s.list(q, choices)
	for {
		answer, err := s.ask(ctx, step, "Number or name, Enter for none")
		if err != nil || answer == "" {
			return "", err
		}
		name, err := pick(choices, answer)
		if err == nil {
			return name, nil
		}
		s.screen.line(2, sentence(err.Error()))
	}
}

// fields asks for every reading that run n of the open attempt lacks.
func (s *session) fields(ctx context.Context, step *plans.Step, n int) error {
	for _, f := range plans.Fields(step, s.desk.Family()) {
		last, err := s.attemptOf(step)
		if err != nil {
			return err
		}
		if known(last, f) >= n || !f.Many && n > 1 {
			continue
		}
		if err := s.field(ctx, step, f); err != nil {
			return err
		}
	}
	return nil
}

// known counts how often the attempt already has what a field asks for, typed
// or in a log.
func known(a *reading.Attempt, f plans.Field) int {
	n := len(a.All(f.Name))
	for i := range a.Logs {
		l := &a.Logs[i]
		switch {
		case l.Column(f.Name) >= 0,
			f.Name == "duration" && l.Seconds > 0 && n == 0,
			f.Name == "score" && f.Unit == "fps" && (l.Column("frame-time") >= 0 || l.Column("frame-stamp") >= 0 || l.Column("fps") >= 0):
			n++
		}
	}
	return n
}

func (s *session) field(ctx context.Context, step *plans.Step, f plans.Field) error {
	inst, err := s.instrument(ctx, step, f)
	if err != nil {
		return err
	}
	for {
		answer, err := s.ask(ctx, step, question(step, f))
		if err != nil {
			return err
		}
		if answer == "" {
			if f.Required {
				s.screen.line(2, "This reading is needed; /skip WHY passes over the step.")
				continue
			}
			return nil
		}
		kept, err := s.take(ctx, step, f, answer, inst)
		if err != nil || kept {
			return err
		}
	}
}

// take parses an answer, asks back where it looks wrong, keeps it, and says at
// once how it stands.
func (s *session) take(ctx context.Context, step *plans.Step, f plans.Field, answer, inst string) (kept bool, err error) {
	readings, err := reading.Parse(f, answer)
	if err != nil {
		return false, s.told("", err)
	}
	for i := range readings {
		readings[i].Instrument = inst
		doubt, doubtful := reading.DoubtOf(f, readings[i])
		if !doubtful {
			continue
		}
		question := doubt.Typed + " is far from the expected " + f.Expected + "."
		switch {
		case doubt.Slip():
			question = doubt.Question()
		case step.Blind:
			question = doubt.Typed + " is far from what is usual."
		}
		sure, err := s.agree(ctx, step, question+" Keep "+doubt.Typed, false)
		if err != nil || !sure {
			return false, err
		}
	}
	if err := s.desk.Record(step.ID, readings...); err != nil {
		return false, err
	}
	var texts []string
	for _, r := range readings {
		texts = append(texts, r.Shown())
	}
	j, err := s.desk.Check(step.ID, f.Name)
	if err != nil {
		return true, err
	}
	s.keptLine(strings.Join(texts, ", "), f, step.Blind, j)
	return true, nil
}

// keptLine says that a reading is kept and how it stands.
func (s *session) keptLine(text string, f plans.Field, blind bool, j Judgement) {
	text = "kept " + text
	if blind && f.Expected != "" {
		text += ", expected " + f.Expected
	}
	s.screen.print(s.screen.led("", "  ", text+".")...)
	if j.Verdict == "" || j.Verdict == "not run" || j.Passed {
		return
	}
	code := bold
	if j.Failed {
		code += red
	}
	s.screen.print(s.screen.led(code, "  "+strings.ToUpper(j.Verdict)+"  ", j.Reason)...)
}

// question is a field's question with its words, its unit, and what is
// expected unless the plan hides it.
func question(step *plans.Step, f plans.Field) string {
	q := f.Ask
	switch {
	case len(f.Words) > 0:
		q += " (" + strings.Join(f.Words, ", ") + ")"
	case f.Unit != "" && !strings.Contains(q, "in "+f.Unit):
		q += ", in " + f.Unit
	}
	if f.Expected != "" && !step.Blind && len(f.Words) == 0 && !strings.Contains(q, f.Expected) {
		q += "; expected " + f.Expected
	}
	if !f.Required {
		q += "; Enter for none"
	}
	return q
}
