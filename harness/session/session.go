package session

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"proveout/harness/entry"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
)

// Options say how the session looks and where it finds files.
type Options struct {
	Look  Look
	Watch string // folder whose newest file the word /newest means
	Now   func() time.Time
	Tick  time.Duration // of a running clock; 250 ms when zero
	// Uptime is the clock of timed runs; [Uptime] when nil.
	Uptime func() (awake, total time.Duration)
	// Interrupt carries Ctrl-C. The first asks, the second leaves at once.
	Interrupt <-chan struct{}
}

// Run leads through the plan from where the job stands. It returns nil when
// every step has been gone through, and an error that says how to go on when
// the technician or the input stopped before.
func Run(ctx context.Context, desk Desk, in io.Reader, out io.Writer, o Options) error {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Tick <= 0 {
		o.Tick = 250 * time.Millisecond
	}
	o.Look.Width = max(o.Look.Width, 40)
	s := &session{desk: desk, in: newInput(in), screen: screen{w: out, look: o.Look}, o: o, instruments: map[quantity.Dimension]string{}, gone: map[string]bool{}}
	return s.run(ctx)
}

type session struct {
	desk        Desk
	in          *input
	screen      screen
	o           Options
	instruments map[quantity.Dimension]string // chosen once, kept for the session
	gone        map[string]bool               // steps gone through or passed over
	interrupted bool
}

// A jump says that the technician asked to go to another step.
type jump struct{ step string }

func (j jump) Error() string { return "go to " + j.step }

// passedOver ends a step without a verdict: it was skipped.
var passedOver = errors.New("passed over")

func (s *session) run(ctx context.Context) error {
	s.screen.line(0, "Answer each question and press Enter. Words that begin with / are for the session: /help lists them, /stop leaves with everything kept.")
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
			delete(s.gone, to.step)
		case err != nil && !errors.Is(err, passedOver):
			return err
		default:
			s.gone[step.ID] = true
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
	head := fmt.Sprintf("Step %d of %d: %s", index+1, len(s.desk.Plan().Steps), step.Title)
	s.screen.heading(head)
	if gate, held := s.desk.HeldBy(step.ID); held {
		s.screen.line(0, fmt.Sprintf("Held: the gate %q failed. No powered step may run until it passes; go back with /back %s.", gate, gate))
		return passedOver
	}
	switch {
	case required && why != "":
		s.screen.line(0, "Required, because of the work done: "+why+".")
	case !required:
		s.screen.line(0, "Not required for this job.")
	}
	job, err := s.desk.Job()
	if err != nil {
		return err
	}
	attempts := job.Attempts[step.ID]
	if len(attempts) > 0 && !open(attempts) {
		j, err := s.desk.Judge(step.ID)
		if err != nil {
			return err
		}
		s.screen.line(0, fmt.Sprintf("Attempt %d stands as %s.", len(attempts), j.Verdict))
	}
	if !required && !forced && !open(attempts) {
		yes, err := s.yes(ctx, step, "Do it all the same?", false)
		if err != nil || !yes {
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
	timed := step.Duration != nil && (step.Kind == plans.Load || step.Kind == plans.Soak)
	if open(attempts) && timed {
		s.screen.line(0, "A timed run of this step was cut off. What it measured is kept as it is; the run starts again.")
		if err := s.desk.Cut(step.ID, "the program or the computer stopped during the run"); err != nil {
			return false, err
		}
		attempts = nil
	}
	for _, c := range step.Cautions {
		s.screen.caution(c)
	}
	if step.Instruction != "" {
		s.screen.line(0, step.Instruction)
	}
	if open(attempts) {
		s.screen.line(0, "Going on with the open attempt.")
	} else if err := s.desk.Begin(step.ID); err != nil {
		return false, err
	}
	ran := time.Duration(0)
	if timed {
		if ran, err = s.timed(ctx, step); err != nil {
			return false, err
		}
	}
	if err := s.fields(ctx, step, ran); err != nil {
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
	return s.yes(ctx, step, "Do the step again now (a retest is a new attempt)?", false)
}

func (s *session) show(j Judgement) {
	s.screen.verdict(j)
	s.screen.line(2, j.Reason)
	for _, l := range j.Lines {
		s.screen.line(4, l)
	}
	for _, l := range j.Causes {
		s.screen.line(2, "Probably: "+l)
	}
	for _, l := range j.Settle {
		s.screen.line(2, "To settle it: "+l)
	}
}

// fields asks for every reading of the step that the open attempt lacks.
func (s *session) fields(ctx context.Context, step *plans.Step, ran time.Duration) error {
	for _, f := range plans.Fields(step, s.desk.Family()) {
		job, err := s.desk.Job()
		if err != nil {
			return err
		}
		if attempts := job.Attempts[step.ID]; len(attempts) > 0 {
			last := &attempts[len(attempts)-1]
			if _, known := last.Latest(f.Name); known || inLog(last, f) {
				continue
			}
		}
		if f.Name == "duration" && ran > 0 {
			continue
		}
		if err := s.field(ctx, step, f); err != nil {
			return err
		}
	}
	return nil
}

// inLog reports whether an imported log already holds what the field asks for.
func inLog(a *reading.Attempt, f plans.Field) bool {
	return slices.ContainsFunc(a.Logs, func(l reading.Log) bool {
		if l.Column(f.Name) >= 0 {
			return true
		}
		switch f.Name {
		case "duration":
			return l.Seconds > 0
		case "score":
			return f.Unit == "fps" && (l.Column("frame-time") >= 0 || l.Column("fps") >= 0)
		}
		return false
	})
}

func (s *session) field(ctx context.Context, step *plans.Step, f plans.Field) error {
	inst := ""
	if f.Dimension != "" && f.Dimension != quantity.Duration && f.Dimension != quantity.Number && f.Dimension != quantity.Bits && f.Dimension != quantity.Bytes {
		var err error
		if inst, err = s.instrument(ctx, step, f); err != nil {
			return err
		}
	}
	for {
		answer, err := s.ask(ctx, step, question(step, f))
		if err != nil {
			return err
		}
		if answer == "" {
			if f.Required {
				s.screen.line(2, "This reading is needed. /skip WHY passes over the step.")
				continue
			}
			return nil
		}
		readings, err := entry.Parse(f, answer)
		if err != nil {
			s.screen.line(2, err.Error()+".")
			continue
		}
		sure := true
		for i := range readings {
			readings[i].Instrument = inst
			if doubt, _ := entry.Doubt(f, readings[i]); doubt != "" && sure {
				if sure, err = s.yes(ctx, step, doubt+" Keep it as typed?", false); err != nil {
					return err
				}
			}
		}
		if !sure {
			continue
		}
		return s.desk.Record(step.ID, readings...)
	}
}

func question(step *plans.Step, f plans.Field) string {
	q := f.Ask
	if len(f.Words) > 0 {
		q += " (" + strings.Join(f.Words, "/") + ")"
	} else if f.Unit != "" && !strings.Contains(q, "in "+f.Unit) {
		q += ", in " + f.Unit
	}
	if !f.Required {
		q += ", or Enter for none"
	}
	if f.Expected != "" && !step.Blind && len(f.Words) == 0 {
		q += " [" + f.Expected + "]"
	}
	return q
}

// instrument returns the id of the instrument for a field: the bench's only
// one, or the one the technician chooses, asked once a session.
func (s *session) instrument(ctx context.Context, step *plans.Step, f plans.Field) (string, error) {
	job, err := s.desk.Job()
	if err != nil {
		return "", err
	}
	bench, ok := s.desk.Shop().Bench(job.Bench)
	if !ok {
		return "", nil
	}
	if inst, ok := bench.Measuring(f.Dimension, f.Place); ok {
		return inst.ID, nil
	}
	if id, ok := s.instruments[f.Dimension]; ok {
		return id, nil
	}
	var ids []string
	for _, inst := range bench.Instruments {
		if slices.Contains(inst.Measures, f.Dimension) {
			ids = append(ids, inst.ID)
		}
	}
	if len(ids) == 0 {
		return "", nil
	}
	for {
		answer, err := s.ask(ctx, step, fmt.Sprintf("With which instrument (%s)", strings.Join(ids, "/")))
		if err != nil {
			return "", err
		}
		if slices.Contains(ids, answer) {
			s.instruments[f.Dimension] = answer
			return answer, nil
		}
		s.screen.line(2, "The bench has: "+strings.Join(ids, ", ")+".")
	}
}
