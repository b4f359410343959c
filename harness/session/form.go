package session

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"proveout/plans/fact"
)

// A choice is one answer that a question offers.
type choice struct {
	Name  string    // what is typed, or its number
	Title fact.Fact // may be zero
}

// choicesOf makes a choice of each of the things that there are.
func choicesOf[T any](things []T, of func(T) choice) (out []choice) {
	for _, t := range things {
		out = append(out, of(t))
	}
	return out
}

// named is a choice without a title.
func named(name string) choice { return choice{Name: name} }

// A question is one line of a form.
type question struct {
	Ask      fact.Fact
	Choices  func() []choice // what may be answered; nil means any text
	Default  func() string   // what Enter means; nil: nothing
	Optional bool            // Enter leaves it open
	Many     bool            // asked again until Enter
	Skip     func() bool     // leaves the question out; may be nil
	// Accept keeps the answer, or says what is wrong with it. With Many it is
	// called for each; an empty answer to an optional question is given too.
	Accept func(answer string) error
}

// errBack is the answer /back to a question of a form.
var errBack = errors.New("one question back")

// form asks the questions in their order. /back goes to the one before, /stop
// leaves with [ErrStopped].
func (t *Talk) form(ctx context.Context, questions []question) error {
	backward := false
	for i := 0; i < len(questions); {
		q := &questions[i]
		err := errBack
		if q.Skip == nil || !q.Skip() {
			backward = false
			err = t.question(ctx, q)
		} else if !backward {
			err = nil
		}
		switch {
		case err == errBack && i == 0:
			t.hint(fact.New("session.first-question"))
			backward = false
		case err == errBack:
			backward = true
			i--
		case err != nil:
			return err
		default:
			i++
		}
	}
	return nil
}

func (t *Talk) question(ctx context.Context, q *question) error {
	var choices []choice
	if q.Choices != nil {
		choices = q.Choices()
		t.list(q.Ask, choices)
	}
	otherwise := ""
	if q.Default != nil {
		otherwise = q.Default()
	}
	text := q.text(otherwise)
	for done := false; !done; {
		err := t.until(ctx, text, func(answer string) (err error) {
			done = !q.Many || answer == "" && otherwise == ""
			switch {
			case answer == "/back":
				return errBack
			case answer == "/stop":
				return ErrStopped
			case isWord(answer):
				return again{fact.New("session.form-words")}
			case answer == "" && otherwise != "":
				answer = otherwise
			case answer == "" && q.Many:
				return nil
			case answer == "" && q.Optional:
				return q.Accept("")
			case answer == "":
				return again{fact.New("session.needed")}
			}
			if choices != nil {
				if answer, err = pick(choices, answer); err != nil {
					return err
				}
			}
			return t.wrong(q.Accept(answer))
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (q *question) text(otherwise string) fact.Fact {
	ask := q.Ask
	if q.Choices != nil {
		ask = fact.New("session.number-or-name")
	}
	switch {
	case otherwise != "":
		return fact.New("session.enter-for", "question", ask, "answer", otherwise)
	case q.Many:
		return fact.New("session.enter-when-done", "question", ask)
	case q.Optional:
		return fact.New("session.enter-for-none", "question", ask)
	}
	return ask
}

// list writes the choices below the question, with their numbers.
func (t *Talk) list(ask fact.Fact, choices []choice) {
	t.screen.line(0, t.words(ask)+t.words(fact.New("session.colon")))
	widest := 0
	for _, c := range choices {
		widest = max(widest, utf8.RuneCountInString(c.Name))
	}
	widest = min(widest, 28)
	for i, c := range choices {
		lead := fmt.Sprintf("%4d  %-*s  ", i+1, widest, c.Name)
		if c.Title.IsZero() {
			t.screen.print(strings.TrimRight(lead, " "))
			continue
		}
		t.screen.print(t.screen.led("", lead, t.words(c.Title))...)
	}
}

// choose lists choices below a question and asks for one of them. An optional
// choice may be left open.
func (t *Talk) choose(ctx context.Context, q fact.Fact, choices []choice, optional bool) (string, error) {
	t.list(q, choices)
	which := question{Choices: func() []choice { return choices }, Optional: optional}
	name := ""
	err := t.until(ctx, which.text(""), func(answer string) (err error) {
		if name = ""; answer != "" || !optional {
			name, err = pick(choices, answer)
		}
		return err
	})
	return name, err
}

// pick finds the choice by number, by name, or by the beginning of one name.
func pick(choices []choice, answer string) (string, error) {
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
		return "", again{fact.New("session.not-listed", "answer", answer, "last", len(choices))}
	}
	return "", again{fact.New("session.could-be", "answer", answer, "names", fact.Names(fact.Or, found))}
}
