package workflow

import (
	"context"
	"errors"
	"os"
	"path/filepath"
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
	done, err := j.Import(context.Background(), soak, Import{}, good, good)
	if err != nil || len(done) != 2 {
		t.Fatal(done, err)
	}
	logs := j.Last("soak").Logs
	if len(logs) != 2 || logs[0].Run != 1 || logs[1].Run != 2 || evidence() != 1 {
		t.Errorf("runs: %+v, %d files", logs, evidence())
	}
}
