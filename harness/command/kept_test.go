package command_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"proveout/harness/workflow"
	"proveout/plans/fact"
	"proveout/report/record"
	"proveout/report/seal"
	"proveout/report/seal/check"
)

// kept reads the certificates of testdata/certificates, with the fingerprints
// that its list gives.
func kept(t *testing.T) map[string]check.Wanted {
	t.Helper()
	dir := filepath.Join(repositoryRoot(t), "testdata", "certificates")
	list, err := os.ReadFile(filepath.Join(dir, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]check.Wanted{}
	for line := range strings.Lines(string(list)) {
		cells := strings.Split(line, "|")
		if len(cells) < 6 || !strings.Contains(cells[1], ".pdf") {
			continue
		}
		name := strings.Trim(cells[1], " `")
		fp, err := check.ParseFingerprint(strings.Trim(cells[4], " `"))
		if err != nil {
			t.Fatal(err)
		}
		out[filepath.Join(dir, name)] = fp
	}
	for schema := 1; schema < record.Schema; schema++ {
		if out[filepath.Join(dir, fmt.Sprintf("schema-%d.pdf", schema))].IsZero() {
			t.Fatalf("no kept certificate of schema %d", schema)
		}
	}
	return out
}

// Certificates that earlier versions issued stay good, and are compared by
// their values; damage and contradictions in them are found all the same.
func TestKeptCertificates(t *testing.T) {
	oneAtATime(t)
	t.Parallel()
	for path, signer := range kept(t) {
		t.Run(filepath.Base(path), func(t *testing.T) {
			pdf, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			o := check.Options{Signer: signer, Now: time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)}
			tools := []string{"proveout 99.0.0"}
			if !strings.Contains(path, fmt.Sprintf("schema-%d", record.Schema)) {
				tools = append(tools, toolName)
			}
			for _, tool := range tools {
				r := workflow.Verify(pdf, o, &record.Examiner{}, tool, 20*time.Second)
				if !r.Valid {
					t.Fatalf("%s: %+v", tool, r.Answers)
				}
				again, err := record.Decode(r.Record)
				if err != nil || !strings.Contains(path, fmt.Sprintf("schema-%d", again.Schema)) {
					t.Fatalf("schema %d, %v", again.Schema, err)
				}
				for _, a := range r.Answers {
					if a.Key == "pages" && a.Words.Key != "check.values-stand" {
						t.Errorf("%s: %s", tool, a.Words)
					}
				}
				if tool != toolName {
					keptEdited(t, r, o.Now)
				}
			}
			spoilt := bytes.Clone(pdf)
			spoilt[len(spoilt)/3] ^= 1
			if r := workflow.Verify(spoilt, o, &record.Examiner{}, "proveout 99.0.0", 20*time.Second); r.Verdict != check.Bad {
				t.Error("damaged, and still", r.Verdict)
			}
		})
	}
}

// keptEdited changes what decides in the record of another version, and signs
// it with a key that the record names.
func keptEdited(t *testing.T, r check.Report, now time.Time) {
	id, err := seal.NewIdentity("Reedmere Bench", now.AddDate(-1, 0, 0))
	if err != nil {
		t.Fatal(err)
	}
	d := &sealedShop{identity: id}
	text := edited(t, r.Record, id.Fingerprint().Hex(), "signer", "fingerprint")
	clocks := stepIndex(t, text, "clocks")
	for what, canon := range map[string][]byte{
		"nothing":              text,
		"a verdict":            edited(t, text, "fail", "outcome", "steps", clocks, "checks", 0, "verdict"),
		"a value":              edited(t, text, 166.9e6, "outcome", "steps", clocks, "checks", 0, "value"),
		"an uncertainty":       edited(t, text, 1.0, "outcome", "steps", clocks, "checks", 0, "expanded_uncertainty"),
		"a limit":              edited(t, text, 190e6, "outcome", "steps", clocks, "checks", 0, "limits", "high"),
		"a reading":            edited(t, text, 171e6, "job", "attempts", "clocks", 0, "readings", 0, "value"),
		"a check":              edited(t, text, "other", "outcome", "steps", clocks, "checks", 0, "name"),
		"the number of a step": edited(t, text, 2.0, "outcome", "steps", clocks, "attempts"),
	} {
		pdf := d.signed(t, remade(t, canon, r.Pages), canon, nil)
		o := check.Options{Signer: check.Exactly(id.Fingerprint()), Now: now}
		got := workflow.Verify(pdf, o, &record.Examiner{}, "proveout 99.0.0", 20*time.Second)
		if what == "nothing" {
			if !got.Valid {
				t.Errorf("only signed again: %+v", got.Answers)
			}
			continue
		}
		if what == "an uncertainty" { // is worked out otherwise by the rules of today
			at := slices.IndexFunc(got.Answers, func(a check.Answer) bool { return a.Key == "scores" })
			if words := fmt.Sprint(got.Answers[at]); got.Answers[at].State != check.Open || !strings.Contains(words, "Clocks") {
				t.Errorf("%s changed, pages made to fit: %s", what, words)
			}
			continue
		}
		wantBad(t, what+" changed, pages made to fit", got, "scores")
	}
}

// A look that never ends is given up, whether it keeps the computer busy or
// waits.
func TestEndlessLookIsGivenUp(t *testing.T) {
	t.Parallel()
	pdf, err := os.ReadFile(filepath.Join(repositoryRoot(t), "testdata", "certificates", "schema-2.pdf"))
	if err != nil {
		t.Fatal(err)
	}
	for name, step := range map[string]func(){"busy": func() {}, "waiting": func() { time.Sleep(time.Millisecond) }} {
		var over atomic.Bool
		endless := check.Question{Key: "endless", Ask: func(check.Contents) (check.State, fact.Fact) {
			for !over.Load() {
				step()
			}
			return check.Yes, fact.New("check.good")
		}}
		o := check.Options{Further: []check.Question{endless}}
		r := workflow.Verify(pdf, o, &record.Examiner{}, toolName, 50*time.Millisecond)
		over.Store(true)
		if r.Verdict != check.Bad || len(r.Answers) != 1 || r.Answers[0].Words.Key != "check.took-too-long" {
			t.Errorf("%s: %s %+v", name, r.Verdict, r.Answers)
		}
	}
}
