package session

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"proveout/harness/logs"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// Session words may be typed instead of an answer; those of the clock while one
// is running. How each is typed, and what it does, the catalogue says.
var (
	sessionWords = []string{
		"back", "skip", "correct", "note", "photo", "file", "log", "newest", "where", "stop", "help",
	}
	clockWords = []string{"follow", "sensor", "end"}
)

func usage(word string) fact.Fact { return fact.New("word." + word) }

// isWord reports whether a line is a session word and not, say, a path.
func isWord(line string) bool {
	head, _, _ := strings.Cut(line, " ")
	return strings.HasPrefix(head, "/") && !strings.ContainsAny(head[1:], `/\.`)
}

// word carries out a session word. What goes wrong with a file is told, not
// fatal.
func (s *session) word(ctx context.Context, step *plans.Step, typed string) error {
	word, rest, _ := strings.Cut(typed, " ")
	word, rest = strings.ToLower(strings.TrimPrefix(word, "/")), strings.TrimSpace(rest)
	switch {
	case slices.Contains(clockWords, word):
		return s.told(fact.New("session.for-a-clock", "usage", usage(word)))
	case !slices.Contains(sessionWords, word):
		return s.told(fact.New("session.no-such-word", "word", "/"+word))
	case rest == "" && slices.Contains([]string{"skip", "note", "log", "file", "photo"}, word):
		return s.told(fact.New("session.type-it-as", "usage", usage(word)))
	}
	path := s.o.Path(unquote(rest))
	switch word {
	case "help":
		s.help(sessionWords)
	case "stop":
		return ErrStopped
	case "note":
		if err := s.job.Note(step.ID, rest); err != nil {
			return s.failed(err)
		}
		return s.told(fact.New("session.noted"))
	case "correct":
		return s.correct(step, rest)
	case "log":
		return s.importLog(ctx, step, path)
	case "file":
		return s.attach(step, path, workflow.Attachment{Role: "file"})
	case "photo":
		return s.attach(step, path, workflow.Attachment{Role: "close-up", Caption: step.Title})
	case "newest":
		path, err := s.newest()
		if err != nil {
			return s.failed(err)
		}
		return s.importLog(ctx, step, path)
	case "where":
		s.standing()
	case "skip":
		if err := s.job.Skip(step.ID, rest); err != nil {
			return err
		}
		s.hint(fact.New("session.skipped", "why", sentence(rest)))
		return errPassedOver
	case "back":
		return s.back(step, rest)
	}
	return nil
}

func (s *session) help(words []string) {
	for _, w := range words {
		lead := fmt.Sprintf("  %-20s  ", s.plain(usage(w)))
		s.screen.tell(s.screen.led(bold, lead, s.words(fact.New("help."+w)))...)
	}
}

// told shows what came of a word.
func (s *session) told(f fact.Fact) error {
	s.screen.tell(s.screen.led("", "  ", s.words(f))...)
	return nil
}

// failed shows what went wrong.
func (s *session) failed(err error) error { return s.told(s.trouble(err)) }

// keep imports a file as something seen at the step.
func (s *session) keep(ctx context.Context, step *plans.Step, path string, shown workflow.Shown) (fact.Fact, error) {
	in := workflow.Import{Capture: shown, Map: s.o.Map, Hints: s.o.Hints, Beside: true}
	done, err := s.job.Import(ctx, step, in, path)
	for open := (*logs.Open)(nil); errors.As(err, &open); {
		answered, asked := s.settle(ctx, open, &in)
		if asked != nil {
			return fact.Fact{}, asked
		}
		if !answered {
			break
		}
		open = nil
		done, err = s.job.Import(ctx, step, in, path)
	}
	if twice := (*workflow.Twice)(nil); errors.As(err, &twice) {
		s.hint(fact.New("session.full-stop", "what", twice.What))
		q := fact.New("session.enter-for-none", "question", fact.New("session.why-again"))
		var asked error
		if in.Again, asked = s.ask(ctx, q); asked != nil {
			return fact.Fact{}, asked
		}
		if in.Again != "" {
			done, err = s.job.Import(ctx, step, in, path)
		}
	}
	if err != nil {
		return fact.Fact{}, err
	}
	kept := []fact.Fact{fact.New("session.kept", "what", done[0].Fact())}
	for _, n := range done[0].Notes {
		kept = append(kept, fact.New("screen.note", "what", n))
	}
	return fact.Text(fact.Sentences(kept...)), nil
}

// settle asks what a log leaves open, and reports whether it was answered.
func (s *session) settle(ctx context.Context, open *logs.Open, in *workflow.Import) (answered bool, err error) {
	s.hint(s.trouble(errors.New(open.What)))
	h := &in.Hints
	switch open.Ask {
	case logs.AskUnit:
		unit, err := s.oneOf(ctx, fact.New("session.which-unit", "column", open.Name), open.Choices)
		h.Units = append(h.Units, logs.Unit{Name: open.Name, Unit: unit})
		return unit != "", err
	case logs.AskSign:
		is, err := s.oneOf(ctx, fact.New("session.which-sign", "sign", open.Name), open.Choices)
		switch is {
		case "decimal":
			h.Decimal = open.Name
		case "thousands":
			h.Thousands = open.Name
		}
		return is != "", err
	case logs.AskRadix:
		radix, err := s.oneOf(ctx, fact.New("session.which-radix"), open.Choices)
		in.Failures.Radix = map[string]int{"hex": 16, "dec": 10}[radix]
		return radix != "", err
	}
	q := fact.New("session.enter-for-none", "question", fact.New("session.row-lasts"))
	err = s.until(ctx, q, func(answer string) error {
		if answer == "" {
			return nil
		}
		every, err := quantity.Parse(answer, quantity.Duration)
		h.Every = every.Value
		return s.wrong(err)
	})
	return h.Every > 0, err
}

func (s *session) importLog(ctx context.Context, step *plans.Step, path string) error {
	kept, err := s.keep(ctx, step, path, workflow.Shown{})
	if err != nil {
		return s.failed(err)
	}
	return s.told(kept)
}

func (s *session) attach(step *plans.Step, path string, a workflow.Attachment) error {
	a.Step = step.ID
	kept, err := s.job.Attach(a, path)
	if err != nil {
		return s.failed(err)
	}
	return s.told(fact.New("session.kept", "what", fact.Name(kept[0].Name)))
}

// correct puts the last reading of a name right.
func (s *session) correct(step *plans.Step, rest string) error {
	name, value, _ := strings.Cut(rest, " ")
	fields := plans.Fields(step, s.job.Family)
	f, known := plans.FieldNamed(fields, name)
	if !known {
		names := fact.Names(fact.Comma, workflow.FieldNames(fields))
		return s.told(fact.New("session.correct-what", "names", names))
	}
	if value == "" || !s.job.Open(step.ID) {
		return s.told(fact.New("session.correct-how"))
	}
	old, there := s.job.Last(step.ID).Latest(name)
	if !there {
		return s.told(fact.New("session.nothing-to-correct", "name", name))
	}
	readings, err := s.parse(f, value)
	if err != nil {
		return s.failed(err)
	}
	if len(readings) != 1 {
		return s.told(fact.New("session.one-value"))
	}
	r := readings[0]
	r.Corrects, r.Instrument, r.After = true, old.Instrument, old.After
	if err := s.job.Observe(step.ID, r); err != nil {
		return s.failed(err)
	}
	return s.told(fact.New("session.corrected", "name", name, "now", r.Text, "was", old.Text))
}

func (s *session) back(step *plans.Step, to string) error {
	var ids []string
	for i, one := range s.job.Plan.Steps {
		ids = append(ids, one.ID)
		switch {
		case to == one.ID:
			return jump{to}
		case to == "" && one.ID == step.ID && i > 0:
			return jump{ids[i-1]}
		case to == "" && one.ID == step.ID:
			return s.told(fact.New("session.first-step"))
		}
	}
	return s.told(fact.New("session.steps-are", "steps", fact.Names(fact.Comma, ids)))
}

// newest returns the newest file of the watched folder.
func (s *session) newest() (string, error) {
	if s.o.Watch == "" {
		return "", fact.New("session.no-folder-watched").Err()
	}
	return workflow.Newest(s.o.Watch)
}

// unquote takes the quotes off a path that was dragged into the terminal.
func unquote(path string) string {
	path = strings.TrimSpace(path)
	if len(path) > 1 && (path[0] == '"' || path[0] == '\'') && path[len(path)-1] == path[0] {
		return path[1 : len(path)-1]
	}
	if os.PathSeparator == '/' {
		return strings.ReplaceAll(path, `\ `, " ")
	}
	return path
}
