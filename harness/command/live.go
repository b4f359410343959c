package command

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"time"

	"proveout/harness/logs"
	"proveout/harness/session"
	"proveout/plans"
	"proveout/scoring/thermal"
)

// A liveView keeps what a log that is still growing shows: last temperature,
// rate, predicted plateau, stability, frame rate.
type liveView struct {
	options thermal.Options
	rows    thermal.Accumulator
	now     func() time.Time

	state  session.Live
	time   int // columns; -1 where the log has none
	temp   int
	frame  int
	stamp  int
	fps    int
	start  float64 // first time of the log
	last   float64
	any    bool
	frames []float64 // s, of the last seconds
	span   float64   // s, their sum
	fresh  bool      // rows came in since the last analysis
	judged time.Time // when they were last analysed
}

const (
	analyseEvery = 2 * time.Second
	frameWindow  = 5.0 // s
)

func newLiveView(step *plans.Step, family *plans.Family, now func() time.Time) *liveView {
	v := &liveView{now: now}
	v.options = liveOptions(step, family)
	v.blank()
	return v
}

// liveOptions states what plan and family know of a running temperature. A
// limit that holds at another place than the sensor's is shown all the same: a
// heatsink above the limit of the chip under it is reason enough for an alarm.
func liveOptions(step *plans.Step, family *plans.Family) thermal.Options {
	o := thermal.Options{Place: thermal.Place(plans.SoakPlace(step, family))}
	limit := family.Thermal.MaxTemp
	if step.MaxTemp != nil {
		limit = step.MaxTemp
	}
	if limit != nil && step.Kind == plans.Soak {
		value := limit.Value
		o.Limit, o.LimitPlace = &value, thermal.Place(family.Thermal.Sensor)
	}
	if s := step.Stability; s != nil {
		o.Drift = thermal.Drift{Change: s.Rate.Value * 3600, Per: 3600}
		o.Window = s.Window.Value
	}
	return o
}

func (v *liveView) blank() {
	nan := math.NaN()
	v.rows = thermal.Accumulator{}
	v.state = session.Live{Temperature: nan, RatePerHour: nan, Plateau: nan, PlateauU: nan, FPS: nan, StableSince: nan, Limit: nan}
	if v.options.Limit != nil {
		v.state.Limit = *v.options.Limit
	}
	v.any, v.frames, v.span = false, nil, 0
}

// columns says where the quantities stand.
func (v *liveView) columns(m logs.Map) {
	v.time, v.temp, v.frame, v.stamp, v.fps = -1, -1, -1, -1, -1
	for i, c := range m.Columns {
		at, ok := map[string]*int{"time": &v.time, "temperature": &v.temp, "frame-time": &v.frame, "frame-stamp": &v.stamp, "fps": &v.fps}[c.Quantity]
		if ok && *at < 0 {
			*at = i
		}
	}
}

func (v *liveView) batch(b *logs.Batch) {
	at := func(c, i int) float64 {
		if c < 0 {
			return math.NaN()
		}
		return b.Columns[c][i]
	}
	for i := range b.Len() {
		t := at(v.time, i)
		f := at(v.frame, i)
		switch {
		case v.time < 0 && v.stamp >= 0:
			t = at(v.stamp, i)
			if v.any {
				f = t - v.last
			}
		case v.time < 0:
			t = v.last + 1
		}
		v.add(t, at(v.temp, i))
		if f > 0 {
			v.frames, v.span = append(v.frames, f), v.span+f
		}
		if f := at(v.fps, i); !math.IsNaN(f) {
			v.state.FPS = f
		}
	}
	for len(v.frames) > 1 && v.span-v.frames[0] > frameWindow {
		v.span -= v.frames[0]
		v.frames = v.frames[1:]
	}
	if len(v.frames) > 0 && v.span > 0 {
		v.state.FPS = float64(len(v.frames)) / v.span
	}
	v.state.Rows += int64(b.Len())
}

func (v *liveView) add(t, temp float64) {
	if !v.any {
		v.any, v.start = true, t
	}
	if !math.IsNaN(t) {
		v.last = t
		v.state.Seconds = t - v.start
	}
	if math.IsNaN(temp) {
		return
	}
	v.rows.Add(thermal.RowAt(t, temp))
	v.state.Temperature, v.fresh = temp, true
	v.state.Over = v.state.Temperature > v.state.Limit
}

// live returns the state, analysed afresh when rows came in and the last time
// is a while ago.
func (v *liveView) live() session.Live {
	if now := v.now(); v.fresh && now.Sub(v.judged) >= analyseEvery {
		v.fresh, v.judged = false, now
		v.analyse()
	}
	return v.state
}

func (v *liveView) analyse() {
	r, err := v.rows.Analyse(0, v.options)
	if err != nil {
		return
	}
	s, nan := &v.state, math.NaN()
	s.RatePerHour, s.Plateau, s.PlateauU, s.StableSince = nan, nan, nan, nan
	if r.SlopePerHour != nil {
		s.RatePerHour = *r.SlopePerHour
	}
	if u, ok := r.U["t_inf"]; ok && r.DescribesLog && r.TInf != nil {
		s.Plateau, s.PlateauU = *r.TInf, 2*u // k = 2, about 95 %
	}
	s.Stable = r.Stable != nil && *r.Stable
	if s.Stable && r.StableSince != nil {
		s.StableSince = *r.StableSince - v.start
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
	pace  pace

	dir   string   // holds the copies
	copy  *os.File // of the file being followed
	part  int      // its number
	parts []string // copies, one for each file begun
	notes []string
	said  string // newest note, told for a while
}

// A pace knows how often something comes in.
type pace struct {
	n     int
	total time.Duration
}

// stalled reports whether a silence is longer than the pace explains: four
// times the usual, at least 20 s (common practice, no source).
func (p pace) stalled(silent time.Duration) bool {
	limit := 20 * time.Second
	if p.n > 0 {
		limit = max(limit, 4*p.total/time.Duration(p.n))
	}
	return silent >= limit
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
			f.view.blank()
			f.view.columns(m)
		}
		f.view.batch(b)
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
			f.notes = append(f.notes, fmt.Sprintf("%s was begun anew while it was followed; what it held before is kept as %s", filepath.Base(f.path), filepath.Base(f.parts[len(f.parts)-1])))
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
			return f.view.state, err
		}
		grew = grew || st.Grown
		if !st.Grown {
			break
		}
	}
	if grew {
		if f.part > 0 {
			f.pace.n++
			f.pace.total += now.Sub(f.grown)
		}
		f.grown = now
	}
	live := f.view.live()
	live.Silent = now.Sub(f.grown)
	live.Stalled = f.pace.stalled(live.Silent)
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
