package command_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"html"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"proveout/harness/command"
)

// Documents of the demo's jobs in other languages hold no English of the
// program, and a certificate's pages are made again in its language.
func TestOtherLanguages(t *testing.T) {
	oneAtATime(t)
	t.Parallel()
	d := newSealedShop(t)
	c, said := testConsole(repositoryRoot(t))
	run := func(want int, args ...string) {
		t.Helper()
		said.Reset()
		line := append([]string{"proveout", args[0], "--shop", d.dir}, args[1:]...)
		if code := c.Run(context.Background(), line); code != want {
			t.Fatalf("%v: exit code %d\n%s", args, code, said)
		}
	}
	number := strings.TrimSuffix(filepath.Base(d.path), ".pdf")
	for i, l := range []string{"de", "fr"} {
		for job := 2; job <= 3; job++ {
			if !allChecks() && job != i+2 {
				continue // in a usual run one report a language
			}
			run(command.ExitPassed, "report", fmt.Sprint(job), "--language", l)
			page := fmt.Sprintf("2026-%04d-R%d.html", job, sampled(2, i+2))
			noEnglish(t, l, filepath.Join(d.dir, "jobs", fmt.Sprintf("2026-%04d", job), "issued", page))
		}
		if !allChecks() && l != "de" {
			continue
		}
		run(command.ExitPassed, "certify", "1", "--language", l, "--replaces", number, "--because", "other language")
		number = fmt.Sprintf("QR-2026-%04d", i+2)
		path := filepath.Join(d.dir, "jobs", "2026-0001", "issued", number+".pdf")
		noEnglish(t, l, strings.TrimSuffix(path, ".pdf")+".html")
		pdf, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		r := d.examined(pdf)
		for _, a := range r.Answers {
			if a.Key == "pages" && a.Words.Key != "check.pages-same" {
				t.Errorf("%s: %s", l, a.Words)
			}
		}
		if !r.Valid {
			t.Errorf("%s: %+v", l, r.Answers)
		}
		answersIn(t, c, said, l, d, path)
	}
}

// answersIn asks the command in a language: each answer differs from the English
// one in its words alone.
func answersIn(t *testing.T, c *program, said *bytes.Buffer, language string, d *sealedShop, path string) {
	t.Helper()
	type answer struct{ Key, Question, State, Words string }
	var out [2]struct{ Files []struct{ Answers []answer } }
	for i, l := range []string{"en", language} {
		said.Reset()
		args := []string{"proveout", "verify", "--shop", d.dir, "--json", "--language", l, path}
		if code := c.Run(context.Background(), args); code != command.ExitPassed {
			t.Fatalf("exit code %d\n%s", code, said)
		}
		if err := json.Unmarshal(said.Bytes(), &out[i]); err != nil {
			t.Fatal(err)
		}
	}
	other := out[1].Files[0].Answers
	for i, a := range out[0].Files[0].Answers {
		same := other[i].Key == a.Key && other[i].State == a.State
		if !same || other[i].Question == a.Question || other[i].Words == a.Words || englishWords.MatchString(other[i].Words) {
			t.Errorf("%s: %+v is said as %+v", language, a, other[i])
		}
	}
}

// theShopsOwn are words of the demo's shop, technicians and families, which stay
// as they were typed.
var theShopsOwn = regexp.MustCompile(`at \d+ MHz|test computer with|readout on the screen|` +
	`clipped to the heatsink|earlier repair at U3|Bridge between pins|looked at from both sides|` +
	`The tool shows|corner of the board|Cracked trace near|after a few minutes|other language`)

var englishWords = regexp.MustCompile(`\b(the|of|is|were|and|with|at|from|this|by|it)\b`)

// noEnglish looks for English of the program on a page.
func noEnglish(t *testing.T, language, path string) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	page := regexp.MustCompile(`(?s)<script.*?</script>|<style.*?</style>`).ReplaceAllString(string(data), "")
	if !strings.Contains(page, `<html lang="`+language+`"`) {
		t.Errorf("%s is not in %s", path, language)
	}
	if i := strings.Index(page, `lang="en"`); i >= 0 {
		t.Errorf("%s: %s: stayed English: %.200s", language, filepath.Base(path), page[i:])
	}
	point := regexp.MustCompile(`\d\.\d+[ \x{a0}](s|ms|MHz|V|Ω|K|%|°C|min)\b`)
	texts := 0
	for _, text := range regexp.MustCompile(`<[^>]*>`).Split(page, -1) {
		text = strings.TrimSpace(html.UnescapeString(text))
		texts++
		if englishWords.MatchString(text) && !theShopsOwn.MatchString(text) {
			t.Errorf("%s: %s: %q", language, filepath.Base(path), text)
		}
		if point.MatchString(text) {
			t.Errorf("%s: %s: a number with a point: %q", language, filepath.Base(path), text)
		}
	}
	if texts < 300 {
		t.Errorf("%s: only %d texts", path, texts)
	}
}
