package workflow

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"proveout/plans"
)

// opened is a job of the full plan in a shop of its own.
func opened(t *testing.T) *Job {
	t.Helper()
	dir := t.TempDir()
	if err := MakeShop(dir, plans.ShopTemplate(plans.ShopParams{})); err != nil {
		t.Fatal(err)
	}
	shop, err := OpenShop(dir, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	in := shop.Receive()
	if err := errors.Join(in.SetFamily("saltmarsh"), in.SetVariant("40"), in.SetPlan("full")); err != nil {
		t.Fatal(err)
	}
	j, err := in.Open()
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// A job is judged once for each change of it.
func TestJudgedOnceForEachChange(t *testing.T) {
	j := opened(t)
	first := j.Outcome()
	if j.Outcome() != first || j.WaitsFor() == "" || j.Outcome() != first {
		t.Error("it is judged again though nothing changed")
	}
	if err := j.Note("soak", "side panel closed"); err != nil {
		t.Fatal(err)
	}
	if j.Outcome() == first {
		t.Error("it is not judged again after a change")
	}
	if notes := j.Last("soak").Notes; len(notes) != 1 || notes[0].Text != "side panel closed" {
		t.Errorf("notes: %+v", notes)
	}
}

// Of several files all are imported or none, and nothing of them stays.
func TestImportsAllOrNone(t *testing.T) {
	j := opened(t)
	dir := t.TempDir()
	good, bad := filepath.Join(dir, "good.csv"), filepath.Join(dir, "bad.csv")
	for path, text := range map[string]string{
		good: "time_s,temp_c\n0,30.0\n1,30.5\n2,31.0\n", bad: "time_s,temp_c\n0,30.0\n2,30.5\n1,31.0\n",
	} {
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	soak, err := j.Step("soak")
	if err != nil {
		t.Fatal(err)
	}
	evidence := func() int {
		files, err := os.ReadDir(filepath.Join(j.Dir, "evidence"))
		if err != nil {
			t.Fatal(err)
		}
		return len(files)
	}
	if _, err := j.Import(context.Background(), soak, Import{}, good, bad); err == nil {
		t.Fatal("a log whose time goes back was imported")
	}
	if n := evidence(); n > 0 || len(j.Attempts("soak")) > 0 {
		t.Errorf("%d files and %d attempts are left behind", n, len(j.Attempts("soak")))
	}
	other := filepath.Join(dir, "other.csv")
	if err := os.WriteFile(other, []byte("time_s,temp_c\n0,30.0\n1,30.5\n2,31.5\n3,31.0"), 0o644); err != nil {
		t.Fatal(err)
	}
	done, err := j.Import(context.Background(), soak, Import{}, good, other)
	if err != nil || len(done) != 2 || len(done[1].Notes) != 1 || done[1].Bad != 1 {
		t.Fatal(done, err)
	}
	logs := j.Last("soak").Logs
	if len(logs) != 2 || logs[0].Run != 1 || logs[1].Run != 2 || logs[1].Count != 3 || logs[1].Bad != 1 || evidence() != 2 {
		t.Errorf("runs: %+v, %d files", logs, evidence())
	}
}

// The log of another card or of another run is not taken as that of this one.
func TestRefusesTheSameFileTwice(t *testing.T) {
	ctx := context.Background()
	j := opened(t)
	in := j.home.Receive()
	if err := errors.Join(in.SetFamily("saltmarsh"), in.SetVariant("40"), in.SetPlan("full")); err != nil {
		t.Fatal(err)
	}
	next, err := in.Open()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	const text = "time_s,temp_c\n0,30.0\n1,30.5\n2,31.0\n"
	log, renamed := file("a.csv", text), file("b.csv", text)
	list := file("none.csv", "address,written,read\n")
	imports := func(j *Job, step string, in Import, paths ...string) error {
		s, err := j.Step(step)
		if err != nil {
			t.Fatal(err)
		}
		_, err = j.Import(ctx, s, in, paths...)
		return err
	}
	for _, tt := range []struct {
		what    string
		job     *Job
		step    string
		in      Import
		paths   []string
		refused string
	}{
		{"twice at once", j, "soak", Import{}, []string{log, renamed}, "import.twice-at-once"},
		{"the first time", j, "soak", Import{}, []string{log}, ""},
		{"twice at a step", j, "soak", Import{}, []string{log}, "import.twice-here"},
		{"for a retest", j, "soak", Import{Retest: true}, []string{renamed}, "import.twice-here"},
		{"at another step", j, "load", Import{Beside: true}, []string{renamed}, "import.twice-here"},
		{"in another job", next, "soak", Import{}, []string{renamed}, "import.twice-elsewhere"},
		{"with a reason", next, "soak", Import{Again: "job 1 was opened by mistake"}, []string{renamed}, ""},
		{"a list without failures", j, "memory-scan", Import{}, []string{list}, ""},
		{"such a list of another card", next, "memory-scan", Import{}, []string{list}, ""},
	} {
		err := imports(tt.job, tt.step, tt.in, tt.paths...)
		var twice *Twice
		if got := errors.As(err, &twice); got != (tt.refused != "") || got && twice.What.Key != tt.refused || !got && err != nil {
			t.Errorf("%s: %v", tt.what, err)
		}
	}
	notes := next.Last("soak").Notes
	if len(notes) != 1 || !strings.Contains(notes[0].Text, "in job "+j.Input.Job.Number) ||
		!strings.Contains(notes[0].Text, "opened by mistake") {
		t.Errorf("the reason is not kept: %+v", notes)
	}
	if n := len(next.Attempts("soak")) + len(j.Attempts("load")); n != 1 {
		t.Errorf("%d attempts, want 1: refused files leave none", n)
	}
}
