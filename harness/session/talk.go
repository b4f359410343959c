// Package session leads a technician through a plan at the bench: it asks,
// times, warns and shows each verdict at once.
//
// Answers come in line by line, from a terminal or a pipe; every one is on the
// disk, by package workflow, before the next question. What is said comes from
// the catalogue of words, in the language of the shop. The package holds no
// rules and judges nothing.
package session

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"
	"unicode/utf8"

	"proveout/harness/logs"
	"proveout/harness/workflow"
	"proveout/plans/fact"
	"proveout/report/words"
)

// Options say how a talk looks and where it finds files.
type Options struct {
	Look    Look
	Words   *words.Plain
	Path    func(typed string) string // the file that a typed path means; as typed when nil
	Watch   string                    // folder whose newest file the word /newest means
	Map     *logs.Map                 // for every log; nil: those that the plan names
	Hints   logs.Hints                // what is said of every log beside that
	Machine workflow.Machine          // the computer that the card sits in
	Now     func() time.Time
	Tick    time.Duration // of a running clock; 250 ms when zero
	// uptime is the clock of timed runs; [uptime] when nil.
	uptime func() (awake, total time.Duration)
	// Interrupt carries Ctrl-C. The first asks, the second leaves at once.
	Interrupt <-chan os.Signal
}

// A Talk asks questions and reads answers line by line, from a terminal or a
// pipe.
type Talk struct {
	in          *input
	screen      screen
	o           Options
	interrupted bool
	// onWord carries out a session word that is typed instead of an answer; nil
	// outside of a session, where it is an answer like others.
	onWord func(ctx context.Context, typed string) error
}

// NewTalk begins a talk. It reads in in the background until it ends.
func NewTalk(in io.Reader, out io.Writer, o Options) *Talk {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Tick <= 0 {
		o.Tick = 250 * time.Millisecond
	}
	if o.uptime == nil {
		o.uptime = uptime
	}
	if o.Path == nil {
		o.Path = func(typed string) string { return typed }
	}
	return &Talk{in: newInput(in), screen: screen{w: out, look: o.Look}, o: o}
}

// words puts a fact into words that are still to be broken into lines.
func (t *Talk) words(f fact.Fact) string { return t.o.Words.Bound(f) }

// plain puts a fact into words that are shown as they are.
func (t *Talk) plain(f fact.Fact) string { return t.o.Words.Tell(f) }

// Say writes a paragraph.
func (t *Talk) Say(f fact.Fact) { t.screen.line(0, t.words(f)) }

// Heading writes a title.
func (t *Talk) Heading(f fact.Fact) { t.screen.heading(t.words(f)) }

// hint writes below what was typed what became of it.
func (t *Talk) hint(f fact.Fact) { t.screen.line(2, t.words(f)) }

// sign writes a text behind a word that stands out.
func (t *Talk) sign(code string, word, text fact.Fact) { t.screen.print(t.signed(code, word, text)...) }

func (t *Talk) signed(code string, word, text fact.Fact) []string {
	return t.screen.led(code, t.words(word)+"  ", t.words(text))
}

// inset writes a text behind a word, below a verdict.
func (t *Talk) inset(word, text fact.Fact) {
	t.screen.print(t.screen.led(bold, "  "+t.words(word)+"  ", t.words(text))...)
}

// alarm rings and says why.
func (t *Talk) alarm(f fact.Fact) {
	t.screen.ring()
	t.screen.tell(t.signed(bold+red, fact.New("session.alarm"), f)...)
}

// An again says what is wrong with an answer, where that was not said yet: the
// question is asked once more.
type again struct{ why fact.Fact }

func (again) Error() string { return "the answer is not taken" }

// wrong is an error about an answer as a reason to ask again.
func (t *Talk) wrong(err error) error {
	if err == nil {
		return nil
	}
	return again{t.trouble(err)}
}

// trouble is what an error says, as a sentence.
func (t *Talk) trouble(err error) fact.Fact {
	return fact.Text(fact.Name(sentence(t.o.Words.Explain(err))))
}

// until asks a question until the answer is taken.
func (t *Talk) until(ctx context.Context, q fact.Fact, take func(answer string) error) error {
	for {
		answer, err := t.ask(ctx, q)
		if err != nil {
			return err
		}
		var no again
		if err = take(answer); !errors.As(err, &no) {
			return err
		}
		if !no.why.IsZero() {
			t.hint(no.why)
		}
	}
}

// ask puts a question and returns the answer, after it has dealt with any words
// typed instead.
func (t *Talk) ask(ctx context.Context, q fact.Fact) (string, error) {
	for {
		t.prompt(t.words(q))
		answer, err := t.wait(ctx)
		if err != nil || t.onWord == nil || !isWord(answer) {
			return answer, err
		}
		if err := t.onWord(ctx, answer); err != nil {
			return "", err
		}
	}
}

// prompt writes a question. The answer follows on its line; without a terminal
// the next output begins a new one.
func (t *Talk) prompt(q string) {
	lines := wrap(q, t.screen.width()-3)
	last := lines[len(lines)-1] + t.plain(fact.New("session.colon"))
	t.screen.print(lines[:len(lines)-1]...)
	t.screen.settle()
	if !t.screen.look.Redraw {
		fmt.Fprintln(t.screen.w, last)
		return
	}
	if len(lines) > 1 && utf8.RuneCountInString(last) > t.screen.width()/2 {
		fmt.Fprint(t.screen.w, last+"\n  ")
		return
	}
	fmt.Fprint(t.screen.w, last+" ")
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
			t.Say(fact.New("session.leave"))
		case line, ok := <-t.in.lines:
			if !ok {
				return "", t.in.ended
			}
			t.interrupted = false
			return line, nil
		}
	}
}

// agree asks a yes-or-no question; Enter means otherwise.
func (t *Talk) agree(ctx context.Context, q fact.Fact, otherwise bool) (yes bool, err error) {
	hint := fact.New("session.yes-no", "question", q)
	if otherwise {
		hint = fact.New("session.no-yes", "question", q)
	}
	err = t.until(ctx, hint, func(answer string) error {
		switch {
		case answer == "/stop":
			return ErrStopped
		case answer == "":
			yes = otherwise
		case t.means(answer, fact.New("answer.yes"), "yes"):
			yes = true
		case t.means(answer, fact.New("answer.no"), "no"):
			yes = false
		default:
			return again{fact.New("session.answer-yes-no")}
		}
		return nil
	})
	return yes, err
}

// means reports whether an answer is a word, or its first letter: in the
// language of the screen or in English.
func (t *Talk) means(answer string, word fact.Fact, english string) bool {
	for _, w := range []string{t.plain(word), english} {
		first, _ := utf8.DecodeRuneInString(w)
		if strings.EqualFold(answer, w) || strings.EqualFold(answer, string(first)) {
			return true
		}
	}
	return false
}

// sentence makes an error one.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}
