package pacing

import (
	"math"

	"proveout/scoring/holes"
)

// Columns are the places of what a log says of frames; −1 where it has none.
type Columns struct {
	Frame int // frame times, s
	Stamp int // time stamps of frames, s
	Rate  int // samples of the frame rate, 1/s
	Time  int // s
}

// ColumnsOf asks for the place of each quantity by its name.
func ColumnsOf(place func(quantity string) int) Columns {
	return Columns{
		Frame: place("frame-time"), Stamp: place("frame-stamp"), Rate: place("fps"), Time: place("time"),
	}
}

// Any reports whether the log says anything of frames.
func (c Columns) Any() bool { return c.Frame >= 0 || c.Stamp >= 0 || c.Rate >= 0 }

// Add puts a row into a, by the best that the log has. The row gives its values by
// their places.
func (c Columns) Add(a *Accumulator, value func(place int) float64) {
	switch {
	case c.Frame >= 0:
		a.Add(1000 * value(c.Frame))
		if c.Time >= 0 {
			a.clock(value(c.Time), value(c.Frame))
		}
	case c.Stamp >= 0:
		a.addStamp(value(c.Stamp))
	case c.Time >= 0:
		a.addRateAt(value(c.Rate), value(c.Time))
	default:
		a.addRate(value(c.Rate), 1)
	}
}

// sampled is what is known of a run whose log holds time stamps or a frame rate.
type sampled struct {
	stamps  bool
	stamp   float64 // s, last time stamp
	rates   bool
	period  float64 // s, sum of the sample periods
	frames  float64 // frames counted by rate samples
	froze   []Freeze
	still   bool // the rate sample before was zero
	samples int64

	began float64 // s, first time
	holes []holes.Hole
}

// keptHoles is how many holes of a run are kept.
const keptHoles = 256

// hole notes a time of the run without any sample: longer than five usual ones,
// and than 5 s (common practice, no source). It is no time tested: the computer may
// have hung. usual and the time it begins and ends are in seconds.
func (a *Accumulator) hole(from, to, usual float64) bool {
	least := math.Max(5, 5*usual)
	if usual == 0 {
		least = 60 // nothing is usual yet
	}
	if to-from <= least {
		return false
	}
	if len(a.holes) < keptHoles {
		a.holes = append(a.holes, holes.Hole{From: from - a.began, To: to - a.began})
	}
	return true
}

// usualPeriod is the mean time of a sample so far in seconds; 0 before the third.
func (a *Accumulator) usualPeriod() float64 {
	if a.samples < 3 {
		return 0
	}
	return a.period / float64(a.samples)
}

// clock holds frame times against the time of their rows, in seconds.
func (a *Accumulator) clock(t, frame float64) {
	if math.IsNaN(t) || math.IsInf(t, 0) {
		return
	}
	if !a.stamps {
		a.began = t
	} else if frame < t-a.stamp {
		a.hole(a.stamp, t, frame)
	}
	a.stamps, a.stamp = true, t
}

// addStamp takes the time stamp of a frame in seconds; the frame time is the
// difference from the stamp before. A stamp that is not later is counted as a
// bad row.
func (a *Accumulator) addStamp(s float64) {
	if math.IsNaN(s) || math.IsInf(s, 0) {
		a.bad++
		return
	}
	if a.stamps {
		a.Add((s - a.stamp) * 1000)
		if s <= a.stamp {
			return
		}
	}
	a.stamps, a.stamp = true, s
}

// addRateAt takes one sample of the frame rate, the mean since the sample
// before, and its time in seconds. Of the first sample it takes only the time.
func (a *Accumulator) addRateAt(fps, t float64) {
	if math.IsNaN(t) || math.IsInf(t, 0) {
		a.bad++
		return
	}
	if !a.stamps {
		a.began = t
	} else if t > a.stamp && !a.hole(a.stamp, t, a.usualPeriod()) {
		a.addRate(fps, t-a.stamp)
	}
	a.stamps, a.stamp = true, t
}

// addRate takes one sample of the frame rate, the mean over seconds. A rate of
// zero is a freeze that long.
func (a *Accumulator) addRate(fps, seconds float64) {
	if !(fps >= 0) || !(seconds > 0) || fps > 1e9 || seconds > 1e9 {
		a.bad++
		return
	}
	a.rates = true
	if fps == 0 {
		if a.still {
			a.froze[len(a.froze)-1].Seconds += seconds
		} else if len(a.froze) < slowKept {
			a.froze = append(a.froze, Freeze{At: a.period, Seconds: seconds})
			a.still = true
		}
	} else {
		a.Add(1000 / fps)
		a.still = false
	}
	a.period += seconds
	a.frames += fps * seconds
	a.samples++
}

// A Recent knows the frame rate over the last five seconds of a run that goes on.
type Recent struct {
	frames []float64 // s
	span   float64   // s, their sum
}

// Add takes a frame time in seconds; what is none is left out.
func (r *Recent) Add(seconds float64) {
	if !(seconds > 0) {
		return
	}
	r.frames, r.span = append(r.frames, seconds), r.span+seconds
	for len(r.frames) > 1 && r.span-r.frames[0] > 5 {
		r.span -= r.frames[0]
		r.frames = r.frames[1:]
	}
}

// Rate is in frames per second; NaN before the first.
func (r *Recent) Rate() float64 {
	if len(r.frames) == 0 {
		return math.NaN()
	}
	return float64(len(r.frames)) / r.span
}
