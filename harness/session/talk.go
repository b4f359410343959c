package session

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"
)

// Options say how a talk looks and where it finds files.
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

// A Talk asks questions and reads answers line by line, from a terminal or a
// pipe.
type Talk struct {
	in          *input
	screen      screen
	o           Options
	interrupted bool
}

// ErrBack is the answer /back to a question of a form.
var ErrBack = errors.New("one question back")

// NewTalk begins a talk. It reads in in the background until it ends.
func NewTalk(in io.Reader, out io.Writer, o Options) *Talk {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Tick <= 0 {
		o.Tick = 250 * time.Millisecond
	}
	if o.Uptime == nil {
		o.Uptime = Uptime
	}
	return &Talk{in: newInput(in), screen: screen{w: out, look: o.Look}, o: o}
}

// Say writes a paragraph.
func (t *Talk) Say(text string) { t.screen.line(0, text) }

// Heading writes a title.
func (t *Talk) Heading(text string) { t.screen.heading(text) }

// Caution writes a warning.
func (t *Talk) Caution(text string) { t.screen.caution(text) }

func (t *Talk) ask(ctx context.Context, q string) (string, error) {
	t.prompt(q)
	return t.wait(ctx)
}

// prompt writes a question. The answer follows on its line; without a terminal
// the next output begins a new one.
func (t *Talk) prompt(q string) {
	lines := wrap(q, t.screen.width()-3)
	last := lines[len(lines)-1]
	t.screen.print(lines[:len(lines)-1]...)
	t.screen.settle()
	if !t.screen.look.Redraw {
		fmt.Fprintln(t.screen.w, last+":")
		return
	}
	if len(lines) > 1 && utf8.RuneCountInString(last) > t.screen.width()/2 {
		fmt.Fprint(t.screen.w, last+":\n  ")
		return
	}
	fmt.Fprint(t.screen.w, last+": ")
}

// wait returns the next line. The first interrupt asks, the second leaves.
func (t *Talk) wait(ctx context.Context) (string, error) {
	for {
		select {
		case <-ctx.Done():
			return "", ErrStopped
		case <-t.o.Interrupt:
			if t.interrupted {
				return "", ErrStopped
			}
			t.interrupted = true
			t.screen.blank()
			t.Say("Leave? Everything confirmed is kept. Press Ctrl-C again or type /stop to leave; any other answer goes on.")
		case line, ok := <-t.in.lines:
			if !ok {
				return "", t.in.end()
			}
			t.interrupted = false
			return line, nil
		}
	}
}

// yes asks a yes-or-no question; Enter means otherwise.
func (t *Talk) yes(ctx context.Context, ask func(context.Context, string) (string, error), q string, otherwise bool) (bool, error) {
	hint := " (yes/no, Enter for no)"
	if otherwise {
		hint = " (yes/no, Enter for yes)"
	}
	for {
		answer, err := ask(ctx, q+hint)
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
		t.screen.line(2, "Answer yes or no.")
	}
}

// Confirm asks a yes-or-no question outside of a session; Enter means
// otherwise.
func (t *Talk) Confirm(ctx context.Context, q string, otherwise bool) (bool, error) {
	return t.yes(ctx, func(ctx context.Context, q string) (string, error) {
		answer, err := t.ask(ctx, q)
		if err == nil && answer == "/stop" {
			err = ErrStopped
		}
		return answer, err
	}, q, otherwise)
}
