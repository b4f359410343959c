package session

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
)

// A sessionWord is what may be typed instead of an answer.
type sessionWord struct{ name, usage, help string }

func sessionWords() []sessionWord {
	return []sessionWord{
		{"/back", "/back [STEP]", "to the step before, or to the one named"},
		{"/skip", "/skip WHY", "pass over this step, with the reason"},
		{"/correct", "/correct NAME VALUE", "put a reading of this attempt right"},
		{"/note", "/note TEXT", "keep a remark with this step"},
		{"/photo", "/photo PATH", "keep a photo with the job"},
		{"/file", "/file PATH", "keep any file with the job"},
		{"/log", "/log PATH", "take readings from a log or a capture"},
		{"/newest", "/newest", "the same with the newest file of the watched folder"},
		{"/where", "/where", "how the job stands"},
		{"/stop", "/stop", "leave; the job goes on where it stands"},
		{"/help", "/help", "this list"},
	}
}

// words that are for a running clock alone.
func runWords() []sessionWord {
	return []sessionWord{
		{"/follow", "/follow PATH", "watch a log that another program is writing"},
		{"/sensor", "/sensor [NAME]", "log a temperature of this computer"},
		{"/end", "/end [WHY]", "end the run now"},
	}
}

// isWord reports whether a line is a session word and not, say, a path.
func isWord(line string) bool {
	head, _, _ := strings.Cut(line, " ")
	return strings.HasPrefix(head, "/") && !strings.ContainsAny(head[1:], `/\.`)
}

// ask puts a question of a step and returns the answer, after it has dealt
// with any session words typed instead.
func (s *session) ask(ctx context.Context, step *plans.Step, q string) (string, error) {
	for {
		answer, err := s.Talk.ask(ctx, q)
		if err != nil {
			return "", err
		}
		if !isWord(answer) {
			return answer, nil
		}
		if err := s.word(step, answer); err != nil {
			return "", err
		}
	}
}

func (s *session) agree(ctx context.Context, step *plans.Step, q string, otherwise bool) (bool, error) {
	return s.yes(ctx, func(ctx context.Context, q string) (string, error) { return s.ask(ctx, step, q) }, q, otherwise)
}

// word carries out a session word.
func (s *session) word(step *plans.Step, typed string) error {
	word, rest, _ := strings.Cut(typed, " ")
	rest = strings.TrimSpace(rest)
	switch strings.ToLower(word) {
	case "/help":
		s.help(sessionWords())
		return nil
	case "/stop":
		return ErrStopped
	case "/note":
		return s.told(needs(rest, "/note TEXT", func() (string, error) { return "Noted.", s.desk.Note(step.ID, rest) }))
	case "/correct":
		return s.told(s.correct(step, rest))
	case "/log":
		return s.told(needs(rest, "/log PATH", func() (string, error) { return s.desk.Import(step.ID, unquote(rest), Origin{}) }))
	case "/file":
		return s.told(needs(rest, "/file PATH", func() (string, error) { return s.desk.Attach(step.ID, unquote(rest), "file", "") }))
	case "/photo":
		return s.told(needs(rest, "/photo PATH", func() (string, error) { return s.desk.Attach(step.ID, unquote(rest), "close-up", step.Title) }))
	case "/newest":
		path, err := s.newest()
		if err != nil {
			return s.told("", err)
		}
		return s.told(s.desk.Import(step.ID, path, Origin{}))
	case "/where":
		j, err := s.desk.Standing()
		if err == nil {
			s.show(j)
		}
		return err
	case "/skip":
		if rest == "" {
			return s.told("Say why: /skip WHY.", nil)
		}
		if err := s.desk.Skip(step.ID, rest); err != nil {
			return err
		}
		s.screen.line(2, "Skipped: "+sentence(rest))
		return errPassedOver
	case "/back":
		return s.back(step, rest)
	}
	for _, w := range runWords() {
		if w.name == word {
			return s.told(w.usage+" is for a running clock; there is none now.", nil)
		}
	}
	return s.told(fmt.Sprintf("There is no session word %s; /help lists them.", word), nil)
}

func (s *session) help(words []sessionWord) {
	for _, w := range words {
		s.screen.tell(s.screen.led(bold, fmt.Sprintf("  %-20s  ", w.usage), w.help)...)
	}
}

// told shows what came of a word. Trouble with a file is told, not fatal.
func (s *session) told(message string, err error) error {
	if err != nil {
		message = sentence(err.Error())
	}
	for _, l := range strings.Split(message, "\n") {
		s.screen.tell(s.screen.led("", "  ", l)...)
	}
	return nil
}

func needs(rest, usage string, do func() (string, error)) (string, error) {
	if rest == "" {
		return "Type it as: " + usage, nil
	}
	return do()
}

// correct puts the last reading of a name right.
func (s *session) correct(step *plans.Step, rest string) (string, error) {
	name, value, ok := strings.Cut(rest, " ")
	fields := plans.Fields(step, s.desk.Family())
	f, known := plans.FieldNamed(fields, name)
	if !known {
		var names []string
		for _, f := range fields {
			names = append(names, f.Name)
		}
		return "Type it as: /correct NAME VALUE. The readings of this step are: " + strings.Join(names, ", "), nil
	}
	job, err := s.desk.Job()
	if err != nil {
		return "", err
	}
	attempts := job.Attempts[step.ID]
	if !ok || !open(attempts) {
		return "Type the right value behind the name, while the step is open.", nil
	}
	old, there := attempts[len(attempts)-1].Latest(name)
	if !there {
		return fmt.Sprintf("There is no %s yet to put right.", name), nil
	}
	readings, err := reading.Parse(f, value)
	if err != nil {
		return "", err
	}
	if len(readings) != 1 {
		return "Give one value.", nil
	}
	r := readings[0]
	r.Corrects, r.Instrument, r.After = true, old.Instrument, old.After
	if err := s.desk.Record(step.ID, r); err != nil {
		return "", err
	}
	return fmt.Sprintf("%s is now %s; it was %s. Both stay on record.", name, r.Text, old.Text), nil
}

func (s *session) back(step *plans.Step, to string) error {
	plan := s.desk.Plan()
	var ids []string
	for i := range plan.Steps {
		id := plan.Steps[i].ID
		ids = append(ids, id)
		switch {
		case to == "" && id == step.ID:
			if i == 0 {
				return s.told("This is the first step.", nil)
			}
			return jump{plan.Steps[i-1].ID}
		case to == id:
			return jump{to}
		}
	}
	return s.told("The steps are: "+strings.Join(ids, ", ")+".", nil)
}

// newest returns the newest file of the watched folder.
func (s *session) newest() (string, error) {
	if s.o.Watch == "" {
		return "", fmt.Errorf("no folder is watched; start the session with --watch DIR")
	}
	return Newest(s.o.Watch)
}

// Newest returns the file of a folder that was changed last.
func Newest(dir string) (string, error) {
	list, err := os.ReadDir(dir)
	if err != nil {
		return "", fmt.Errorf("the folder cannot be read: %w", err)
	}
	var path string
	var at time.Time
	for _, e := range list {
		info, err := e.Info()
		if err != nil || !info.Mode().IsRegular() {
			continue
		}
		if path == "" || info.ModTime().After(at) {
			path, at = filepath.Join(dir, e.Name()), info.ModTime()
		}
	}
	if path == "" {
		return "", fmt.Errorf("%s holds no file yet", dir)
	}
	return path, nil
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
