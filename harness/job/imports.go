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

// A LogImport says how a log is taken.
type LogImport struct {
	Map        logs.Map                // without a format it is sniffed
	Instrument string                  // of the bench, when one is named
	Each       func(*logs.Batch) error // is given the rows while they are read; may be nil
}

// TakeLog reads a log and keeps it as evidence. The entries, one a run of the
// file, record it once they are appended. A log that cannot be understood is a
// *logs.Problem and leaves nothing behind.
func (f *Folder) TakeLog(path string, in LogImport) (logs.Summary, []Entry, error) {
	var sum logs.Summary
	entries, err := f.take(path, func(file logs.Input) (runs []reading.Log, hash string, size int64, err error) {
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
	return sum, entries, err
}

// TakeFailures reads a list of failing addresses and keeps it as evidence, as
// [Folder.TakeLog] does a log of one run. each is given the rows while they are
// read.
func (f *Folder) TakeFailures(
	path string, o logs.FailureOptions, each func([]reading.Failure) error,
) (logs.FailureSummary, []Entry, error) {
	var sum logs.FailureSummary
	entries, err := f.take(path, func(file logs.Input) (runs []reading.Log, hash string, size int64, err error) {
		if sum, err = logs.ReadFailures(file, o, each); err != nil {
			return nil, "", 0, err
		}
		list := reading.Log{Part: 1, Columns: sum.Columns, Count: sum.Rows, Bad: sum.Bad, Failures: &o}
		return []reading.Log{list}, sum.SHA256, sum.Size, nil
	})
	return sum, entries, err
}

// A reader reads a file into runs, and returns its SHA-256 and size besides.
type reader func(logs.Input) (runs []reading.Log, hash string, size int64, err error)

// take copies a file into the evidence while read reads it, and makes an entry
// of each run that read finds in it. When it fails, nothing is left behind.
func (f *Folder) take(path string, read reader) ([]Entry, error) {
	src, err := openRegular(path)
	if err != nil {
		return nil, fmt.Errorf("importing: %w", err)
	}
	defer src.Close()
	t, err := newTemp(filepath.Join(f.Dir, evidenceDir))
	if err != nil {
		return nil, plainError("importing", err)
	}
	defer t.discard()
	name := filepath.Base(path)
	runs, hash, size, err := read(logs.Input{Name: name, Reader: src, Copy: t})
	if err != nil {
		var p *logs.Problem
		if errors.As(err, &p) || !(isFull(err) || isReadOnly(err)) {
			return nil, err
		}
		return nil, plainError("importing", err)
	}
	file, err := placeEvidence(f.Dir, t, name, hash, size)
	if err != nil {
		return nil, plainError("importing", err)
	}
	file.Role = "log"
	var entries []Entry
	for i := range runs {
		entries = append(entries, Entry{Kind: LogFile, File: &file, Log: &runs[i]})
	}
	return entries, nil
}

// Discard takes away the evidence of entries that were not appended, as far as
// the job did not have it before.
func (f *Folder) Discard(entries []Entry) {
	for _, e := range entries {
		if e.File != nil && e.File.fresh {
			os.Remove(filepath.Join(f.Dir, evidenceDir, e.File.Kept))
		}
	}
}
