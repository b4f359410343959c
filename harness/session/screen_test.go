package session

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"proveout/plans/fact"
	"proveout/scoring/conformity"

	"pgregory.net/rapid"
)

// Wrapped text fits the width, loses no word, and steers no terminal.
func TestWrap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOfN(rapid.RuneFrom([]rune("ab °é \n\t\x1b\a")), 0, 200, -1).Draw(t, "text")
		width := rapid.IntRange(10, 130).Draw(t, "width")
		lines := wrap(text, width)
		for _, l := range lines {
			if utf8.RuneCountInString(l) > width {
				t.Fatalf("%q has more than %d columns", l, width)
			}
			if strings.ContainsFunc(l, unicode.IsControl) {
				t.Fatalf("%q holds a control character", l)
			}
		}
		letters := func(s string) string {
			return strings.Map(func(r rune) rune {
				if unicode.IsSpace(r) || unicode.IsControl(r) {
					return -1
				}
				return r
			}, s)
		}
		if letters(strings.Join(lines, "")) != letters(text) {
			t.Fatalf("%q became %q", text, lines)
		}
	})
}

func TestClipLeavesColoursWhole(t *testing.T) {
	for text, want := range map[string]string{
		"short":                        "short",
		"0123456789":                   "01234567",
		bold + "ALARM" + plain + "  x": bold + "ALARM" + plain + "  x",
		bold + "ALARM ALARM" + plain:   bold + "ALARM AL" + plain,
	} {
		if got := clip(text, 8); got != want {
			t.Errorf("clip(%q) = %q, want %q", text, got, want)
		}
	}
}

// Without colour and redrawing nothing but text and line feeds is written.
func TestPlainScreenWritesNoControlCharacter(t *testing.T) {
	var out bytes.Buffer
	talk := NewTalk(strings.NewReader(""), &out, Options{Look: Look{Width: 60}, Words: english(t)})
	said := func(text string) fact.Fact { return fact.Text(fact.Name(text)) }
	talk.Heading(said("Soak"))
	talk.sign(bold+magenta, fact.New("session.caution"), said("hot"))
	talk.session(nil).stamp("", conformity.Fail, conformity.Fail.Fact(), said("too hot"))
	talk.alarm(said("too hot"))
	s := &talk.screen
	s.draw([]string{"1:00 of 2:00"}, "> ")
	s.tell("kept")
	s.settle()
	if text := out.String(); strings.ContainsFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' }) {
		t.Errorf("%q", text)
	}
	if !strings.Contains(out.String(), "ALARM  too hot") {
		t.Errorf("the alarm is not told: %q", out.String())
	}
}

func TestFormGoesBack(t *testing.T) {
	var out bytes.Buffer
	var got [3]string
	keep := func(i int) func(string) error { return func(a string) error { got[i] = a; return nil } }
	talk := NewTalk(strings.NewReader("one\n/back\nuno\n2\n/back\n1\n\n"), &out, Options{Words: english(t)})
	ask := func(text string) fact.Fact { return fact.Text(fact.Name(text)) }
	err := talk.form(context.Background(), []question{
		{Ask: ask("First"), Accept: keep(0)},
		{Ask: ask("Second"), Accept: keep(1),
			Choices: func() []choice { return []choice{{Name: "left"}, {Name: "right"}} }},
		{Ask: ask("Third"), Default: func() string { return "three" }, Accept: keep(2)},
	})
	if err != nil || got != [3]string{"uno", "left", "three"} {
		t.Errorf("got %v, %v\n%s", got, err, out.String())
	}
}

func TestWordsAreNotPaths(t *testing.T) {
	for line, want := range map[string]bool{
		"/help": true, "/note x/y": true, "/tmp/soak.csv": false, "/soak.csv": false, "61.5": false,
	} {
		if got := isWord(line); got != want {
			t.Errorf("isWord(%q) = %v", line, got)
		}
	}
}
