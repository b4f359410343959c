package job

import (
	"errors"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans/fact"
)

func opening() Opening {
	return Opening{
		Job: reading.Job{
			Opened: time.Date(2026, 3, 5, 9, 30, 0, 0, time.FixedZone("", 3600)),
			Plan:   "full", Bench: "left", Technician: "ka", Customer: "R-17",
			Complaint: "Stripes after a while </script> 🙂\nsecond line", ComplaintEvery: 600, Condition: "dusty",
			Work: []string{"memory chips replaced"}, WorkNotes: "two chips",
			Card: reading.Card{Family: "tarn", Variant: "tarn-137", Title: "Tarn 137", Serial: "TN-0007",
				Marks: []reading.Mark{{Name: "date code", Value: "9937"}, {Name: "sticker \"A\"", Value: "12\\3"}}},
		},
		PlanText: []byte("id = \"full\"\n"), FamilyText: []byte("id = \"tarn\"\n"),
	}
}

func create(t *testing.T) string {
	t.Helper()
	dir, err := Create(t.TempDir(), opening())
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

func open(t *testing.T, dir string) *Folder {
	t.Helper()
	f, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func load(t *testing.T, dir string) *reading.Job {
	t.Helper()
	j, _, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func typed(name string, v float64) reading.Reading {
	return reading.Reading{Name: name, Value: &v, Text: "137.5", Unit: "MHz", Resolution: 1e5, Instrument: "counter",
		By: "ka", Source: reading.Source{Kind: "typed"}}
}

func TestJobComesBackAsItWasOpened(t *testing.T) {
	shop := t.TempDir()
	photo := filepath.Join(t.TempDir(), "Front.JPG")
	os.WriteFile(photo, []byte("picture"), 0o644)
	o := opening()
	o.Photos = []Photo{{File: photo, Role: "photo before", Caption: "as received"}}
	dir, err := Create(shop, o)
	if err != nil {
		t.Fatal(err)
	}
	if got := filepath.Base(dir); got != "2026-0001" {
		t.Errorf("folder %s", got)
	}
	j, snap, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	if string(snap.Plan) != string(o.PlanText) || string(snap.Family) != string(o.FamilyText) {
		t.Errorf("snapshot %q %q", snap.Plan, snap.Family)
	}
	want := o.Job
	want.Number, want.Attempts = "2026-0001", map[string][]reading.Attempt{}
	want.Card.Photos = []reading.Evidence{
		{SHA256: digest([]byte("picture")), Name: "Front.JPG", Size: 7, Role: "photo before", Caption: "as received"},
	}
	if d := cmp.Diff(&want, j, cmp.Comparer(func(a, b time.Time) bool { return a.Equal(b) })); d != "" {
		t.Error(d)
	}
	if path := EvidencePath(dir, j.Card.Photos[0]); path != filepath.Join(dir, "evidence", digest([]byte("picture"))+".jpg") {
		t.Errorf("the photo is kept as %s", path)
	}
	if _, off := j.Opened.Zone(); off != 3600 {
		t.Errorf("offset %d lost", off)
	}
}

func TestNumbers(t *testing.T) {
	shop := t.TempDir()
	var wg sync.WaitGroup
	var mu sync.Mutex
	var got []string
	for range 12 {
		wg.Go(func() {
			dir, err := Create(shop, opening())
			if err != nil {
				t.Error(err)
				return
			}
			mu.Lock()
			got = append(got, filepath.Base(dir))
			mu.Unlock()
		})
	}
	wg.Wait()
	slices.Sort(got)
	if n := len(slices.Compact(slices.Clone(got))); n != 12 || got[0] != "2026-0001" || got[11] != "2026-0012" {
		t.Errorf("numbers %v", got)
	}
	os.RemoveAll(filepath.Join(shop, "jobs", "2026-0012"))
	if dir, err := Create(shop, opening()); err != nil || filepath.Base(dir) != "2026-0013" {
		t.Errorf("after the last job was removed: %s, %v; its number must not come again", dir, err)
	}
	o := opening()
	o.Opened = o.Opened.AddDate(1, 0, 0)
	if dir, err := Create(shop, o); err != nil || filepath.Base(dir) != "2027-0001" {
		t.Errorf("next year: %s, %v", dir, err)
	}
	o.Photos = []Photo{{File: filepath.Join(shop, "none.jpg")}}
	if _, err := Create(shop, o); err == nil {
		t.Error("a photo that is not there was kept")
	}
	list, err := List(shop)
	if err != nil || len(list) != 13 {
		t.Errorf("%d jobs, %v; a job that could not be opened must leave nothing", len(list), err)
	}
	if dir, err := Dir(shop, "13"); err != nil || filepath.Base(dir) != "2026-0013" {
		t.Errorf("short number: %s, %v", dir, err)
	}
	if _, err := Dir(shop, "1"); err == nil || !strings.Contains(err.Error(), "2026-0001 or 2027-0001") {
		t.Errorf("ambiguous number: %v", err)
	}
	if _, err := Dir(shop, "99"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("unknown number: %v", err)
	}
}

func TestAttempts(t *testing.T) {
	dir := create(t)
	f := open(t, dir)
	if err := f.Append(Entry{Kind: AttemptStart, Step: "clocks", Attempt: 1, By: "ka"}); err != nil {
		t.Fatal(err)
	}
	fix := typed("core", 137e6)
	fix.Corrects = true
	word := reading.Reading{Name: "bus", Word: "AGP", Text: "agp"}
	err := f.Append(Observe("clocks", 1, typed("core", 1.665e9)), Observe("clocks", 1, fix), Observe("clocks", 1, word),
		Entry{Kind: Remark, Step: "clocks", Attempt: 1, Text: "warm"}, Entry{Kind: AttemptEnd, Step: "clocks", Attempt: 1, Ran: 12})
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Append(Entry{Kind: AttemptStart, Step: "clocks", Attempt: 2, By: "ka"}); err != nil {
		t.Fatal(err)
	}
	if err := f.Append(Entry{Kind: Cut, Step: "clocks", Attempt: 2, Text: "power lost", Ran: 3}, Entry{Kind: Skip, Step: "soak", Text: "no time"}); err != nil {
		t.Fatal(err)
	}
	if err := f.Append(Observe("clocks", 2, typed("core", math.Inf(1)))); err == nil {
		t.Error("an infinite reading was recorded")
	}
	j := load(t, dir)
	if len(j.Warnings) > 0 {
		t.Error(j.Warnings)
	}
	a := j.Attempts["clocks"]
	if len(a) != 2 || len(a[0].Readings) != 3 || a[0].Ran != 12 || a[0].Notes[0].Text != "warm" || a[1].Cut != "power lost" || a[1].Ran != 3 {
		t.Fatalf("%+v", a)
	}
	if all := a[0].All("core"); len(all) != 1 || all[0].Number() != 137e6 || all[0].Seq != 3 {
		t.Errorf("corrected reading: %+v", all)
	}
	if r, _ := a[0].Latest("bus"); r.Value != nil || r.Word != "AGP" || !math.IsNaN(r.Number()) {
		t.Errorf("word: %+v", r)
	}
	if s := j.Attempts["soak"]; len(s) != 1 || s[0].Skipped != "no time" {
		t.Errorf("skip: %+v", s)
	}
}

func TestEvidenceIsKeptOnceAndChecked(t *testing.T) {
	dir := create(t)
	f := open(t, dir)
	src := filepath.Join(t.TempDir(), "shot.PNG")
	os.WriteFile(src, []byte("pixels"), 0o600)
	a, err := f.Keep(src, "capture", "")
	if err != nil {
		t.Fatal(err)
	}
	other := filepath.Join(filepath.Dir(src), "shot.bmp")
	if err := os.Rename(src, other); err != nil {
		t.Fatal(err)
	}
	b, err := f.Keep(other, "capture", "again")
	if err != nil || a.Kept != b.Kept {
		t.Fatalf("%v, %s and %s", err, a.Kept, b.Kept)
	}
	picture := Entry{Kind: Picture, Step: "image", Attempt: 1, File: &b, Capture: &reading.Capture{Pattern: "bars", Mode: "1024x768x16"}}
	if err := f.Append(picture); err != nil {
		t.Fatal(err)
	}
	if got, _ := os.ReadFile(other); string(got) != "pixels" {
		t.Error("the original was touched")
	}
	if names, _ := os.ReadDir(filepath.Join(dir, "evidence")); len(names) != 1 {
		t.Errorf("%d files in evidence", len(names))
	}
	c := load(t, dir).Attempts["image"][0].Captures[0]
	path := EvidencePath(dir, c.Evidence)
	if c.Pattern != "bars" || c.Name != "shot.bmp" || path != filepath.Join(dir, "evidence", a.Kept) {
		t.Errorf("%+v at %s", c, path)
	}
	if got, err := reading.ReadAll(Files(dir, logs.Files), c.Evidence, 6); err != nil || string(got) != "pixels" {
		t.Errorf("%q, %v", got, err)
	}
	if _, err := reading.ReadAll(Files(dir, logs.Files), c.Evidence, 5); err == nil || !strings.Contains(err.Error(), "more than 5 bytes") {
		t.Errorf("a file that is too long: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "plan.toml"), []byte("id = 'other'"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	changed, missing := fact.New("job.changed", "file", "plan.toml"), "job.evidence-missing"
	w := load(t, dir).Warnings
	if len(w) != 2 || !reflect.DeepEqual(w[0], changed) || w[1].Key != missing || w[1].Args["file"] != fact.Name("shot.bmp") {
		t.Errorf("%q", w)
	}
}

// importLog records a log as one of the first attempt at a step.
func importLog(f *Folder, step, path string, read LogReader) error {
	entries, err := f.TakeLog(path, read)
	if err != nil {
		return err
	}
	for i := range entries {
		entries[i].Step, entries[i].Attempt, entries[i].By = step, 1, "ka"
	}
	return f.Append(entries...)
}

// reader reads a log by a map.
func reader(m logs.Map) LogReader {
	return func(name string, file io.Reader) ([]reading.Log, error) {
		sum, err := logs.Read(name, file, m, nil)
		if err != nil {
			return nil, err
		}
		return sum.Records("")
	}
}

func TestImportedLogComesBackAsRows(t *testing.T) {
	dir := create(t)
	f := open(t, dir)
	src := filepath.Join(t.TempDir(), "soak.csv")
	os.WriteFile(src, []byte("time_s;temp_c\n0;20,5\n10;21,0\n0;30,5\n10;31\n"), 0o644)
	before := tree(t, dir)
	back := "soak.csv:4:1: column \"time_s\": the time goes back"
	if err := importLog(f, "soak", src, reader(logs.Map{})); err == nil || !strings.Contains(err.Error(), back) {
		t.Fatalf("%v", err)
	}
	if d := cmp.Diff(before, tree(t, dir)); d != "" {
		t.Errorf("a refused log changed the job: %s", d)
	}
	m, err := logs.Settle("soak.csv", strings.NewReader("time_s;temp_c\n0;20,5\n"), logs.Map{}, logs.Hints{})
	if err != nil {
		t.Fatal(err)
	}
	m.Split.By = logs.SplitBack
	if err := importLog(f, "soak", src, reader(m)); err != nil {
		t.Fatal(err)
	}
	l := load(t, dir).Attempts["soak"][0].Logs
	if len(l) != 2 || l[1].Run != 2 || l[1].Count != 2 || l[1].Seconds != 10 || l[1].Columns[1].Resolution != 0.1 {
		t.Fatalf("%+v", l)
	}
	for range 2 { // it can be read again and again
		var got []float64
		for row, err := range Files(dir, logs.Files).Rows(&l[1]) {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, float64(row.Line), row.Values[0], row.Values[1])
		}
		if d := cmp.Diff([]float64{4, 0, 30.5, 5, 10, 31}, got); d != "" {
			t.Error(d)
		}
	}
	for range Files(dir, logs.Files).Rows(&l[0]) {
		break // leaving early ends the reading
	}
	if err := importLog(f, "soak", src, reader(m)); err != nil {
		t.Fatal(err)
	}
	kept := tree(t, dir)
	entries, err := f.TakeLog(src, reader(m))
	if err != nil {
		t.Fatal(err)
	}
	f.Discard(entries)
	if d := cmp.Diff(kept, tree(t, dir)); d != "" {
		t.Errorf("what the job had before is gone: %s", d)
	}
	if l := load(t, dir).Attempts["soak"][0].Logs; len(l) != 4 || l[3].Run != 4 {
		t.Errorf("runs of a second file go on counting: %+v", l)
	}
}

// tree returns the files of a folder with their hashes, but for the lock.
func tree(t *testing.T, dir string) map[string]string {
	t.Helper()
	files := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() == lockFile {
			return err
		}
		files[path], err = HashFile(path)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func TestWriteFileKeepsWhatIsThere(t *testing.T) {
	path := filepath.Join(t.TempDir(), "cert.pdf")
	if err := WriteFile(path, []byte("one"), KeepExisting); err != nil {
		t.Fatal(err)
	}
	if err := WriteFile(path, []byte("two"), KeepExisting); !errors.Is(err, fs.ErrExist) {
		t.Errorf("overwrote: %v", err)
	}
	if err := WriteFile(path, []byte("three"), ReplaceExisting); err != nil {
		t.Error(err)
	}
	if got, _ := os.ReadFile(path); string(got) != "three" {
		t.Errorf("%q", got)
	}
	if names, _ := os.ReadDir(filepath.Dir(path)); len(names) != 1 {
		t.Errorf("left behind: %v", names)
	}
}

func TestIssueAndAmend(t *testing.T) {
	dir := create(t)
	f := open(t, dir)
	path, err := f.Issue(IssuedRecord{Document: "certificate", Number: "PO-1", File: "PO-1.pdf"}, []byte("%PDF"), "ka", KeepExisting)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Issue(IssuedRecord{Document: "certificate", File: "PO-1.pdf"}, []byte("x"), "ka", KeepExisting); !errors.Is(err, fs.ErrExist) {
		t.Errorf("issued over another: %v", err)
	}
	if err := f.Amend(func(j *reading.Job) { j.Work = append(j.Work, "fan replaced"); j.Plan = "other" }); err != nil {
		t.Fatal(err)
	}
	if j := load(t, dir); len(j.Work) != 2 || j.Plan != "full" || len(j.Warnings) > 0 {
		t.Errorf("%v %s %q", j.Work, j.Plan, j.Warnings)
	}
	if got, err := os.ReadFile(path); err != nil || string(got) != "%PDF" {
		t.Errorf("%q, %v", got, err)
	}
}
