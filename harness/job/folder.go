package job

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"proveout/harness/reading"
)

// A Folder is a job that is being worked on. One process has it at a time, and
// in it one goroutine.
type Folder struct {
	Dir string
	Now func() time.Time // the clock; time.Now unless set

	lock    *os.File
	journal *os.File
	write   func(f *os.File, b []byte, at int64) (int, error)
}

// A holder is who is working on a job, as the lock says.
type holder struct {
	PID   int       `json:"pid"`
	Host  string    `json:"host"`
	Since time.Time `json:"since"`
}

// busy is the error for a job that somebody else is working on.
func (h holder) busy(job string) error {
	if h.PID == 0 { // it cannot be read
		return fmt.Errorf("job %s is being worked on by another process", job)
	}
	return fmt.Errorf("job %s is being worked on by process %d on %s since %s; end that one first",
		job, h.PID, h.Host, h.Since.Format(time.RFC3339))
}

// Open takes the job folder for this process. It is an error when another
// process has it. Close gives it back; so does the end of the process.
func Open(dir string) (*Folder, error) {
	if _, err := readSheet(dir); err != nil {
		return nil, fmt.Errorf("opening the job: %w", err)
	}
	f := &Folder{Dir: dir, Now: time.Now, write: (*os.File).WriteAt}
	var err error
	if f.lock, err = os.OpenFile(filepath.Join(dir, lockFile), os.O_RDWR|os.O_CREATE, 0o644); err != nil {
		return nil, plainError("taking the job", err)
	}
	ok, err := tryLock(f.lock)
	if err != nil || !ok {
		var h holder
		data, readErr := io.ReadAll(f.lock)
		if readErr != nil || json.Unmarshal(data, &h) != nil {
			h = holder{}
		}
		f.lock.Close()
		if err != nil {
			return nil, fmt.Errorf("taking the job: %w", err)
		}
		return nil, h.busy(filepath.Base(dir))
	}
	f.signLock()
	if f.journal, err = os.OpenFile(filepath.Join(dir, journalFile), os.O_RDWR|os.O_CREATE, 0o644); err != nil {
		f.Close()
		return nil, plainError("opening the journal", err)
	}
	return f, nil
}

// signLock writes who has the lock into its file. The lock holds without it.
func (f *Folder) signLock() {
	host, _ := os.Hostname()
	data, err := json.Marshal(holder{os.Getpid(), host, time.Now().Truncate(time.Second)})
	if err == nil && f.lock.Truncate(0) == nil {
		f.lock.WriteAt(data, 0)
	}
}

// Close gives the job back.
func (f *Folder) Close() error {
	var errs []error
	if f.journal != nil {
		errs = append(errs, f.journal.Close())
	}
	f.lock.Truncate(0)
	return errors.Join(append(errs, f.lock.Close())...)
}

// Append records entries: it writes them in one piece and returns when they are
// on the disk. Either all of them count or none. On an error nothing was
// recorded.
func (f *Folder) Append(entries ...Entry) error {
	if len(entries) == 0 {
		return nil
	}
	j, err := readJournal(f.Dir)
	if err != nil {
		return err
	}
	if err := setAside(f.Dir, f.journal, &j); err != nil {
		return plainError("setting a torn line aside", err)
	}
	var buf []byte
	if j.bare {
		buf = append(buf, '\n')
	}
	numberRuns(entries, j.entries)
	for i := range entries {
		e := &entries[i]
		e.Version, e.Seq, e.More = formatNumber, j.next+i, len(entries)-1-i
		if e.At.IsZero() {
			e.At = f.Now().Truncate(time.Millisecond)
		}
		if err := e.check(); err != nil {
			return fmt.Errorf("recording: %w", err)
		}
		line, err := e.encode()
		if err != nil {
			return fmt.Errorf("recording: %w", err)
		}
		buf = append(buf, line...)
	}
	_, err = f.write(f.journal, buf, j.good)
	if err == nil {
		err = f.journal.Sync()
	}
	if err != nil {
		f.journal.Truncate(j.good) // what stays behind is set aside later
		return plainError("recording", err)
	}
	return nil
}

// numberRuns counts the runs of logs on from those that their attempt has.
func numberRuns(entries, before []Entry) {
	last := map[string]int{}
	number := func(e *Entry) {
		if e.newer() || e.Log == nil {
			return
		}
		key := fmt.Sprintf("%s %d", e.Step, e.Attempt)
		if e.Log.Run == 0 {
			e.Log.Run = last[key] + 1
		}
		last[key] = max(last[key], e.Log.Run)
	}
	for i := range before {
		number(&before[i])
	}
	for i := range entries {
		number(&entries[i])
	}
}

// Keep copies a file into the evidence of the job. The original is only read.
func (f *Folder) Keep(file, role, caption string) (File, error) {
	e, err := keepFile(f.Dir, file, "keeping evidence", nil)
	e.Role, e.Caption = role, caption
	return e, err
}

// Issue puts a document into the issued folder and records it.
func (f *Folder) Issue(r IssuedRecord, data []byte, by string, over Overwrite) (string, error) {
	path := filepath.Join(f.Dir, issuedDir, filepath.Base(r.File))
	if err := WriteFile(path, data, over); err != nil {
		return "", plainError("issuing "+r.File, err)
	}
	r.File, r.SHA256 = filepath.Base(r.File), digest(data)
	return path, f.Append(Entry{Kind: Issued, By: by, Issue: &r})
}

// Amend changes what is known of the card or the work, by writing job.toml anew.
// The plan, the number and the time of opening stay as they were.
func (f *Folder) Amend(change func(*reading.Job)) error {
	s, err := readSheet(f.Dir)
	if err != nil {
		return err
	}
	was := s.Job
	change(&s.Job)
	s.Number, s.Opened, s.Plan = was.Number, was.Opened, was.Plan
	if err := writeSheet(f.Dir, s, ReplaceExisting); err != nil {
		return plainError("changing the job", err)
	}
	return nil
}
