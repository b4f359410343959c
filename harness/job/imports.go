package job

import (
	"io"
	"os"
	"path/filepath"

	"proveout/harness/reading"
)

// A LogReader reads a log and says what runs it has. It is given the name of
// the file for its messages.
type LogReader func(name string, file io.Reader) ([]reading.Log, error)

// TakeLog keeps a log as evidence while read reads it. The entries, one a run
// of the file, record it once they are appended. When the log cannot be read,
// nothing is left behind.
func (f *Folder) TakeLog(path string, read LogReader) ([]Entry, error) {
	var runs []reading.Log
	file, err := keepFile(f.Dir, path, "importing", func(name string, file io.Reader) (err error) {
		runs, err = read(name, file)
		return err
	})
	if err != nil {
		return nil, err
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
