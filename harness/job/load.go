package job

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"proveout/harness/reading"
	"proveout/plans/fact"
)

// Load reads a job folder without taking it: the job with all attempts, and plan
// and family as they were. What could not be read is in Job.Warnings.
func Load(dir string) (*reading.Job, Snapshot, error) {
	r, err := readSheet(dir)
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
	journal, err := readJournal(dir)
	if err != nil {
		return nil, Snapshot{}, err
	}
	job := &r.Job
	job.Attempts, job.Warnings = map[string][]reading.Attempt{}, journal.warnings
	if digest(snap.Plan) != r.PlanSHA256 {
		job.Warnings = append(job.Warnings, fact.New("job.changed", "file", planFile))
	}
	if digest(snap.Family) != r.FamilySHA256 {
		job.Warnings = append(job.Warnings, fact.New("job.changed", "file", familyFile))
	}
	for _, p := range job.Card.Photos {
		if findEvidence(dir, p.SHA256) == "" {
			job.Warnings = append(job.Warnings, fact.New("job.photo-missing", "file", p.Name))
		}
	}
	for i := range journal.entries {
		if e := &journal.entries[i]; !e.newer() && e.Step != "" {
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
		a.Logs = append(a.Logs, e.log())
	case Picture:
		a.Captures = append(a.Captures, e.capture())
	case Dumped:
		a.Dumps = append(a.Dumps, e.File.Evidence)
	case Remark:
		a.Notes = append(a.Notes, e.note())
	case Skip:
		a.Skipped, a.Ended = orUnstated(e.Text), e.At
	case Cut:
		a.Cut, a.Ended, a.Ran = orUnstated(e.Text), e.At, max(a.Ran, e.Ran)
	}
	if e.File != nil {
		warn := func(f fact.Fact) { job.Warnings = append(job.Warnings, f) }
		st, err := os.Stat(filepath.Join(dir, evidenceDir, filepath.Base(e.File.Kept)))
		switch {
		case err != nil:
			warn(fact.New("job.evidence-missing", "at", journalLine(e.line), "file", e.File.Name))
		case st.Size() != e.File.Size:
			warn(fact.New("job.evidence-size",
				"at", journalLine(e.line), "file", e.File.Name, "n", st.Size(), "size", e.File.Size))
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
