package job

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"proveout/plans/fact"
)

// A journal is what readings.jsonl holds.
type journal struct {
	entries  []Entry
	warnings []fact.Fact // lines that could not be read, with their places

	good int64 // bytes up to the end of the last whole line
	torn int64 // bytes behind them
	bare bool  // the last whole line has no line feed
	next int   // sequence number of the next entry
}

// readJournal reads the journal of a job folder. A line that cannot be read is a
// warning, never an error.
func readJournal(dir string) (journal, error) {
	data, err := os.ReadFile(filepath.Join(dir, journalFile))
	if errors.Is(err, os.ErrNotExist) {
		return journal{next: 1, warnings: []fact.Fact{fact.New("job.missing", "file", journalFile)}}, nil
	}
	if err != nil {
		return journal{}, fmt.Errorf("reading the journal: %w", err)
	}
	j := parseJournal(data)
	if aside, err := os.ReadFile(filepath.Join(dir, tornFile)); err == nil && len(aside) > 0 {
		j.warn(fact.New("job.torn-aside", "n", len(aside), "file", tornFile))
	}
	return j, nil
}

func parseJournal(data []byte) journal {
	j := journal{next: 1}
	var offset int64
	for line := 1; len(data) > 0; line++ {
		text, rest, ended := bytes.Cut(data, []byte{'\n'})
		e, err := decodeEntry(text)
		switch {
		case err != nil && !ended:
			j.torn = int64(len(text))
			j.warn(fact.New("job.torn", "at", journalLine(line), "n", len(text), "file", tornFile))
		case err != nil && len(bytes.TrimSpace(text)) == 0:
			j.good += int64(len(text)) + 1
		case err != nil:
			j.warn(fact.New("job.unreadable", "at", journalLine(line), "why", err.Error()))
			j.good += int64(len(text)) + 1
		default:
			if e.newer() {
				j.warn(fact.New("job.newer-line", "at", journalLine(line), "kind", string(e.Kind)))
			}
			if e.Seq < j.next {
				j.warn(fact.New("job.order", "at", journalLine(line), "entry", e.Seq, "before", j.next-1))
			}
			e.line, e.offset, e.length = line, offset, len(text)
			j.entries = append(j.entries, e)
			j.good += int64(len(text))
			if ended {
				j.good++
			} else {
				j.bare = true
			}
			j.next = max(j.next, e.Seq+1)
		}
		offset += int64(len(text)) + 1
		data = rest
	}
	j.dropHalfAppend()
	return j
}

func (j *journal) warn(f fact.Fact) { j.warnings = append(j.warnings, f) }

// journalLine is where a line of the journal stands.
func journalLine(line int) string { return fmt.Sprintf("%s:%d", journalFile, line) }

// dropHalfAppend takes away the lines of an append whose last lines are missing
// at the end of the file: what was entered together is recorded together.
func (j *journal) dropHalfAppend() {
	n := len(j.entries)
	if n == 0 || j.entries[n-1].More == 0 {
		return
	}
	if last := &j.entries[n-1]; last.offset+int64(last.length)+1 < j.good {
		return // something else stands behind it
	}
	first := n - 1
	together := func(a, b *Entry) bool { return a.More == b.More+1 && a.line == b.line-1 }
	for first > 0 && together(&j.entries[first-1], &j.entries[first]) {
		first--
	}
	at := j.entries[first].offset
	where := journalLine(j.entries[first].line)
	j.warn(fact.New("job.half-entered", "at", where, "n", n-first, "file", tornFile))
	j.torn += j.good - at
	j.good, j.bare = at, false
	j.entries = j.entries[:first]
}

// setAside moves the torn end of the journal to its own file.
func setAside(dir string, f *os.File, j *journal) error {
	if j.torn == 0 {
		return nil
	}
	b := make([]byte, j.torn)
	if _, err := f.ReadAt(b, j.good); err != nil {
		return err
	}
	if err := appendLine(filepath.Join(dir, tornFile), string(b)+"\n"); err != nil {
		return err
	}
	if err := syncDir(dir); err != nil {
		return err
	}
	if err := f.Truncate(j.good); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	j.torn = 0
	return nil
}
