package session

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// A Choice is one answer that a question offers.
type Choice struct {
	Name  string // what is typed, or its number
	Title string
}

// A Question is one line of a form.
type Question struct {
	Ask      string
	Choices  func() []Choice // what may be answered; nil means any text
	Default  func() string   // what Enter means; nil: nothing
	Optional bool            // Enter leaves it open
	Many     bool            // asked again until Enter
	Skip     func() bool     // leaves the question out; may be nil
	// Accept keeps the answer, or says what is wrong with it. With Many it is
	// called for each; an empty answer to an optional question is given too.
	Accept func(answer string) error
}

// Form asks the questions in their order. /back goes to the one before, /stop
// leaves with [ErrStopped].
func (t *Talk) Form(ctx context.Context, questions []Question) error {
	backward := false
	for i := 0; i < len(questions); {
		q := &questions[i]
		if q.Skip != nil && q.Skip() {
			if backward && i > 0 {
				i--
			} else {
				backward = false
				i++
			}
			continue
		}
		err := t.question(ctx, q)
		switch {
		case errors.Is(err, ErrBack):
			if i == 0 {
				t.screen.line(2, "This is the first question.")
				continue
			}
			backward = true
			i--
		case err != nil:
			return err
		default:
			backward = false
			i++
		}
	}
	return nil
}

func (t *Talk) question(ctx context.Context, q *Question) error {
	var choices []Choice
	if q.Choices != nil {
		choices = q.Choices()
		t.list(q.Ask, choices)
	}
	otherwise := ""
	if q.Default != nil {
		otherwise = q.Default()
	}
	for {
		answer, err := t.ask(ctx, q.text(choices, otherwise))
		if err != nil {
			return err
		}
		switch {
		case answer == "/back":
			return ErrBack
		case answer == "/stop":
			return ErrStopped
		case strings.HasPrefix(answer, "/") && !strings.ContainsAny(answer[1:], `/\.`):
			t.screen.line(2, "Here you can type /back for the question before, or /stop to leave.")
			continue
		case answer == "" && otherwise != "":
			answer = otherwise
		case answer == "" && (q.Many || q.Optional):
			if q.Many {
				return nil
			}
			return q.Accept("")
		case answer == "":
			t.screen.line(2, "This is needed.")
			continue
		}
		if choices != nil {
			if answer, err = pick(choices, answer); err != nil {
				t.screen.line(2, err.Error())
				continue
			}
		}
		if err := q.Accept(answer); err != nil {
			t.screen.line(2, sentence(err.Error()))
			continue
		}
		if !q.Many {
			return nil
		}
	}
}

func (q *Question) text(choices []Choice, otherwise string) string {
	text := q.Ask
	if choices != nil {
		text = "Number or name"
	}
	switch {
	case otherwise != "":
		text += ", Enter for " + otherwise
	case q.Many:
		text += ", Enter when done"
	case q.Optional:
		text += ", Enter for none"
	}
	return text
}

// list writes the choices below the question, with their numbers.
func (t *Talk) list(ask string, choices []Choice) {
	t.screen.line(0, ask+":")
	widest := 0
	for _, c := range choices {
		widest = max(widest, utf8.RuneCountInString(c.Name))
	}
	widest = min(widest, 28)
	for i, c := range choices {
		lead := fmt.Sprintf("%4d  %-*s  ", i+1, widest, c.Name)
		if c.Title == "" {
			t.screen.print(strings.TrimRight(lead, " "))
			continue
		}
		t.screen.print(t.screen.led("", lead, c.Title)...)
	}
}

// pick finds the choice by number, by name, or by the beginning of one name.
func pick(choices []Choice, answer string) (string, error) {
	if n, err := strconv.Atoi(answer); err == nil && n >= 1 && n <= len(choices) {
		return choices[n-1].Name, nil
	}
	var found []string
	for _, c := range choices {
		if strings.EqualFold(c.Name, answer) {
			return c.Name, nil
		}
		if strings.HasPrefix(strings.ToLower(c.Name), strings.ToLower(answer)) {
			found = append(found, c.Name)
		}
	}
	slices.Sort(found)
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return "", fmt.Errorf("%q is not in the list; type a number from 1 to %d", answer, len(choices))
	}
	return "", fmt.Errorf("%q could be %s", answer, strings.Join(found, " or "))
}

// sentence makes an error one.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}
