package job

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"proveout/harness/logs"
	"proveout/harness/reading"
)

// A kept file is evidence that was copied while it was read.
type kept struct {
	file  *File
	path  string
	fresh bool // it was not there before
}

// forget takes back what nothing recorded.
func (k *kept) forget() {
	if k.fresh {
		os.Remove(k.path)
	}
}

// keepWhileReading copies a file into the evidence while read reads it; read
// returns its SHA-256 and size. When read fails, nothing is left behind.
func (f *Folder) keepWhileReading(path string, read func(logs.Input) (sum string, size int64, err error)) (*kept, error) {
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
	sum, size, err := read(logs.Input{Name: name, Reader: src, Copy: t})
	if err != nil {
		var p *logs.Problem
		if errors.As(err, &p) || !(isFull(err) || isReadOnly(err)) {
			return nil, err
		}
		return nil, plainError("importing", err)
	}
	ev, fresh, err := placeEvidence(f.Dir, t, name, sum, size)
	if err != nil {
		return nil, plainError("importing", err)
	}
	ev.Role = "log"
	return &kept{file: fileOf(ev), path: ev.Path, fresh: fresh}, nil
}

// A FailureImport is a list of failing addresses to be imported.
type FailureImport struct {
	Step    string
	Attempt int
	By      string
	Path    string
	Options logs.FailureOptions
	Begin   bool // Attempt is new: its start is recorded with the list
	// Each is given the rows while they are read; may be nil.
	Each func([]reading.Failure) error
}

// ImportFailures reads a list of failing addresses, keeps it as evidence and
// records it as a log of one run. A list that cannot be understood is a
// *logs.Problem and leaves nothing behind.
func (f *Folder) ImportFailures(in FailureImport) (logs.FailureSummary, error) {
	var sum logs.FailureSummary
	k, err := f.keepWhileReading(in.Path, func(log logs.Input) (string, int64, error) {
		var err error
		sum, err = logs.ReadFailures(log, in.Options, in.Each)
		return sum.SHA256, sum.Size, err
	})
	if err != nil {
		return sum, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	var entries []Entry
	if in.Begin {
		entries = append(entries, Entry{Kind: AttemptStart, Step: in.Step, Attempt: in.Attempt, By: in.By})
	}
	part := &LogPart{Run: f.runs[runKey(in.Step, in.Attempt)] + 1, Part: 1, Count: sum.Rows, Bad: sum.Bad, Failures: &in.Options}
	for _, c := range sum.Columns {
		part.Columns = append(part.Columns, Column(c))
	}
	entries = append(entries, Entry{Kind: LogFile, Step: in.Step, Attempt: in.Attempt, By: in.By, File: k.file, Log: part})
	if err := f.append(entries); err != nil {
		k.forget()
		return sum, err
	}
	return sum, nil
}
