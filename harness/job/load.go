package job

import (
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"slices"

	"proveout/harness/logs"
	"proveout/harness/reading"
)

// Load reads a job folder without taking it: the job with all attempts, and plan
// and family as they were. What could not be read is in Job.Warnings.
func Load(dir string) (*reading.Job, Snapshot, error) {
	r, err := readRecord(dir)
	if err != nil {
		return nil, Snapshot{}, fmt.Errorf("reading the job: %w", err)
	}
	var snap Snapshot
	if snap.Plan, err = os.ReadFile(filepath.Join(dir, planFile)); err != nil {
		return nil, Snapshot{}, fmt.Errorf("reading the job's plan: %w", err)
	}
	if snap.Family, err = os.ReadFile(filepath.Join(dir, familyFile)); err != nil {
		return nil, Snapshot{}, fmt.Errorf("reading the job's family: %w", err)
	}
	journal, err := ReadJournal(dir)
	if err != nil {
		return nil, Snapshot{}, err
	}
	o := openingOf(r)
	job := &reading.Job{Number: r.Number, Opened: r.Opened, Plan: r.Plan, Card: o.Card, Bench: r.Bench, Technician: r.Technician,
		Complaint: r.Complaint, ComplaintEvery: r.ComplaintEvery, Condition: r.Condition, Work: r.Work, WorkNotes: r.WorkNotes,
		Customer: r.Customer, Attempts: map[string][]reading.Attempt{}, Warnings: journal.Warnings}
	if digest(snap.Plan) != r.PlanSHA256 {
		job.Warnings = append(job.Warnings, planFile+" was changed after the job was opened")
	}
	if digest(snap.Family) != r.FamilySHA256 {
		job.Warnings = append(job.Warnings, familyFile+" was changed after the job was opened")
	}
	for i := range job.Card.Photos {
		p := &job.Card.Photos[i]
		if p.Path = findEvidence(dir, p.SHA256); p.Path == "" {
			job.Warnings = append(job.Warnings, fmt.Sprintf("photo %s is missing from the evidence", p.Name))
		}
	}
	for i := range journal.Entries {
		if e := &journal.Entries[i]; !e.newer() && e.Step != "" {
			addEntry(dir, job, e)
		}
	}
	return job, snap, nil
}

// addEntry puts one line of the journal into the attempt it belongs to.
func addEntry(dir string, job *reading.Job, e *Entry) {
	a := attempt(job, e)
	switch e.Kind {
	case AttemptStart:
		a.Started, a.By = e.At, e.By
	case AttemptEnd:
		a.Ended, a.Ran = e.At, max(a.Ran, e.Ran)
	case Value, Correction:
		a.Readings = append(a.Readings, e.reading())
	case LogFile:
		a.Logs = append(a.Logs, e.log(dir))
	case Picture:
		a.Captures = append(a.Captures, e.capture(dir))
	case Dumped:
		ev := e.File.evidence(dir)
		a.Dumps = append(a.Dumps, reading.Dump{Evidence: ev, Bytes: func() ([]byte, error) { return readDump(ev.Path) }})
	case Remark:
		a.Notes = append(a.Notes, reading.Note{At: e.At, By: e.By, Text: e.Text})
	case Skip:
		a.Skipped, a.Ended = orUnstated(e.Text), e.At
	case Cut:
		a.Cut, a.Ended, a.Ran = orUnstated(e.Text), e.At, max(a.Ran, e.Ran)
	}
	if e.File != nil {
		if st, err := os.Stat(e.File.evidence(dir).Path); err != nil {
			job.Warnings = append(job.Warnings, fmt.Sprintf("%s:%d: the evidence %s is missing", journalFile, e.Line, e.File.Name))
		} else if st.Size() != e.File.Size {
			job.Warnings = append(job.Warnings, fmt.Sprintf("%s:%d: the evidence %s has %d bytes, not %d", journalFile, e.Line, e.File.Name, st.Size(), e.File.Size))
		}
	}
}

func orUnstated(reason string) string {
	if reason == "" {
		return "no reason stated"
	}
	return reason
}

// attempt returns the attempt an entry belongs to. One that was never begun
// begins with its first entry.
func attempt(job *reading.Job, e *Entry) *reading.Attempt {
	list := job.Attempts[e.Step]
	n := max(e.Attempt, 1)
	i := slices.IndexFunc(list, func(a reading.Attempt) bool { return a.Number >= n })
	if i < 0 {
		i = len(list)
	}
	if i == len(list) || list[i].Number != n {
		list = slices.Insert(list, i, reading.Attempt{Number: n, Started: e.At, By: e.By})
		job.Attempts[e.Step] = list
	}
	return &list[i]
}

// log makes a log whose rows are read from the evidence each time.
func (e *Entry) log(dir string) reading.Log {
	ev := e.File.evidence(dir)
	l := reading.Log{Evidence: ev, Run: e.Log.Run, Count: e.Log.Count, Bad: e.Log.Bad, Seconds: e.Log.Seconds, Instrument: e.Log.Instrument}
	for _, c := range e.Log.Columns {
		l.Columns = append(l.Columns, reading.Column(c))
	}
	l.Part = e.Log.Part
	l.Recipe, _ = json.Marshal(e.Log.Map) // plain values, read from JSON themselves
	open := func() (io.ReadCloser, error) { return os.Open(ev.Path) }
	if o := e.Log.Failures; o != nil {
		l.Recipe, _ = json.Marshal(o)
		l.Pool, l.Failures = o.Pool, logs.FailureRows(ev.Name, open, *o)
		l.Rows = func() iter.Seq2[reading.Row, error] { return func(func(reading.Row, error) bool) {} }
		return l
	}
	l.Rows = logs.Rows(ev.Name, open, e.Log.Map, e.Log.Part)
	return l
}

// capture makes a capture that is read from the evidence each time.
func (e *Entry) capture(dir string) reading.Capture {
	ev := e.File.evidence(dir)
	c := reading.Capture{Evidence: ev,
		Open:   func() (io.ReadCloser, error) { return os.Open(ev.Path) },
		Recall: func(key string) ([]byte, bool) { return recall(dir, ev.SHA256, key) },
		Keep:   func(key string, found []byte) { keepComputed(dir, ev.SHA256, key, found) },
	}
	if p := e.Capture; p != nil {
		c.Pattern, c.Mode, c.Route, c.Base = p.Pattern, p.Mode, p.Route, p.Base
	}
	return c
}

// maxDump bounds a dump: some hundred devices of 4096 bytes as text.
const maxDump = 8 << 20

func readDump(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxDump+1))
	if err == nil && len(data) > maxDump {
		err = fmt.Errorf("%s has more than %d bytes, too many for a dump of configuration space", filepath.Base(path), maxDump)
	}
	return data, err
}

// openingOf returns what job.toml says of the card and its opening.
func openingOf(r record) Opening {
	o := Opening{Opened: r.Opened, Plan: r.Plan, Bench: r.Bench, Technician: r.Technician, Complaint: r.Complaint,
		ComplaintEvery: r.ComplaintEvery, Condition: r.Condition, Work: r.Work, WorkNotes: r.WorkNotes, Customer: r.Customer,
		Card: reading.Card{Family: r.Card.Family, Variant: r.Card.Variant, Title: r.Card.Title, Serial: r.Card.Serial}}
	for _, m := range r.Card.Marks {
		o.Card.Marks = append(o.Card.Marks, reading.Mark{Name: m.Name, Value: m.Value})
	}
	for _, p := range r.Card.Photos {
		o.Card.Photos = append(o.Card.Photos, reading.Evidence{SHA256: p.SHA256, Name: p.Name, Size: p.Size, Role: p.Role, Caption: p.Caption, Print: p.Print})
	}
	return o
}
