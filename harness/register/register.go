// Package register keeps what belongs to the shop rather than to one job: the
// scores of known-good cards, the runs of the control card with the answers to
// its signals, and the numbers of issued documents.
//
// Entries go into an append-only file of JSON lines in the shop folder and are
// on the disk when the call returns; nothing is ever changed in place. The
// package judges nothing.
package register

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
)

// File is the name of the register in the folder of the shop.
const File = "register.jsonl"

const maxLine = 1 << 20

// A Kind says what an entry is.
type Kind string

// The kinds of entry.
const (
	Score   Kind = "score"       // of a known-good card
	Removal Kind = "removal"     // of a score, by its number
	Kept    Kind = "kept"        // a score that stands off and is good all the same
	Control Kind = "control-run" // of the shop's control card
	Answer  Kind = "answer"      // to a signal of the control card
)

// An Entry is one line of the register. Seq is its line number.
type Entry struct {
	Seq      int       `json:"-"`
	Kind     Kind      `json:"kind"`
	At       time.Time `json:"at"`
	By       string    `json:"by,omitempty"`
	Family   string    `json:"family,omitempty"`
	Variant  string    `json:"variant,omitempty"`
	Workload string    `json:"workload"`
	Bench    string    `json:"bench"`
	Unit     string    `json:"unit,omitempty"`
	Better   string    `json:"better,omitempty"` // "higher" or "lower"
	Card     string    `json:"card,omitempty"`
	Value    float64   `json:"value,omitempty"`
	Read     string    `json:"instrument,omitempty"` // what a rise was read with; empty: the bench's own
	Job      string    `json:"job,omitempty"`
	Refers   int       `json:"refers,omitempty"` // entry that is removed or kept; last run that is answered for
	Text     string    `json:"text,omitempty"`   // why
}

// Load reads the register of a shop. A line that cannot be read is a warning.
func Load(shop string) (entries []Entry, warnings []fact.Fact, err error) {
	path := filepath.Join(shop, File)
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, fmt.Errorf("reading the shop's register: %w", err)
	}
	defer f.Close()
	scan := bufio.NewScanner(f)
	scan.Buffer(make([]byte, 0, 4096), maxLine)
	for n := 1; scan.Scan(); n++ {
		var e Entry
		if err := json.Unmarshal(scan.Bytes(), &e); err != nil || e.Kind == "" {
			warnings = append(warnings, fact.New("register.unreadable", "at", fmt.Sprintf("%s:%d", path, n)))
			continue
		}
		e.Seq = n
		entries = append(entries, e)
	}
	if err := scan.Err(); err != nil {
		return nil, nil, fmt.Errorf("reading the shop's register: %w", err)
	}
	return entries, warnings, nil
}

// Append adds entries and returns when they are on the disk. A torn last line,
// left by a power cut, is closed first so that it spoils no new entry.
func Append(shop string, entries ...Entry) error {
	var b bytes.Buffer
	for _, e := range entries {
		if math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
			return fmt.Errorf("the value of %s is not a number", e.Card)
		}
		line, err := json.Marshal(e)
		if err != nil {
			return err
		}
		b.Write(append(line, '\n'))
	}
	if err := appendTo(filepath.Join(shop, File), b.Bytes()); err != nil {
		return fmt.Errorf("writing the shop's register: %w", err)
	}
	return nil
}

// appendTo adds whole lines to a file, all or none, and syncs it.
func appendTo(path string, lines []byte) (err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o644)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	size, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		return err
	}
	if size > 0 {
		last := make([]byte, 1)
		if _, err := f.ReadAt(last, size-1); err == nil && last[0] != '\n' {
			lines = append([]byte{'\n'}, lines...)
		}
	}
	if _, err := f.Write(lines); err != nil {
		return errors.Join(err, f.Truncate(size))
	}
	return f.Sync()
}

// Standing returns the scores that were not taken out.
func Standing(entries []Entry) []Entry {
	gone := map[int]bool{}
	for _, e := range entries {
		if e.Kind == Removal {
			gone[e.Refers] = true
		}
	}
	var out []Entry
	for _, e := range entries {
		if e.Kind == Score && !gone[e.Seq] {
			out = append(out, e)
		}
	}
	return out
}

// Sets groups the standing scores of a family and variant by workload and bench.
func Sets(entries []Entry, family, variant string) []plans.ReferenceSet {
	var out []plans.ReferenceSet
	kept := map[int]string{}
	for _, e := range entries {
		if e.Kind == Kept {
			kept[e.Refers] = e.Text
		}
	}
	for _, e := range Standing(entries) {
		if e.Family != family || e.Variant != variant {
			continue
		}
		i := 0
		for i < len(out) && (out[i].Workload != e.Workload || out[i].Bench != e.Bench) {
			i++
		}
		if i == len(out) {
			out = append(out, plans.ReferenceSet{Workload: e.Workload, Bench: e.Bench, Unit: e.Unit, Better: e.Better})
		}
		out[i].Scores = append(out[i].Scores, plans.ReferenceScore{
			Card: e.Card, Value: e.Value, Instrument: e.Read, Kept: kept[e.Seq],
			Job: e.Job, By: e.By, When: e.At.Format(time.DateOnly),
		})
	}
	return out
}

// ControlRuns returns the runs of the control card, oldest first.
func ControlRuns(entries []Entry) []reading.ControlRun {
	var out []reading.ControlRun
	for _, e := range entries {
		if e.Kind == Control {
			out = append(out, reading.ControlRun{
				Seq: e.Seq, Bench: e.Bench, Workload: e.Workload, Card: e.Card,
				Unit: e.Unit, Value: e.Value, At: e.At, By: e.By,
			})
		}
	}
	return out
}

// Answers returns the answers to signals of the control card.
func Answers(entries []Entry) []reading.SignalAnswer {
	var out []reading.SignalAnswer
	for _, e := range entries {
		if e.Kind == Answer {
			out = append(out, reading.SignalAnswer{
				Bench: e.Bench, Workload: e.Workload, UpTo: e.Refers, By: e.By, Text: e.Text, At: e.At,
			})
		}
	}
	return out
}

// A Document is an issued document in the shop's register of numbers.
type Document struct {
	Number   string    `json:"number"`
	Job      string    `json:"job"`
	At       time.Time `json:"at"`
	Replaces string    `json:"replaces,omitempty"`
	Because  string    `json:"because,omitempty"`
	Revoked  string    `json:"revoked,omitempty"` // why, when it was

	RevokedAt  time.Time `json:"revoked_at,omitzero"`
	ReplacedBy string    `json:"replaced_by,omitempty"`
}

const numbersDir = "numbers"

// NextNumber returns the next free number of the shop's pattern, such as
// "PO-{year}-{n:04}", in a year.
func NextNumber(shop, pattern string, year int) (string, error) {
	for n := 1; n < 1_000_000; n++ {
		number, err := plans.CertificateNumber(pattern, year, n)
		if err != nil {
			return "", fmt.Errorf("finding a number: %w", err)
		}
		if _, err := os.Lstat(numberFile(shop, number)); errors.Is(err, fs.ErrNotExist) {
			return number, nil
		}
	}
	return "", fmt.Errorf("the numbers of the pattern %q are used up", pattern)
}

func numberFile(shop, number string) string {
	return filepath.Join(shop, numbersDir, FileNamed(number)+".json")
}

// Take takes the number of a document. A number is one small file; making the
// file decides between two that issue at once, and because it stays, a number is
// never given twice. The error wraps fs.ErrExist when somebody else has it.
func Take(shop string, d Document) error {
	if err := os.MkdirAll(filepath.Join(shop, numbersDir), 0o755); err != nil {
		return fmt.Errorf("taking a number: %w", err)
	}
	data, err := json.Marshal(d)
	if err != nil {
		return err
	}
	path := numberFile(shop, d.Number)
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("taking a number: %w", err)
	}
	_, err = f.Write(append(data, '\n'))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		os.Remove(path)
		return fmt.Errorf("taking a number: %w", err)
	}
	return nil
}

// GiveBack frees a number whose document was never written.
func GiveBack(shop, number string) { os.Remove(numberFile(shop, number)) }

// ErrNoNumber is returned for a number that was never issued.
var ErrNoNumber = errors.New("no document with that number was issued")

// Lookup returns the document of a number.
func Lookup(shop, number string) (Document, error) {
	docs, err := Documents(shop)
	if err != nil {
		return Document{}, err
	}
	for _, d := range docs {
		if d.Number == number {
			return d, nil
		}
	}
	return Document{}, fmt.Errorf("%s: %w", number, ErrNoNumber)
}

// Note changes what is known of an issued document; its number stays. The file
// is replaced whole.
func Note(shop, number string, change func(*Document)) error {
	d, err := Lookup(shop, number)
	if err != nil {
		return err
	}
	change(&d)
	d.Number = number
	data, err := json.Marshal(d)
	if err != nil {
		return err
	}
	return job.WriteFile(numberFile(shop, number), append(data, '\n'), job.ReplaceExisting)
}

// Documents lists the issued numbers.
func Documents(shop string) ([]Document, error) {
	files, err := filepath.Glob(filepath.Join(shop, numbersDir, "*.json"))
	if err != nil {
		return nil, err
	}
	var out []Document
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			return nil, fmt.Errorf("reading the numbers: %w", err)
		}
		var d Document
		if err := json.Unmarshal(data, &d); err != nil {
			return nil, fmt.Errorf("%s: this file of a number cannot be read: %w", path, err)
		}
		out = append(out, d)
	}
	return out, nil
}

// FileNamed is a document's number as the name of a file, without ending.
func FileNamed(number string) string {
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune(`/\:*?"<>| `, r) {
			return '_'
		}
		return r
	}, number)
}
