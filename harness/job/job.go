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

// An Opening is what is known of a card when its job is opened. The job's number,
// attempts and warnings do not count; without a time it is opened now.
type Opening struct {
	reading.Job
	PlanText   []byte  // the plan as it is now, kept with the job
	FamilyText []byte  // the family as it is now
	Photos     []Photo // files to keep as evidence
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

// A sheet is job.toml: the job without what happened at the bench.
type sheet struct {
	Format int `toml:"format"`
	reading.Job
	PlanSHA256   string `toml:"plan_sha256"`
	FamilySHA256 string `toml:"family_sha256"`
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
	s := sheet{Format: formatNumber, Job: o.Job, PlanSHA256: digest(o.PlanText), FamilySHA256: digest(o.FamilyText)}
	s.Number, s.Opened = number, o.Opened.Truncate(time.Second)
	s.Card.Photos = slices.Clone(o.Card.Photos)
	for _, p := range o.Photos {
		e, err := keepPhoto(dir, p)
		if err != nil {
			return dir, err
		}
		s.Card.Photos = append(s.Card.Photos, e.Evidence)
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
	if err := writeSheet(dir, s, KeepExisting); err != nil {
		return dir, fmt.Errorf("opening job %s: %w", number, err)
	}
	if err := syncDir(jobs); err != nil {
		return dir, fmt.Errorf("opening job %s: %w", number, err)
	}
	return dir, nil
}

func writeSheet(dir string, s sheet, over Overwrite) error {
	if s.Work == nil {
		s.Work = []string{} // the file says that there is none
	}
	var b bytes.Buffer
	b.WriteString("# The card, why it came and what was done. Readings stand in " + journalFile + ".\n\n")
	enc := toml.NewEncoder(&b)
	enc.Indent = ""
	if err := enc.Encode(s); err != nil {
		return err
	}
	return WriteFile(filepath.Join(dir, jobFile), b.Bytes(), over)
}

func readSheet(dir string) (sheet, error) {
	var s sheet
	path := filepath.Join(dir, jobFile)
	data, err := os.ReadFile(path)
	if err != nil {
		return s, err
	}
	if _, err := toml.Decode(string(data), &s); err != nil {
		var pe toml.ParseError
		if errors.As(err, &pe) {
			return s, fmt.Errorf("%s:%d:%d: %s", path, pe.Position.Line, max(pe.Position.Col, 1), pe.Message)
		}
		return s, fmt.Errorf("%s: %w", path, err)
	}
	if s.Format > formatNumber {
		return s, fmt.Errorf("%s: written by a newer version (format %d, this one reads %d)",
			path, s.Format, formatNumber)
	}
	return s, nil
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
