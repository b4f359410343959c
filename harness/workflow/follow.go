package workflow

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring"
)

// Live is the state of what is being followed.
type Live struct {
	scoring.Standing
	Silent  time.Duration // since it last grew
	Stalled bool          // that is longer than its pace explains
	Trouble fact.Fact     // newest thing to be told: rows set aside, a log begun anew
	Done    bool          // a command has ended by itself
}

// A Follower watches something that is going on beside the clock: a log that
// another program writes, a sensor, a command.
type Follower interface {
	// Poll reads what has come in since the last call.
	Poll() (Live, error)
	// Stop ends it. The files are to be taken as evidence, the notes to be kept.
	Stop() (files []string, notes []fact.Fact, err error)
}

// Follow follows the log at a path, or in a folder its newest file, by the
// limits of a step, and returns the file that it is. m is how the log is read,
// without it as the plan says, and h what a person says beside it.
func (j *Job) Follow(step *plans.Step, path string, m *logs.Map, h logs.Hints) (Follower, string, error) {
	path, err := followable(path)
	if err != nil {
		return nil, "", err
	}
	if m == nil {
		named, err := j.mapOf(step)
		if err != nil {
			return nil, "", err
		}
		m = &named
	}
	f, err := newLogFollower(path, *m, j.view(step))
	if err == nil {
		f.tail.Hints = h
	}
	return f, path, err
}

// followable names the file to follow: the path, or the newest file of a folder.
func followable(path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil || !info.IsDir() {
		if _, parent := os.Stat(filepath.Dir(path)); err != nil && parent != nil {
			return "", fmt.Errorf("%s: there is no such folder", filepath.Dir(path))
		}
		return path, nil // a file that is not there yet is waited for
	}
	return Newest(path)
}

// Newest returns the file of a folder that was changed last.
func Newest(dir string) (string, error) {
	list, err := os.ReadDir(dir)
	if err != nil {
		return "", fmt.Errorf("the folder cannot be read: %w", err)
	}
	var path string
	var at time.Time
	for _, e := range list {
		info, err := e.Info()
		if err != nil || !info.Mode().IsRegular() {
			continue
		}
		if path == "" || info.ModTime().After(at) {
			path, at = filepath.Join(dir, e.Name()), info.ModTime()
		}
	}
	if path == "" {
		return "", fmt.Errorf("%s holds no file yet", dir)
	}
	return path, nil
}

// Trend says what temperatures (°C) typed at the given times (s since the run
// began) show.
func (j *Job) Trend(step *plans.Step, at, temperature []float64) Live {
	v := j.view(step)
	last := math.Inf(-1)
	for i := range at {
		if at[i] >= last {
			v.Add(at[i], temperature[i])
			last = at[i]
		}
	}
	v.Analyse()
	return v.state()
}

// A view is a log that is still growing, as the bench shows it.
type view struct {
	*scoring.Watch
	now    func() time.Time
	judged time.Time // when it was last analysed
}

func (j *Job) view(step *plans.Step) *view {
	return &view{Watch: scoring.NewWatch(step, j.Family), now: time.Now}
}

// Notice is what is to be said of a step before it runs: that the bench's thermometer
// cannot show what the plan asks for. It is zero where there is nothing to say.
func (j *Job) Notice(step *plans.Step) fact.Fact {
	bench, ok := j.Shop.Bench(j.Input.Job.Bench)
	if !ok {
		return fact.Fact{}
	}
	return scoring.SoakNotice(step, j.Family, bench)
}

// analyseEvery leaves the bench's computer time for what it logs.
const analyseEvery = 2 * time.Second

// live returns the state, analysed afresh when the last time is a while ago.
func (v *view) live() Live {
	if now := v.now(); now.Sub(v.judged) >= analyseEvery && v.Analyse() {
		v.judged = now
	}
	return v.state()
}

func (v *view) state() Live { return Live{Standing: v.Standing()} }

// A logFollower follows a log beside a running clock. The bytes of each file
// are also kept aside as they come, so that a log that is rotated away is not
// lost as evidence.
type logFollower struct {
	view  *view
	tail  *logs.Tail
	path  string
	grown time.Time
	pace  logs.Pace

	dir   string   // holds the copies
	copy  *os.File // of the file being followed
	part  int      // its number
	parts []string // copies, one for each file begun
	notes []fact.Fact
	said  fact.Fact // newest note, told for a while
}

func newLogFollower(path string, m logs.Map, v *view) (*logFollower, error) {
	dir, err := os.MkdirTemp("", "proveout-follow-")
	if err != nil {
		return nil, fmt.Errorf("following the log: %w", err)
	}
	f := &logFollower{view: v, path: path, dir: dir, grown: v.now()}
	part, run := 0, 0
	f.tail = logs.NewTail(path, m, func(row reading.Row) error {
		if part != f.tail.Part() || run != row.Run {
			m, _ := f.tail.Map()
			part, run = f.tail.Part(), row.Run
			f.view.Begin(m.Place)
		}
		f.view.Row(func(place int) float64 { return row.Values[place] })
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
			before := filepath.Base(f.parts[len(f.parts)-1])
			f.said = fact.New("follow.begun-anew", "file", filepath.Base(f.path), "kept", before)
			f.notes = append(f.notes, f.said)
		}
		f.part, f.parts = part, append(f.parts, f.copy.Name())
	}
	_, err := f.copy.Write(b)
	return err
}

// Poll takes what has come in.
func (f *logFollower) Poll() (Live, error) {
	now := f.view.now()
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
	case !f.said.IsZero():
		live.Trouble, f.said = f.said, fact.Fact{}
	case st.Waiting != "":
		live.Trouble = fact.Text(fact.Name(st.Waiting))
	case st.Bad > 0:
		newest, _, _ := strings.Cut(st.LastBad, "\n")
		live.Trouble = fact.New("follow.set-aside", "n", st.Bad, "newest", newest)
	}
	return live, nil
}

// Stop ends it. The files are the followed one, and before it the copies of
// those that were begun anew.
func (f *logFollower) Stop() (files []string, notes []fact.Fact, err error) {
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
