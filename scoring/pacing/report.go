package pacing

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/holes"
)

// Options choose limits; the zero value is usable.
type Options struct {
	StallFactor float64 // a stall is longer than so many medians; 3 when zero
	FreezeLimit float64 // s without a frame; 1 when zero
}

// stallFloor is by how much a stall is longer than the median as well: nobody sees
// three frames of 1 ms (common practice, no source).
const stallFloor = 10 // ms

func (o Options) withDefaults() Options {
	if !(o.StallFactor > 0) {
		o.StallFactor = 3
	}
	if !(o.FreezeLimit > 0) {
		o.FreezeLimit = 1
	}
	return o
}

// A Stall is one frame much longer than the usual one.
type Stall struct {
	At    float64 `json:"at_s"` // when it began
	Frame int64   `json:"frame"`
	Ms    float64 `json:"ms"`
}

// A Freeze is a time without any frame.
type Freeze struct {
	At      float64 `json:"at_s"`
	Seconds float64 `json:"seconds"`
}

// A Report says how a run was paced. Pointers are nil for what is not known. Its
// JSON is flat.
type Report struct {
	Times
	Slowest
	Stalling

	Drift    *Drift       `json:"drift"`
	Change   *Change      `json:"change_point"`
	Holes    []holes.Hole `json:"holes,omitempty"` // of the run, not tested
	BadRows  int64        `json:"bad_rows"`
	Sampled  bool         `json:"from_rate_samples"`
	Series   []Point      `json:"series"`
	Shape    []Bar        `json:"distribution"`
	Sentence []fact.Fact  `json:"sentences"`
}

// Times are the frame times in numbers.
type Times struct {
	Frames      int64              `json:"frames"`
	Duration    float64            `json:"duration_s"`
	MeanFPS     *float64           `json:"mean_fps"` // frames over time
	MeanMs      float64            `json:"mean_ms"`
	SD          *float64           `json:"sd_ms"`
	Min         float64            `json:"min_ms"`
	Max         float64            `json:"max_ms"`
	Median      float64            `json:"median_ms"`
	Percentiles map[string]float64 `json:"percentiles"` // frame time in ms, by percent
}

// Slowest are the rates of the slowest frames. They are not known of samples of a
// rate, which are means over many frames and hide the slow ones.
type Slowest struct {
	Slow1  *float64 `json:"slowest_1pct_fps"`  // 1000 / mean ms of the slowest 1 % of frames
	Slow01 *float64 `json:"slowest_01pct_fps"` // the same for 0.1 %
}

// Stalling says when the picture stood.
type Stalling struct {
	Stalls     []Stall   `json:"stalls"` // the longest, at most 100, in order of time
	StallCount int64     `json:"stall_count"`
	StallLimit float64   `json:"stall_limit_ms"`
	StallRule  fact.Fact `json:"stall_rule"`
	Freezes    []Freeze  `json:"freezes"`
}

// A Point of the figure covers some frames in a row.
type Point struct {
	At     float64 `json:"t"` // s, middle
	Median float64 `json:"median"`
	Max    float64 `json:"max"`
}

// A Bar of the distribution: frames with Low ≤ ms < High.
type Bar struct {
	Low   float64 `json:"low_ms"`
	High  float64 `json:"high_ms"`
	Count int64   `json:"count"`
}

// Report judges what was added so far; more may be added afterwards. A run without
// a frame gives a [fact.Error].
func (a *Accumulator) Report(o Options) (Report, error) {
	if a.n == 0 {
		return Report{}, fact.New("pacing.no-frame").Err()
	}
	o = o.withDefaults()
	spans, slow := a.stretches(), a.slow.longest()
	r := Report{BadRows: a.bad, Sampled: a.rates, Holes: a.holes}
	r.Frames, r.Duration, r.Min, r.Max = a.n, a.time/1000, a.min, a.max
	r.MeanMs = r.Duration * 1000 / float64(a.n)
	if a.rates {
		r.Frames, r.Duration = int64(math.Round(a.frames)), a.period
		r.MeanMs = 1000 * a.period / a.frames
		a.placeSamples(spans, slow)
	}
	r.MeanFPS = new(1000 / r.MeanMs)
	if n := float64(a.n); a.n > 1 {
		r.SD = new(math.Sqrt(max(0, a.s2-a.s1*a.s1/n) / (n - 1)))
	}
	a.takePercentiles(&r)
	a.takeSlowest(&r, slow)
	a.takeStalls(&r, o, slow)
	r.Drift, r.Change = driftOf(spans)
	for _, s := range spans {
		r.Series = append(r.Series, Point{At: (s.start + s.time/2) / 1000, Median: s.median(), Max: s.max})
	}
	r.Shape = a.shape()
	r.tell()
	return r, nil
}

// stretches are the spans of the run. A short run is cut into about 200 with exact
// medians.
func (a *Accumulator) stretches() []span {
	if a.raw == nil {
		spans := slices.Clone(a.spans)
		if open := a.opened(); open.blocks > 0 {
			spans = append(spans, open)
		}
		return spans
	}
	n := len(a.raw)
	spans := make([]span, min(n, max(200, n/100)))
	clock := 0.0
	for k := range spans {
		from, to := k*n/len(spans), (k+1)*n/len(spans)
		spans[k] = spanOf(a.raw[from:to], clock, int64(from))
		spans[k].medians = conformity.Median(a.raw[from:to])
		clock += spans[k].time
	}
	return spans
}

// placeSamples puts stretches of rate samples where they were in time, every
// sample taken to last equally long.
func (a *Accumulator) placeSamples(spans []span, slow []slowFrame) {
	each := 1000 * a.period / float64(a.samples)
	for i := range spans {
		spans[i].start = float64(spans[i].frame) * each
		spans[i].time = float64(spans[i].frames) * each
	}
	for i := range slow {
		slow[i].at = float64(slow[i].frame) * each
	}
}

func (a *Accumulator) takePercentiles(r *Report) {
	r.Percentiles = map[string]float64{}
	for _, percent := range []float64{1, 5, 25, 50, 75, 95, 99, 99.9} {
		r.Percentiles[strconv.FormatFloat(percent, 'f', -1, 64)] = a.quantile(percent / 100)
	}
	r.Median = r.Percentiles["50"]
}

func (a *Accumulator) takeSlowest(r *Report, slow []slowFrame) {
	if a.rates {
		return
	}
	if a.n >= 100 {
		r.Slow1 = new(1000 / a.slowMean((a.n+99)/100, slow))
	}
	if a.n >= 1000 {
		r.Slow01 = new(1000 / a.slowMean((a.n+999)/1000, slow))
	}
}

func (a *Accumulator) takeStalls(r *Report, o Options, slow []slowFrame) {
	r.Stalls = []Stall{}
	r.StallLimit = max(o.StallFactor*r.Median, r.Median+stallFloor)
	r.StallRule = fact.New("pacing.stall-rule",
		"factor", fact.In(o.StallFactor, "").Whole(), "more", fact.In(stallFloor, "ms").Whole())
	r.Freezes = append([]Freeze{}, a.froze...)
	for _, f := range slow {
		if f.ms <= r.StallLimit {
			break
		}
		r.StallCount++
		if len(r.Stalls) < 100 {
			r.Stalls = append(r.Stalls, Stall{At: f.at / 1000, Frame: f.frame, Ms: f.ms})
		}
		if f.ms >= 1000*o.FreezeLimit && !a.rates {
			r.Freezes = append(r.Freezes, Freeze{At: f.at / 1000, Seconds: f.ms / 1000})
		}
	}
	if r.StallCount == slowKept { // there may be more than were kept
		frames := int64(0)
		for ms, count := range a.cells() {
			if ms > r.StallLimit {
				frames += count
			}
		}
		r.StallCount = max(r.StallCount, frames)
	}
	slices.SortFunc(r.Stalls, func(x, y Stall) int { return cmp.Compare(x.Frame, y.Frame) })
	slices.SortFunc(r.Freezes, func(x, y Freeze) int { return cmp.Compare(x.At, y.At) })
}

// shape is the distribution in up to 60 bars between the 0.1 and the 99.9
// percentile, with all that is outside in the outer ones. Bars are no narrower
// than the decimals in which frame times are written.
func (a *Accumulator) shape() []Bar {
	low, high := a.quantile(0.001), a.quantile(0.999)
	if !(high > low) {
		return []Bar{{Low: low, High: math.Nextafter(high, math.Inf(1)), Count: a.n}}
	}
	count := 60
	if unit := a.grid.unit(); unit > 0 {
		count = max(1, min(count, int(math.Round((high-low)/unit))))
	}
	width := (high - low) / float64(count)
	bars := make([]Bar, count)
	for i := range bars {
		bars[i].Low, bars[i].High = low+float64(i)*width, low+float64(i+1)*width
	}
	for ms, frames := range a.cells() {
		bars[max(0, min(count-1, int((ms-low)/width)))].Count += frames
	}
	return bars
}
