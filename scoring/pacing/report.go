package pacing

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
)

// Options choose definitions and limits; the zero value is usable.
type Options struct {
	Percentiles []float64  // in percent of the frame times; 1, 5, 25, 50, 75, 95, 99, 99.9 when nil
	Definition  Definition // of percentiles and median
	StallFactor float64    // a stall is longer than so many medians; 3 when zero
	StallFloor  float64    // ms, and longer than the median by so much; 10 when zero
	FreezeLimit float64    // s without a frame; 1 when zero
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

// A Report says how a run was paced. Pointers are nil for what is not known.
type Report struct {
	Frames      int64              `json:"frames"`
	Duration    float64            `json:"duration_s"`
	MeanFPS     *float64           `json:"mean_fps"` // frames over time
	MeanMs      float64            `json:"mean_ms"`
	SD          *float64           `json:"sd_ms"`
	Min         float64            `json:"min_ms"`
	Max         float64            `json:"max_ms"`
	Median      float64            `json:"median_ms"`
	Percentiles map[string]float64 `json:"percentiles"` // frame time in ms, by percent
	Definition  string             `json:"percentile_definition"`
	Exact       bool               `json:"exact"`
	Method      string             `json:"method"`
	Error       float64            `json:"relative_error"` // bound; 0 when exact

	Slow1    *float64 `json:"slowest_1pct_fps"`  // 1000 / mean ms of the slowest 1 % of frames
	Slow01   *float64 `json:"slowest_01pct_fps"` // the same for 0.1 %
	RateP99  *float64 `json:"p99_fps"`           // 1000 / 99th percentile: the other habit of the trade
	RateP999 *float64 `json:"p999_fps"`

	Stalls     []Stall  `json:"stalls"` // the longest, at most 100, in order of time
	StallCount int64    `json:"stall_count"`
	StallLimit float64  `json:"stall_limit_ms"`
	StallRule  string   `json:"stall_rule"`
	Freezes    []Freeze `json:"freezes"`

	Drift    *Drift   `json:"drift"`
	Change   *Change  `json:"change_point"`
	Lag1     *float64 `json:"lag1_autocorrelation"`
	BadRows  int64    `json:"bad_rows"`
	Outside  int64    `json:"outside_histogram"` // frames below 2⁻⁷ ms or above 2²⁰ ms, counted at its ends
	Sampled  bool     `json:"from_rate_samples"`
	Series   []Point  `json:"series"`
	Shape    []Bar    `json:"distribution"`
	Sentence []string `json:"sentences"`
}

// A Point of the figure covers some frames in a row.
type Point struct {
	At     float64 `json:"t"` // s, middle
	Min    float64 `json:"min"`
	Median float64 `json:"median"`
	Max    float64 `json:"max"`
}

// A Bar of the distribution: frames with Low ≤ ms < High.
type Bar struct {
	Low   float64 `json:"low_ms"`
	High  float64 `json:"high_ms"`
	Count int64   `json:"count"`
}

// ErrNoFrames is returned for a run without a single frame.
var ErrNoFrames = errors.New("the run holds no frame")

// Report judges what was added so far; more may be added afterwards.
func (a *Accumulator) Report(o Options) (Report, error) {
	a.flush()
	if a.n == 0 {
		return Report{}, ErrNoFrames
	}
	o = o.withDefaults()
	spans, slow := a.finish()
	totals := make([]int64, len(a.page))
	for i := range a.page {
		if a.page[i] != nil {
			totals[i] = a.pageCount(i)
		}
	}
	a.totals = totals
	defer func() { a.totals = nil }()
	r := Report{
		Frames: a.n, Duration: (a.time + a.carry) / 1000, BadRows: a.bad,
		Outside: a.below + a.above, Sampled: a.rates, Definition: o.Definition.String(),
		Stalls: []Stall{}, Freezes: []Freeze{}, Percentiles: map[string]float64{},
	}
	r.MeanMs = r.Duration * 1000 / float64(a.n)
	if a.rates {
		r.Frames, r.Duration = int64(math.Round(a.frames)), a.period
		r.MeanMs = 1000 * a.period / a.frames
		a.placeSamples(spans, slow)
	}
	r.MeanFPS = new(1000 / r.MeanMs)
	a.takeSpread(&r, o)
	slices.SortFunc(slow, func(x, y slowFrame) int { return cmp.Compare(y.ms, x.ms) })
	a.takePercentiles(&r, o, slow)
	a.takeStalls(&r, o, slow)
	r.Drift, r.Change = driftOf(spans, r.Median)
	for _, s := range spans {
		r.Series = append(r.Series, Point{At: (s.start + s.time/2) / 1000, Min: s.min, Median: s.median(), Max: s.max})
	}
	r.Min, r.Max = spans[0].min, spans[0].max
	for _, s := range spans {
		r.Min, r.Max = min(r.Min, s.min), max(r.Max, s.max)
	}
	r.Shape = a.shape()
	r.tell(o)
	return r, nil
}

func (o Options) withDefaults() Options {
	if o.Percentiles == nil {
		o.Percentiles = []float64{1, 5, 25, 50, 75, 95, 99, 99.9}
	}
	if !(o.StallFactor > 0) {
		o.StallFactor = 3
	}
	if !(o.StallFloor > 0) {
		o.StallFloor = 10
	}
	if !(o.FreezeLimit > 0) {
		o.FreezeLimit = 1
	}
	return o
}

// finish returns the stretches and the slowest frames with what is not yet in
// a block. A short run is cut into about 200 stretches with exact medians.
func (a *Accumulator) finish() ([]span, []slowFrame) {
	if a.raw == nil {
		c := Accumulator{
			block: slices.Clone(a.block), blocked: a.blocked, clock: a.clock,
			spans: slices.Clone(a.spans), join: math.MaxInt, open: a.open,
			slow: slowest{slices.Clone(a.slow.heap), a.slow.least},
		}
		if len(c.block) > 0 {
			c.closeBlock()
		}
		if c.open.blocks > 0 {
			c.spans = append(c.spans, c.open)
		}
		return c.spans, c.slow.heap
	}
	var s slowest
	s.see(a.raw, 0, 0)
	n := len(a.raw)
	count := min(n, max(200, n/100))
	spans := make([]span, 0, count)
	clock := 0.0
	for k := range count {
		from, to := k*n/count, (k+1)*n/count
		b := a.raw[from:to]
		one := span{start: clock, frame: int64(from), frames: int64(to - from), blocks: 1, min: b[0], max: b[0]}
		for _, x := range b {
			one.min, one.max = min(one.min, x), max(one.max, x)
			one.time += x
		}
		one.medians = quickMedian(slices.Clone(b))
		clock += one.time
		spans = append(spans, one)
	}
	return spans, s.heap
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

func (a *Accumulator) takeSpread(r *Report, o Options) {
	n := float64(a.n)
	if a.n < 2 {
		return
	}
	m := a.s1 / n
	c0 := max(0, a.s2-n*m*m)
	r.SD = new(math.Sqrt(c0 / (n - 1)))
	if c0 > 0 {
		c1 := a.sp - m*(2*a.s1-(a.last-a.first)) + (n-1)*m*m
		r.Lag1 = new(c1 / c0)
	}
}

func (a *Accumulator) takePercentiles(r *Report, o Options, slow []slowFrame) {
	exact := true
	take := func(p float64) float64 {
		v, e := a.quantile(p, o.Definition)
		exact = exact && e
		return v
	}
	r.Median = take(0.5)
	for _, p := range o.Percentiles {
		if p >= 0 && p <= 100 {
			r.Percentiles[strconv.FormatFloat(p, 'f', -1, 64)] = take(p / 100)
		}
	}
	r.Exact = exact
	if exact {
		r.Method = fmt.Sprintf("exact counts of every frame time in steps of %g ms", a.grid.unit())
	} else {
		r.Method = "counts in parts of 1/262144 of an octave"
		r.Error = RelativeError
	}
	if a.rates {
		return // samples are means over many frames: they hide the slow ones
	}
	r.RateP99, r.RateP999 = new(1000/take(0.99)), new(1000/take(0.999))
	if a.n >= 100 {
		r.Slow1 = new(1000 / a.slowMean((a.n+99)/100, slow))
	}
	if a.n >= 1000 {
		r.Slow01 = new(1000 / a.slowMean((a.n+999)/1000, slow))
	}
}

func (a *Accumulator) takeStalls(r *Report, o Options, slow []slowFrame) {
	r.StallLimit = max(o.StallFactor*r.Median, r.Median+o.StallFloor)
	r.StallRule = fmt.Sprintf("longer than %g medians and than the median by %g ms", o.StallFactor, o.StallFloor)
	r.Freezes = append(r.Freezes, a.froze...)
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
		r.StallCount = max(r.StallCount, a.longerThan(r.StallLimit))
	}
	slices.SortFunc(r.Stalls, func(x, y Stall) int { return cmp.Compare(x.Frame, y.Frame) })
	slices.SortFunc(r.Freezes, func(x, y Freeze) int { return cmp.Compare(x.At, y.At) })
}

// shape is the distribution in up to 60 bars between the 0.1 and the 99.9
// percentile, with all that is outside in the outer ones.
func (a *Accumulator) shape() []Bar {
	low, _ := a.quantile(0.001, Linear)
	high, _ := a.quantile(0.999, Linear)
	if !(high > low) {
		return []Bar{{Low: low, High: math.Nextafter(high, math.Inf(1)), Count: a.n}}
	}
	count := 60
	if u := a.grid.unit(); u > 0 {
		count = max(1, min(count, int(math.Round((high-low)/u))))
	}
	width := (high - low) / float64(count)
	bars := make([]Bar, count)
	for i := range bars {
		bars[i].Low, bars[i].High = low+float64(i)*width, low+float64(i+1)*width
	}
	for i, p := range a.page {
		if p == nil {
			continue
		}
		for j, c := range p {
			if c > 0 {
				v, _ := a.cell(uint64(i)<<pageBits + uint64(j))
				bars[max(0, min(count-1, int((v-low)/width)))].Count += int64(c)
			}
		}
	}
	return bars
}

func (r *Report) tell(o Options) {
	say := func(format string, args ...any) { r.Sentence = append(r.Sentence, fmt.Sprintf(format, args...)) }
	say("%d frames in %.1f s: %.2f frames per second; half of the frames took longer than %.2f ms.", r.Frames, r.Duration, *r.MeanFPS, r.Median)
	if r.Sampled {
		say("The log holds samples of the frame rate, not frames: single slow frames cannot be seen in it.")
	}
	if r.Slow1 != nil {
		s := fmt.Sprintf("The slowest 1 %% of frames ran at %.2f frames per second", *r.Slow1)
		if r.Slow01 != nil {
			s += fmt.Sprintf(", the slowest 0.1 %% at %.2f", *r.Slow01)
		}
		say("%s (mean of those frames).", s)
	}
	switch {
	case r.StallCount == 0:
		say("No stall: no frame %s.", r.StallRule)
	default:
		worst := r.Stalls[0]
		for _, s := range r.Stalls {
			if s.Ms > worst.Ms {
				worst = s
			}
		}
		say("%d stall(s) longer than %.1f ms, the worst %.1f ms at %.1f s.", r.StallCount, r.StallLimit, worst.Ms, worst.At)
	}
	for i, f := range r.Freezes {
		if i == 5 {
			say("And %d more freezes.", len(r.Freezes)-5)
			break
		}
		say("Freeze: no frame for %.1f s at %.1f s.", f.Seconds, f.At)
	}
	if d := r.Drift; d != nil {
		if d.Significant {
			word := "slower"
			if d.PerMinute < 0 {
				word = "faster"
			}
			say("The run gets %s: %+.3g ms per minute (95 %%: %+.3g to %+.3g).", word, d.PerMinute, d.Low, d.High)
		} else {
			say("No drift: %+.2g ms per minute (95 %%: %+.2g to %+.2g).", d.PerMinute, d.Low, d.High)
		}
	} else {
		say("Too short a run to speak of drift.")
	}
	if c := r.Change; c != nil {
		say("At %.1f s the frame time moved from %.2f ms to %.2f ms.", c.At, c.Before, c.After)
	}
}
