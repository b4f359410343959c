// Package job keeps one card's way through the bench in a folder that a person
// can read, copy and keep: what came in, what was observed, and the files that
// show it.
//
// Typed results, logs, pictures and notes come in; a reading.Job goes out.
// Readings are only ever added, and each is on the disk before the call that
// recorded it returns. The package decides nothing about the card, reads no
// plan or family (it keeps their text), and never touches an original file.
package job

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"proveout/harness/reading"
)

// Names of the files in a job folder.
const (
	jobFile      = "job.toml"
	planFile     = "plan.toml"
	familyFile   = "family.toml"
	journalFile  = "readings.jsonl"
	tornFile     = "readings.torn"
	evidenceDir  = "evidence"
	issuedDir    = "issued"
	lockFile     = ".lock"
	jobsDir      = "jobs"
	numbersFile  = ".numbers"
	formatNumber = 1 // of job.toml and of a journal line
)

// An Opening is what is known of a card when its job is opened.
type Opening struct {
	Opened         time.Time // zero: now
	Plan           string    // plan id
	Card           reading.Card
	Bench          string
	Technician     string
	Complaint      string
	ComplaintEvery float64 // s; 0 unknown
	Condition      string
	Work           []string
	WorkNotes      string
	Customer       string
	PlanText       []byte  // the plan as it is now, kept with the job
	FamilyText     []byte  // the family as it is now
	Photos         []Photo // files to keep as evidence
}

// A Photo is a picture of the card to be kept.
type Photo struct {
	File    string
	Role    string // "photo before", "photo after", "close-up"
	Caption string
	Print   []byte // its version for print; may be empty
}

// A Snapshot holds plan and family as they were when the job was opened.
type Snapshot struct {
	Plan, Family []byte
}

// record is job.toml.
type record struct {
	Format         int       `toml:"format"`
	Number         string    `toml:"number"`
	Opened         time.Time `toml:"opened"`
	Plan           string    `toml:"plan"`
	Bench          string    `toml:"bench"`
	Technician     string    `toml:"technician"`
	Customer       string    `toml:"customer"`
	Complaint      string    `toml:"complaint"`
	ComplaintEvery float64   `toml:"complaint_every_s"`
	Condition      string    `toml:"condition"`
	Work           []string  `toml:"work"`
	WorkNotes      string    `toml:"work_notes"`
	PlanSHA256     string    `toml:"plan_sha256"`
	FamilySHA256   string    `toml:"family_sha256"`
	Card           cardPart  `toml:"card"`
}

type cardPart struct {
	Family  string      `toml:"family"`
	Variant string      `toml:"variant"`
	Title   string      `toml:"title"`
	Serial  string      `toml:"serial"`
	Marks   []markPart  `toml:"mark"`
	Photos  []photoPart `toml:"photo"`
}

type markPart struct {
	Name  string `toml:"name"`
	Value string `toml:"value"`
}

type photoPart struct {
	Name    string `toml:"name"`
	Role    string `toml:"role"`
	Caption string `toml:"caption"`
	SHA256  string `toml:"sha256"`
	Size    int64  `toml:"size"`
	Print   string `toml:"print,omitempty"` // SHA-256 of the version for print
}

// Create opens a new job in the shop folder: it takes the next number of the
// year, makes the folder and fills it. It returns the folder. When it fails,
// nothing of the job is left.
func Create(shopDir string, o Opening) (dir string, err error) {
	if o.Opened.IsZero() {
		o.Opened = time.Now()
	}
	jobs := filepath.Join(shopDir, jobsDir)
	if err := os.MkdirAll(jobs, 0o755); err != nil {
		return "", fmt.Errorf("opening a job: %w", err)
	}
	number, dir, err := takeNumber(jobs, o.Opened.Year())
	if err != nil {
		return "", fmt.Errorf("opening a job: %w", err)
	}
	defer func() {
		if err != nil {
			os.RemoveAll(dir)
			dir = ""
		}
	}()
	for _, d := range []string{evidenceDir, issuedDir} {
		if err := os.Mkdir(filepath.Join(dir, d), 0o755); err != nil {
			return dir, fmt.Errorf("opening job %s: %w", number, err)
		}
	}
	r := newRecord(number, o)
	for _, p := range o.Photos {
		e, err := keepPhoto(dir, p)
		if err != nil {
			return dir, err
		}
		r.Card.Photos = append(r.Card.Photos, partOf(e))
	}
	files := []struct {
		name string
		data []byte
	}{{planFile, o.PlanText}, {familyFile, o.FamilyText}, {journalFile, nil}}
	for _, f := range files {
		if err := WriteFile(filepath.Join(dir, f.name), f.data, KeepExisting); err != nil {
			return dir, fmt.Errorf("opening job %s: %w", number, err)
		}
	}
	// job.toml comes last: a folder without it is a job that was never opened.
	if err := writeRecord(dir, r, KeepExisting); err != nil {
		return dir, fmt.Errorf("opening job %s: %w", number, err)
	}
	if err := syncDir(jobs); err != nil {
		return dir, fmt.Errorf("opening job %s: %w", number, err)
	}
	return dir, nil
}

func newRecord(number string, o Opening) record {
	r := record{Format: formatNumber, Number: number, Opened: o.Opened.Truncate(time.Second), Plan: o.Plan, Bench: o.Bench,
		Technician: o.Technician, Customer: o.Customer, Complaint: o.Complaint, ComplaintEvery: o.ComplaintEvery,
		Condition: o.Condition, Work: o.Work, WorkNotes: o.WorkNotes, PlanSHA256: digest(o.PlanText), FamilySHA256: digest(o.FamilyText),
		Card: cardPart{Family: o.Card.Family, Variant: o.Card.Variant, Title: o.Card.Title, Serial: o.Card.Serial}}
	if r.Work == nil {
		r.Work = []string{}
	}
	for _, m := range o.Card.Marks {
		r.Card.Marks = append(r.Card.Marks, markPart{m.Name, m.Value})
	}
	for _, p := range o.Card.Photos {
		r.Card.Photos = append(r.Card.Photos, partOf(p))
	}
	return r
}

func writeRecord(dir string, r record, over Overwrite) error {
	var b bytes.Buffer
	b.WriteString("# The card, why it came and what was done. Readings stand in " + journalFile + ".\n\n")
	enc := toml.NewEncoder(&b)
	enc.Indent = ""
	if err := enc.Encode(r); err != nil {
		return err
	}
	return WriteFile(filepath.Join(dir, jobFile), b.Bytes(), over)
}

func readRecord(dir string) (record, error) {
	var r record
	path := filepath.Join(dir, jobFile)
	data, err := os.ReadFile(path)
	if err != nil {
		return r, err
	}
	if _, err := toml.Decode(string(data), &r); err != nil {
		var pe toml.ParseError
		if errors.As(err, &pe) {
			return r, fmt.Errorf("%s:%d:%d: %s", path, pe.Position.Line, max(pe.Position.Col, 1), pe.Message)
		}
		return r, fmt.Errorf("%s: %w", path, err)
	}
	if r.Format > formatNumber {
		return r, fmt.Errorf("%s: written by a newer version (format %d, this one reads %d)", path, r.Format, formatNumber)
	}
	return r, nil
}

// takeNumber makes the folder of the next job of the year. Making the folder
// decides between two that open jobs at once. Numbers that were given out stand
// in a file beside the jobs, so that the number of a removed job is not used
// again.
func takeNumber(jobs string, year int) (number, dir string, err error) {
	entries, err := os.ReadDir(jobs)
	if err != nil {
		return "", "", err
	}
	last := 0
	note := func(name string) {
		var y, n int
		if _, err := fmt.Sscanf(name, "%d-%d", &y, &n); err == nil && y == year {
			last = max(last, n)
		}
	}
	for _, e := range entries {
		note(e.Name())
	}
	given := filepath.Join(jobs, numbersFile)
	if data, err := os.ReadFile(given); err == nil {
		for _, l := range strings.Fields(string(data)) {
			note(l)
		}
	} else if !errors.Is(err, os.ErrNotExist) {
		return "", "", err
	}
	for {
		last++
		number = fmt.Sprintf("%04d-%04d", year, last)
		dir = filepath.Join(jobs, number)
		err := os.Mkdir(dir, 0o755)
		if errors.Is(err, os.ErrExist) {
			continue
		}
		if err != nil {
			return "", "", err
		}
		if err := appendLine(given, number+"\n"); err != nil {
			os.Remove(dir)
			return "", "", err
		}
		return number, dir, nil
	}
}

func digest(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// Dir returns the folder of the job with the given number. A number may be
// shortened to its counter ("42") where one job of the shop has it.
func Dir(shopDir, number string) (string, error) {
	jobs := filepath.Join(shopDir, jobsDir)
	dir := filepath.Join(jobs, number)
	if strings.Count(number, "-") == 1 && !strings.ContainsAny(number, `/\`) {
		if _, err := os.Stat(filepath.Join(dir, jobFile)); err == nil {
			return dir, nil
		}
	}
	entries, err := os.ReadDir(jobs)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", err
	}
	var found []string
	for _, e := range entries {
		_, counter, ok := strings.Cut(e.Name(), "-")
		if ok && strings.TrimLeft(counter, "0") == strings.TrimLeft(number, "0") && number != "" {
			found = append(found, e.Name())
		}
	}
	switch len(found) {
	case 1:
		return filepath.Join(jobs, found[0]), nil
	case 0:
		return "", fmt.Errorf("job %q is not in %s: %w", number, jobs, os.ErrNotExist)
	}
	return "", fmt.Errorf("job %q could be %s: write the number in full", number, strings.Join(found, " or "))
}

// A Brief is one line of the list of jobs.
type Brief struct {
	Dir    string
	Number string
	Job    *reading.Job // nil when the job cannot be read
	Err    error
}

// List returns the jobs of a shop, oldest number first. A job that cannot be
// read is listed with its error.
func List(shopDir string) ([]Brief, error) {
	jobs := filepath.Join(shopDir, jobsDir)
	entries, err := os.ReadDir(jobs)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("listing jobs: %w", err)
	}
	var list []Brief
	for _, e := range entries {
		if !e.IsDir() || strings.HasPrefix(e.Name(), ".") {
			continue
		}
		b := Brief{Dir: filepath.Join(jobs, e.Name()), Number: e.Name()}
		b.Job, _, b.Err = Load(b.Dir)
		if errors.Is(b.Err, os.ErrNotExist) {
			b.Err = fmt.Errorf("job %s was never opened to the end: it has no %s", b.Number, jobFile)
		}
		list = append(list, b)
	}
	slices.SortFunc(list, func(a, b Brief) int { return strings.Compare(a.Number, b.Number) })
	return list, nil
}
