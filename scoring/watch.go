package scoring

import (
	"math"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/pacing"
	"proveout/scoring/thermal"
)

// A Watch looks on at a log that is still being written: how hot it is, how fast
// that moves, where it is going to, since when it is stable, and how fast frames
// are drawn. It judges nothing.
//
// Rows come in one by one; [Watch.Analyse], which takes a few milliseconds, is
// called when there is time for it.
type Watch struct {
	options  thermal.Options
	rows     thermal.Accumulator
	frames   pacing.Recent
	columns  thermal.Columns
	times    pacing.Columns
	start    float64 // s, first time of the log; NaN before it
	last     float64 // s
	fresh    bool    // temperatures came in since the last analysis
	standing Standing
}

// A Standing is what a [Watch] has seen. Numbers are NaN while they are not known.
type Standing struct {
	Rows        int64     // of the log
	Seconds     float64   // covered by the log
	Temperature float64   // °C, the last one
	RatePerHour float64   // K/h
	Plateau     float64   // °C; only where a curve describes the log
	PlateauU    float64   // K, half-width of its 95 % interval
	FPS         float64   // over the last seconds
	Stable      bool      // the plan's rule is met
	StableSince float64   // s since the first row
	Limit       float64   // °C
	Over        bool      // the last temperature is above the limit
	Doubt       fact.Fact // why the log does not speak for a card, once it had time to
}

// NewWatch begins to look on at a step. A limit that holds at another place than
// the sensor's is shown all the same: a heatsink above the limit of the chip under
// it is reason enough for an alarm.
func NewWatch(step *plans.Step, family *plans.Family) *Watch {
	w := &Watch{}
	if soak, ok := step.Spec.(*plans.Soak); ok {
		w.options = soakOptions(soak, family)
	}
	w.Begin(func(string) int { return -1 })
	return w
}

// Begin forgets what was seen: a log begins, or begins anew. place says where the
// column of a quantity stands, −1 where there is none.
func (w *Watch) Begin(place func(quantity string) int) {
	unknown := math.NaN()
	w.rows, w.frames = thermal.Accumulator{}, pacing.Recent{}
	w.columns, w.times = thermal.ColumnsOf(place), pacing.ColumnsOf(place)
	w.start, w.last, w.fresh = unknown, 0, false
	w.standing = Standing{
		Temperature: unknown, RatePerHour: unknown, Plateau: unknown, PlateauU: unknown,
		FPS: unknown, StableSince: unknown, Limit: unknown,
	}
	if w.options.Limit != nil {
		w.standing.Limit = *w.options.Limit
	}
}

// Row takes a row of the log, which gives its values by the places of the columns.
// Where there is no time, the time stamps of frames tell it, or else each row lasts
// a second.
func (w *Watch) Row(value func(place int) float64) {
	at := func(place int) float64 {
		if place < 0 {
			return math.NaN()
		}
		return value(place)
	}
	time, frame := at(w.columns[thermal.Time]), at(w.times.Frame)
	switch {
	case w.columns[thermal.Time] < 0 && w.times.Stamp >= 0:
		time = at(w.times.Stamp)
		if !math.IsNaN(w.start) {
			frame = time - w.last
		}
	case w.columns[thermal.Time] < 0:
		time = w.last + 1
	}
	w.standing.Rows++
	w.Add(time, at(w.columns[thermal.Temperature]))
	w.frames.Add(frame)
	if rate := at(w.times.Rate); !math.IsNaN(rate) {
		w.standing.FPS = rate
	}
	if rate := w.frames.Rate(); !math.IsNaN(rate) {
		w.standing.FPS = rate
	}
}

// Add takes a temperature in °C at a time in seconds that stands in no log. Either
// may be NaN.
func (w *Watch) Add(time, temp float64) {
	if !math.IsNaN(time) {
		if math.IsNaN(w.start) {
			w.start = time
		}
		w.last = time
		w.standing.Seconds = time - w.start
	}
	if math.IsNaN(temp) {
		return
	}
	w.rows.Add(thermal.RowAt(time, temp))
	w.standing.Temperature, w.fresh = temp, true
	w.standing.Over = temp > w.standing.Limit
}

// Analyse works out rate, plateau and stability from the rows so far. It is false
// when no temperature came in since the last time.
func (w *Watch) Analyse() bool {
	if !w.fresh {
		return false
	}
	w.fresh = false
	r, err := w.rows.Analyse(0, w.options)
	if err != nil {
		return true // a log that runs backward keeps what it last showed
	}
	s, unknown := &w.standing, math.NaN()
	s.RatePerHour, s.Plateau, s.PlateauU, s.StableSince = unknown, unknown, unknown, unknown
	s.Doubt = fact.Fact{}
	if s.Seconds >= patience {
		s.Doubt = r.Doubt
	}
	if r.SlopePerHour != nil {
		s.RatePerHour = *r.SlopePerHour
	}
	if r.DescribesLog && s.Doubt.IsZero() {
		s.Plateau, s.PlateauU = *r.TInf, 2*r.TInfU // k = 2, about 95 %
	}
	s.Stable = r.Settling == thermal.Stable
	if s.Stable && r.StableSince != nil {
		s.StableSince = *r.StableSince - w.start
	}
	return true
}

// patience is how long a card may take to show that it is under load, in seconds
// (common practice, no source).
const patience = 600

// Standing returns what is known.
func (w *Watch) Standing() Standing { return w.standing }
