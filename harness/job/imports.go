package job

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"proveout/harness/logs"
	"proveout/harness/reading"
)

// An Import is a file to be taken as a log of an attempt.
type Import struct {
	Step    string
	Attempt int
	By      string
	Path    string
	Begin   bool // Attempt is new: its start is recorded with the file
}

// A LogImport is a log to be imported.
type LogImport struct {
	Import
	Map        logs.Map                // without a format it is sniffed
	Instrument string                  // of the bench, when one is named
	Each       func(*logs.Batch) error // is given the rows while they are read; may be nil
}

// ImportLog reads a log, keeps it as evidence and records it, one entry a run of
// the file. A log that cannot be understood is a *logs.Problem and leaves
// nothing behind.
func (f *Folder) ImportLog(in LogImport) (logs.Summary, error) {
	var sum logs.Summary
	err := f.importFile(in.Import, func(file logs.Input) (runs []reading.Log, hash string, size int64, err error) {
		if sum, err = logs.Read(file, in.Map, in.Each); err != nil {
			return nil, "", 0, err
		}
		recipe, err := json.Marshal(sum.Map)
		for _, r := range sum.Runs {
			runs = append(runs, reading.Log{
				Part: r.Number, Map: recipe, Columns: sum.Columns,
				Count: r.Count, Bad: sum.Bad, Seconds: r.Seconds, Instrument: in.Instrument,
			})
		}
		return runs, sum.SHA256, sum.Size, err
	})
	return sum, err
}

// A FailureImport is a list of failing addresses to be imported.
type FailureImport struct {
	Import
	Options logs.FailureOptions
	Each    func([]reading.Failure) error // is given the rows while they are read; may be nil
}

// ImportFailures reads a list of failing addresses, keeps it as evidence and
// records it as a log of one run. A list that cannot be understood is a
// *logs.Problem and leaves nothing behind.
func (f *Folder) ImportFailures(in FailureImport) (logs.FailureSummary, error) {
	var sum logs.FailureSummary
	err := f.importFile(in.Import, func(file logs.Input) (runs []reading.Log, hash string, size int64, err error) {
		if sum, err = logs.ReadFailures(file, in.Options, in.Each); err != nil {
			return nil, "", 0, err
		}
		list := reading.Log{Part: 1, Columns: sum.Columns, Count: sum.Rows, Bad: sum.Bad, Failures: &in.Options}
		return []reading.Log{list}, sum.SHA256, sum.Size, nil
	})
	return sum, err
}

// A reader reads a file into runs, and returns its SHA-256 and size besides.
type reader func(logs.Input) (runs []reading.Log, hash string, size int64, err error)

// importFile copies a file into the evidence while read reads it, and records
// the runs that read finds in it, counted on from those that the attempt has.
// When one of the two fails, nothing is left behind.
func (f *Folder) importFile(in Import, read reader) error {
	src, err := openRegular(in.Path)
	if err != nil {
		return fmt.Errorf("importing: %w", err)
	}
	defer src.Close()
	t, err := newTemp(filepath.Join(f.Dir, evidenceDir))
	if err != nil {
		return plainError("importing", err)
	}
	defer t.discard()
	name := filepath.Base(in.Path)
	runs, hash, size, err := read(logs.Input{Name: name, Reader: src, Copy: t})
	if err != nil {
		var p *logs.Problem
		if errors.As(err, &p) || !(isFull(err) || isReadOnly(err)) {
			return err
		}
		return plainError("importing", err)
	}
	file, fresh, err := placeEvidence(f.Dir, t, name, hash, size)
	if err != nil {
		return plainError("importing", err)
	}
	file.Role = "log"

	f.mu.Lock()
	defer f.mu.Unlock()
	var entries []Entry
	if in.Begin {
		entries = append(entries, Entry{Kind: AttemptStart, Step: in.Step, Attempt: in.Attempt, By: in.By})
	}
	before := f.runs[runKey(in.Step, in.Attempt)]
	for i := range runs {
		runs[i].Run = before + 1 + i
		entries = append(entries, Entry{
			Kind: LogFile, Step: in.Step, Attempt: in.Attempt, By: in.By, File: &file, Log: &runs[i],
		})
	}
	err = f.append(entries)
	if err != nil && fresh {
		os.Remove(filepath.Join(f.Dir, evidenceDir, file.Kept)) // nothing recorded it
	}
	return err
}
