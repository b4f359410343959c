package session

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"proveout/plans"
)

// ask puts a question and returns the answer, after it has dealt with any
// session words typed instead.
func (s *session) ask(ctx context.Context, step *plans.Step, q string) (string, error) {
	for {
		s.prompt(q)
		answer, err := s.wait(ctx)
		if err != nil {
			return "", err
		}
		if !strings.HasPrefix(answer, "/") {
			return answer, nil
		}
		if err := s.word(step, answer); err != nil {
			return "", err
		}
	}
}

func (s *session) prompt(q string) {
	s.screen.settle()
	lines := wrap(q+": ", s.o.Look.Width-2)
	for i, l := range lines {
		if i < len(lines)-1 {
			fmt.Fprintln(s.screen.w, l)
		} else {
			fmt.Fprint(s.screen.w, l+" ")
		}
	}
	if !s.o.Look.Redraw {
		fmt.Fprintln(s.screen.w)
	}
}

// wait returns the next line. The first interrupt asks, the second leaves.
func (s *session) wait(ctx context.Context) (string, error) {
	for {
		select {
		case <-ctx.Done():
			return "", errStopped
		case <-s.o.Interrupt:
			if s.interrupted {
				return "", errStopped
			}
			s.interrupted = true
			s.screen.blank()
			s.screen.line(0, "Leave the session? Everything confirmed is kept. Press Ctrl-C again or type /stop to leave; anything else goes on.")
		case line, ok := <-s.in.lines:
			if !ok {
				return "", s.in.end()
			}
			s.interrupted = false
			return line, nil
		}
	}
}

// yes asks a yes-or-no question; Enter means otherwise.
func (s *session) yes(ctx context.Context, step *plans.Step, q string, otherwise bool) (bool, error) {
	hint := " (y/N)"
	if otherwise {
		hint = " (Y/n)"
	}
	for {
		answer, err := s.ask(ctx, step, q+hint)
		if err != nil {
			return false, err
		}
		switch strings.ToLower(answer) {
		case "":
			return otherwise, nil
		case "y", "yes":
			return true, nil
		case "n", "no":
			return false, nil
		}
		s.screen.line(2, "Answer y or n.")
	}
}

// word carries out a session word.
func (s *session) word(step *plans.Step, typed string) error {
	word, rest, _ := strings.Cut(typed, " ")
	rest = strings.TrimSpace(rest)
	switch strings.ToLower(word) {
	case "/help":
		for _, l := range helpLines() {
			s.screen.line(2, l)
		}
		return nil
	case "/stop":
		return errStopped
	case "/note":
		return s.told(s.needs(rest, "/note TEXT", func() (string, error) { return "Noted.", s.desk.Note(step.ID, rest) }))
	case "/log":
		return s.told(s.needs(rest, "/log PATH", func() (string, error) { return s.desk.Import(step.ID, unquote(rest)) }))
	case "/file":
		return s.told(s.needs(rest, "/file PATH", func() (string, error) { return s.desk.Attach(step.ID, unquote(rest), "file", "") }))
	case "/photo":
		return s.told(s.needs(rest, "/photo PATH", func() (string, error) { return s.desk.Attach(step.ID, unquote(rest), "photo", step.Title) }))
	case "/newest":
		path, err := newest(s.o.Watch)
		if err != nil {
			return s.told(err.Error()+".", nil)
		}
		return s.told(s.desk.Import(step.ID, path))
	case "/skip":
		if rest == "" {
			return s.told("Say why: /skip WHY.", nil)
		}
		if err := s.desk.Skip(step.ID, rest); err != nil {
			return err
		}
		s.screen.line(2, "Skipped.")
		return passedOver
	case "/back":
		return s.back(step, rest)
	}
	return s.told(fmt.Sprintf("There is no session word %s; /help lists them.", word), nil)
}

func helpLines() []string {
	return []string{
		"/back [STEP]   go back to the step before, or to the one named",
		"/skip WHY      pass over this step, with the reason",
		"/note TEXT     keep a remark with this step",
		"/photo PATH    keep a photo with the job",
		"/file PATH     keep any file with the job",
		"/log PATH      take readings from a log or a capture",
		"/newest        the same with the newest file of the watched folder",
		"/stop          leave; the job goes on where it stands",
	}
}

// told shows what came of a word. Trouble with a file is told, not fatal.
func (s *session) told(message string, err error) error {
	if err != nil {
		message = strings.TrimSuffix(err.Error(), ".") + "."
	}
	for _, l := range strings.Split(message, "\n") {
		s.screen.line(2, l)
	}
	return nil
}

func (s *session) needs(rest, usage string, do func() (string, error)) (string, error) {
	if rest == "" {
		return "Type it as: " + usage, nil
	}
	return do()
}

func (s *session) back(step *plans.Step, to string) error {
	plan := s.desk.Plan()
	for i := range plan.Steps {
		switch {
		case to == "" && plan.Steps[i].ID == step.ID:
			if i == 0 {
				return s.told("This is the first step.", nil)
			}
			return jump{plan.Steps[i-1].ID}
		case to == plan.Steps[i].ID:
			return jump{to}
		}
	}
	var ids []string
	for i := range plan.Steps {
		ids = append(ids, plan.Steps[i].ID)
	}
	return s.told("The steps are: "+strings.Join(ids, ", ")+".", nil)
}

// newest returns the file of a folder that was changed last.
func newest(dir string) (string, error) {
	if dir == "" {
		return "", fmt.Errorf("no folder is watched; start the session with --watch DIR")
	}
	list, err := os.ReadDir(dir)
	if err != nil {
		return "", fmt.Errorf("the watched folder cannot be read: %w", err)
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
		return "", fmt.Errorf("%s holds no file", dir)
	}
	return path, nil
}

// unquote takes the quotes off a path that was dragged into the terminal.
func unquote(path string) string {
	if len(path) > 1 && (path[0] == '"' || path[0] == '\'') && path[len(path)-1] == path[0] {
		return path[1 : len(path)-1]
	}
	return path
}
