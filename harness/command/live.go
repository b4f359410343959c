package command

import (
	"fmt"
	"os"
	"path/filepath"
	"time"

	"proveout/harness/logs"
	"proveout/harness/session"
	"proveout/plans"
	"proveout/scoring"
)

// A liveView is a log that is still growing, as the bench shows it.
type liveView struct {
	*scoring.Watch
	now    func() time.Time
	judged time.Time // when it was last analysed
}

func newLiveView(step *plans.Step, family *plans.Family, now func() time.Time) *liveView {
	return &liveView{Watch: scoring.NewWatch(step, family), now: now}
}

// analyseEvery leaves the bench's computer time for what it logs.
const analyseEvery = 2 * time.Second

// live returns the state, analysed afresh when the last time is a while ago.
func (v *liveView) live() session.Live {
	if now := v.now(); now.Sub(v.judged) >= analyseEvery && v.Analyse() {
		v.judged = now
	}
	return v.state()
}

func (v *liveView) state() session.Live {
	s := v.Standing()
	return session.Live{
		Rows: s.Rows, Seconds: s.Seconds, Temperature: s.Temperature, RatePerHour: s.RatePerHour,
		Plateau: s.Plateau, PlateauU: s.PlateauU, FPS: s.FPS, Stable: s.Stable, StableSince: s.StableSince,
		Limit: s.Limit, Over: s.Over,
	}
}

// A logFollower follows a log beside a running clock. The bytes of each file
// are also kept aside as they come, so that a log that is rotated away is not
// lost as evidence.
type logFollower struct {
	view  *liveView
	tail  *logs.Tail
	path  string
	now   func() time.Time
	grown time.Time
	pace  logs.Pace

	dir   string   // holds the copies
	copy  *os.File // of the file being followed
	part  int      // its number
	parts []string // copies, one for each file begun
	notes []string
	said  string // newest note, told for a while
}

func newLogFollower(path string, m logs.Map, view *liveView) (*logFollower, error) {
	dir, err := os.MkdirTemp("", "proveout-follow-")
	if err != nil {
		return nil, fmt.Errorf("following the log: %w", err)
	}
	f := &logFollower{view: view, path: path, now: view.now, dir: dir, grown: view.now()}
	seen := 0
	f.tail = logs.NewTail(path, m, func(b *logs.Batch) error {
		if part := f.tail.Part(); part != seen {
			m, _ := f.tail.Map()
			seen = part
			f.view.Begin(columnOf(m))
		}
		for i := range b.Len() {
			f.view.Row(func(place int) float64 { return b.Columns[place][i] })
		}
		return nil
	}, f.keep)
	return f, nil
}

// keep copies bytes of a file aside, each file to its own.
func (f *logFollower) keep(part int, b []byte) error {
	if part != f.part {
		if f.copy != nil {
			f.copy.Close()
		}
		ext := filepath.Ext(f.path)
		name := fmt.Sprintf("%s-part%d%s", filepath.Base(f.path[:len(f.path)-len(ext)]), part, ext)
		var err error
		if f.copy, err = os.Create(filepath.Join(f.dir, name)); err != nil {
			return err
		}
		if f.part > 0 {
			f.notes = append(f.notes, fmt.Sprintf(
				"%s was begun anew while it was followed; what it held before is kept as %s",
				filepath.Base(f.path), filepath.Base(f.parts[len(f.parts)-1])))
			f.said = f.notes[len(f.notes)-1]
		}
		f.part, f.parts = part, append(f.parts, f.copy.Name())
	}
	_, err := f.copy.Write(b)
	return err
}

// Poll takes what has come in.
func (f *logFollower) Poll() (session.Live, error) {
	now := f.now()
	var st logs.TailState
	grew := false
	for range 64 { // 64 MiB at most, so that the clock is looked at
		var err error
		if st, err = f.tail.Poll(); err != nil {
			return f.view.state(), err
		}
		grew = grew || st.Grown
		if !st.Grown {
			break
		}
	}
	if grew {
		if f.part > 0 {
			f.pace.Grew(now.Sub(f.grown))
		}
		f.grown = now
	}
	live := f.view.live()
	live.Silent = now.Sub(f.grown)
	live.Stalled = f.pace.Stalled(live.Silent)
	switch {
	case f.said != "":
		live.Trouble, f.said = f.said, ""
	case st.Waiting != "":
		live.Trouble = st.Waiting
	case st.Bad > 0:
		live.Trouble = fmt.Sprintf("%d rows were set aside; the newest: %s", st.Bad, firstLine(st.LastBad))
	}
	return live, nil
}

// Stop ends it. The files are the followed one, and before it the copies of
// those that were begun anew.
func (f *logFollower) Stop() (files, notes []string, err error) {
	if f.copy != nil {
		f.copy.Close()
	}
	if len(f.parts) < 2 {
		os.RemoveAll(f.dir)
		if _, err := os.Stat(f.path); err != nil {
			return nil, f.notes, nil
		}
		return []string{f.path}, f.notes, nil
	}
	return append(f.parts[:len(f.parts)-1:len(f.parts)-1], f.path), f.notes, nil
}
