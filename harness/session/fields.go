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
	"proveout/scoring/conformity"
)

// gather takes everything the step asks for: timed runs, files and readings.
// It returns the timed length of the last run, 0 when nothing was timed.
func (s *session) gather(ctx context.Context, step *plans.Step) (ran time.Duration, err error) {
	if err := s.offer(ctx, step); err != nil {
		return 0, err
	}
	timed := step.Timed()
	if timed == nil || timed.Duration == nil {
		return 0, s.untimed(ctx, step)
	}
	runs := max(timed.Runs, 1)
	for n := 1; n <= runs; n++ {
		if runs > 1 {
			s.screen.blank()
			s.Say(fact.New("session.run-of", "run", n, "runs", runs))
		}
		if ran, err = s.oneRun(ctx, step, n); err != nil {
			return 0, err
		}
	}
	return ran, nil
}

func (s *session) untimed(ctx context.Context, step *plans.Step) error {
	if step.Kind.Files() == plans.FailingList {
		if err := s.files(ctx, step, fact.New("session.failing-list")); err != nil {
			return err
		}
	}
	if err := s.fields(ctx, step, 1); err != nil {
		return err
	}
	if step.Kind.Files() == plans.Captures {
		return s.captures(ctx, step)
	}
	return nil
}

// oneRun takes run n of a timed step, as far as the attempt lacks it.
func (s *session) oneRun(ctx context.Context, step *plans.Step, n int) (ran time.Duration, err error) {
	if durations := s.job.Last(step.ID).All("duration"); len(durations) >= n {
		ran = seconds(durations[n-1].Number())
	} else if ran, err = s.timed(ctx, step); err != nil {
		return 0, err
	}
	if len(s.job.Last(step.ID).Logs) < n {
		if err := s.files(ctx, step, fact.New("session.log-of-run")); err != nil {
			return 0, err
		}
	}
	return ran, s.fields(ctx, step, n)
}

// offer asks whether readings may be taken from this computer.
func (s *session) offer(ctx context.Context, step *plans.Step) error {
	readings, address := s.job.Offer(s.o.Machine, step)
	if len(readings) == 0 {
		return nil
	}
	if _, known := s.job.Last(step.ID).Latest(readings[0].Name); known {
		return nil
	}
	s.Say(fact.New("session.this-computer-reads", "address", address))
	for _, r := range readings {
		s.screen.line(4, r.Name+" "+r.Text)
	}
	yes, err := s.agree(ctx, fact.New("session.take-readings"), true)
	if err != nil || !yes {
		return err
	}
	return s.job.Observe(step.ID, readings...)
}

// files asks for logs to import, one after the other.
func (s *session) files(ctx context.Context, step *plans.Step, ask fact.Fact) error {
	for {
		had := len(s.job.Last(step.ID).Logs)
		q := fact.New("session.enter-for-none", "question", ask)
		if had > 0 {
			q = fact.New("session.enter-when-done", "question", fact.New("session.another-file"))
		}
		if s.o.Watch != "" {
			q = fact.New("session.or-newest", "question", q)
		}
		answer, err := s.ask(ctx, q)
		if err != nil || answer == "" {
			return err
		}
		s.importLog(ctx, step, s.o.Path(unquote(answer)))
		if len(s.job.Last(step.ID).Logs) > had && step.Kind.Files() != plans.FailingList {
			return nil
		}
	}
}

// captures asks for pictures of the card's output.
func (s *session) captures(ctx context.Context, step *plans.Step) error {
	image := plans.SpecOf[plans.Image](step)
	if len(image.Patterns) > 0 {
		s.hint(fact.New("session.test-pictures", "patterns", fact.Names(fact.Comma, image.Patterns)))
	}
	q := fact.New("session.enter-when-done", "question", fact.New("session.capture"))
	for {
		answer, err := s.ask(ctx, q)
		if err != nil || answer == "" {
			return err
		}
		if err := s.capture(ctx, step, s.o.Path(unquote(answer))); err != nil {
			return err
		}
	}
}

// capture takes one picture. What it does not tell is asked.
func (s *session) capture(ctx context.Context, step *plans.Step, path string) error {
	kept, err := s.keep(ctx, step, path, workflow.Shown{})
	if errors.Is(err, workflow.ErrUnnamed) {
		s.hint(fact.New("session.picture-unnamed"))
		image := plans.SpecOf[plans.Image](step)
		var shown workflow.Shown
		var asked error
		modes := image.Modes.On(s.job.Family)
		if shown.Mode, asked = s.oneOf(ctx, fact.New("session.which-mode"), modes); asked != nil {
			return asked
		}
		if shown.Pattern, asked = s.oneOf(ctx, fact.New("session.which-pattern"), image.Patterns); asked != nil {
			return asked
		}
		if shown == (workflow.Shown{}) {
			s.hint(fact.New("session.nothing-kept"))
			return nil
		}
		kept, err = s.keep(ctx, step, path, shown)
	}
	if err != nil {
		return s.failed(err)
	}
	return s.told(kept)
}

// oneOf asks which of several names it is.
func (s *session) oneOf(ctx context.Context, ask fact.Fact, names []string) (name string, err error) {
	if len(names) < 2 {
		return strings.Join(names, ""), nil
	}
	return s.choose(ctx, ask, choicesOf(names, named), true)
}

// fields asks for every reading that run n of the open attempt lacks.
func (s *session) fields(ctx context.Context, step *plans.Step, n int) error {
	for _, f := range plans.Fields(step, s.job.Family) {
		if known(s.job.Last(step.ID), f) >= n || !f.Many && n > 1 {
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
		frames := l.Column("frame-time") >= 0 || l.Column("frame-stamp") >= 0 || l.Column("fps") >= 0
		switch {
		case l.Column(f.Name) >= 0,
			f.Name == "duration" && l.Seconds > 0 && n == 0,
			f.Name == "score" && f.Unit == "fps" && frames:
			n++
		}
	}
	return n
}

func (s *session) field(ctx context.Context, step *plans.Step, f plans.Field) error {
	inst, err := s.instrument(ctx, f)
	if err != nil {
		return err
	}
	return s.until(ctx, s.question(step, f), func(answer string) error {
		switch {
		case answer != "":
			return s.take(ctx, step, f, answer, inst)
		case f.Required:
			return again{fact.New("session.reading-needed")}
		}
		return nil
	})
}

// take parses an answer, asks back where it looks wrong, keeps it, and says at
// once how it stands.
func (s *session) take(ctx context.Context, step *plans.Step, f plans.Field, answer, inst string) error {
	readings, err := s.parse(f, answer)
	if err != nil {
		return s.wrong(err)
	}
	for i := range readings {
		readings[i].Instrument = inst
		doubt, doubtful := reading.DoubtOf(f, readings[i])
		if !doubtful {
			continue
		}
		q := fact.New("session.keep-all-the-same", "doubt", said(doubt, step, f), "typed", doubt.Typed)
		if sure, err := s.agree(ctx, q, false); err != nil {
			return err
		} else if !sure {
			return again{}
		}
	}
	if err := s.job.Observe(step.ID, readings...); err != nil {
		return err
	}
	s.kept(step, f, readings)
	return nil
}

// said is what is odd about a reading.
func said(d reading.Doubt, step *plans.Step, f plans.Field) fact.Fact {
	switch {
	case d.Slip():
		meant := fact.In(d.Unit.Of(d.Meant), d.Unit.Name).Whole()
		return fact.New("session.did-you-mean", "typed", d.Typed, "meant", meant)
	case step.Blind:
		return fact.New("session.far-from-usual", "typed", d.Typed)
	}
	return fact.New("session.far-from-expected", "typed", d.Typed, "expected", f.Expected)
}

// kept says that readings are kept and how they stand.
func (s *session) kept(step *plans.Step, f plans.Field, readings []reading.Reading) {
	var texts []fact.Fact
	for _, r := range readings {
		texts = append(texts, plans.Answer(r.Shown()))
	}
	what := fact.Text(fact.ListOf(fact.Comma, texts))
	if step.Blind && !f.Expected.IsZero() {
		what = fact.New("session.with-expected", "what", what, "expected", f.Expected)
	}
	s.hint(fact.New("session.kept", "what", what))
	c, judged := s.job.Check(step, f.Name)
	if judged && c.Verdict != conformity.NotRun && !passed(c.Verdict) {
		s.stamp("  ", c.Verdict, c.Verdict.Fact(), c.Reason)
	}
}

// question is a field's question with its words, its unit, and what is
// expected unless the plan hides it.
func (s *session) question(step *plans.Step, f plans.Field) fact.Fact {
	q := f.Ask
	switch {
	case f.Clean:
		q = fact.New("session.clean-or-fault", "question", q, "clean", fact.New("answer.clean"))
	case len(f.Words) > 0:
		q = fact.New("session.one-of", "question", q, "words", answers(f))
	case f.Unit != "":
		q = fact.New("session.in-unit", "question", q, "unit", f.Unit)
	}
	if !f.Expected.IsZero() && !step.Blind && len(f.Words) == 0 && !f.Clean {
		q = fact.New("session.expecting", "question", q, "expected", f.Expected)
	}
	if !f.Required {
		q = fact.New("session.or-none", "question", q)
	}
	return q
}

// answers are the words of a field as they are asked for.
func answers(f plans.Field) fact.List {
	var out []fact.Fact
	for _, w := range f.Words {
		out = append(out, plans.Answer(w))
	}
	return fact.ListOf(fact.Comma, out)
}

// parse reads an answer to a field, which may be given in the words of the
// screen's language or in those of the plan.
func (s *session) parse(f plans.Field, answer string) ([]reading.Reading, error) {
	words := f.Words
	if f.Clean {
		words = []string{plans.PictureClean}
	}
	var begun []string
	for _, w := range words {
		said := s.plain(plans.Answer(w))
		switch {
		case strings.EqualFold(answer, said), strings.EqualFold(answer, w):
			return reading.Parse(f, w)
		case begins(said, answer), begins(w, answer):
			begun = append(begun, w)
		}
	}
	switch {
	case len(f.Words) == 0:
	case len(begun) == 1:
		answer = begun[0]
	default:
		return nil, fact.New("session.not-one-of", "answer", answer, "words", answers(f)).Err()
	}
	return reading.Parse(f, answer)
}

func begins(word, with string) bool {
	return strings.HasPrefix(strings.ToLower(word), strings.ToLower(with))
}
