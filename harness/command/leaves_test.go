package command_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"proveout/harness/logs"
	"proveout/harness/workflow"
	"proveout/report/record"
	"proveout/report/seal/check"
	"proveout/scoring"
)

// A leaf is one value of a record that is no object and no list, or one value
// inside the plan or the family that stand in it as texts.
type leaf struct {
	path    string
	changed func() []byte // the record with this value changed
}

// leaves walks over a record.
func leaves(t testing.TB, canon []byte) []leaf {
	t.Helper()
	var root any
	if err := json.Unmarshal(canon, &root); err != nil {
		t.Fatal(err)
	}
	var out []leaf
	add := func(path string, was any, set func(any), now any) {
		out = append(out, leaf{path, func() []byte {
			set(now)
			defer set(was)
			text, err := check.Canonical(root)
			if err != nil {
				t.Fatalf("%s: %v", path, err)
			}
			return text
		}})
	}
	var walk func(path string, v any, set func(any))
	walk = func(path string, v any, set func(any)) {
		switch v := v.(type) {
		case map[string]any:
			for _, k := range slices.Sorted(maps.Keys(v)) {
				walk(path+"."+k, v[k], func(x any) { v[k] = x })
			}
		case []any:
			for i := range v {
				walk(fmt.Sprintf("%s[%d]", path, i), v[i], func(x any) { v[i] = x })
			}
		case string:
			if path == ".plan" || path == ".family" {
				for i, line := range strings.Split(v, "\n") {
					if now := otherLine(line); now != line {
						lines := strings.Split(v, "\n")
						lines[i] = now
						add(fmt.Sprintf("%s:%d", path, i+1), v, set, strings.Join(lines, "\n"))
					}
				}
				return
			}
			add(path, v, set, otherText(v))
		case float64:
			add(path, v, set, otherNumber(v))
		case bool:
			add(path, v, set, !v)
		}
	}
	walk("", root, nil)
	return out
}

// otherNumber is a number near another one.
func otherNumber(v float64) float64 {
	if v == float64(int64(v)) {
		return v + 1
	}
	return v * 1.01
}

// otherText is a text of the same kind: another word of the record's own,
// another day, or one character changed.
func otherText(s string) string {
	words := []string{
		"pass", "fail", "inconclusive", "not run", "yes", "no", "A4", "Letter", "en", "de", "certificate", "test report",
	}
	if i := slices.Index(words, s); i >= 0 {
		return words[i^1]
	}
	if at, err := time.Parse(time.RFC3339, s); err == nil {
		return at.Add(time.Hour).Format(time.RFC3339Nano)
	}
	return oneCharacter(s)
}

// oneCharacter changes the last digit of a text, or its last letter.
func oneCharacter(s string) string {
	b := []byte(s)
	for _, class := range []string{"0123456789", "abcdefghijklmnopqrstuvwxyz", "ABCDEFGHIJKLMNOPQRSTUVWXYZ"} {
		if i := strings.LastIndexAny(s, class); i >= 0 {
			b[i] = class[(strings.IndexByte(class, b[i])+1)%len(class)]
			return string(b)
		}
	}
	return s + "x"
}

// otherLine changes the value of a line of TOML.
func otherLine(line string) string {
	key, value, found := strings.Cut(line, "=")
	if !found || strings.HasPrefix(strings.TrimSpace(line), "#") || strings.TrimSpace(value) == "" {
		return line
	}
	if v := strings.TrimSpace(value); v == "true" || v == "false" {
		return key + "= " + map[string]string{"true": "false", "false": "true"}[v]
	}
	return key + "=" + oneCharacter(value)
}

// Each value of a record is changed in turn and the whole signed again with the
// right key, the pages left as they were: verify calls none of them good. What
// judging again does not find, the pages do: they name the SHA-256 of the record
// that they were made from.
func TestEveryValueOfARecord(t *testing.T) {
	oneAtATime(t)
	t.Parallel()
	d := newQuickShop(t)
	text, files, pages := d.parts(t)
	step := sampled(97, 1)
	const parts = 2 // side by side, each with a record of its own to change
	for part := range parts {
		t.Run(fmt.Sprintf("part %d", part+1), func(t *testing.T) {
			t.Parallel()
			all := leaves(t, text)
			if len(all) < 1000 {
				t.Fatalf("%d values are too few for a record", len(all))
			}
			tried, alone := 0, 0
			for i := part * step; i < len(all); i += parts * step {
				tried++
				l := all[i]
				pdf := d.signed(t, pages, l.changed(), files)
				// Any answer can only speak against a file, so one question after the
				// other finds what all together find.
				if r := asked(pdf, byScoring); r.Verdict == check.Bad {
					alone++
					continue
				}
				wantBad(t, l.path+" changed", asked(pdf, byPages), "pages")
				// What decides is found by judging again, whatever the pages say.
				reading := strings.HasSuffix(l.path, "].value") || strings.HasSuffix(l.path, "].word")
				if strings.HasPrefix(l.path, ".outcome.") || strings.HasPrefix(l.path, ".job.attempts.") && reading {
					t.Errorf("%s changed: judging again does not find it", l.path)
				}
			}
			t.Logf("%d of %d values; judging again alone finds %d", tried, len(all), alone)
		})
	}
}

type question int

const (
	byScoring question = iota // do the verdicts follow, and is the signer the one that is named
	byPages                   // are the pages those of the record
)

// asked is what verify says of a file when it is asked only this.
func asked(pdf []byte, q question) check.Report {
	e := &record.Examiner{
		Judging: record.Judging{Score: scoring.Rescore, Files: logs.Files},
		Tool:    toolName,
	}
	remake := func(c check.Contents) ([]byte, error) { return workflow.Remake(e, c, toolName) }
	pages := func(q check.Question) bool { return q.Key == "pages" }
	questions := e.Questions(remake)
	if q == byScoring {
		questions = slices.DeleteFunc(questions, pages)
	} else {
		questions = []check.Question{questions[slices.IndexFunc(questions, pages)]}
	}
	return check.Verify(pdf, check.Options{Further: questions})
}
