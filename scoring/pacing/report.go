package pacing

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"proveout/plans/fact"
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

	Drift    *Drift      `json:"drift"`
	Change   *Change     `json:"change_point"`
	Lag1     *float64    `json:"lag1_autocorrelation"`
	BadRows  int64       `json:"bad_rows"`
	Outside  int64       `json:"outside_histogram"` // frames below 2⁻⁷ ms or above 2²⁰ ms, counted at its ends
	Sampled  bool        `json:"from_rate_samples"`
	Series   []Point     `json:"series"`
	Shape    []Bar       `json:"distribution"`
	Sentence []fact.Fact `json:"sentences"`
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
	Definition  string             `json:"percentile_definition"`
	Exact       bool               `json:"exact"`
	Method      fact.Fact          `json:"method"`
	Error       float64            `json:"relative_error"` // bound; 0 when exact
}

// Slowest are the rates of the slowest frames. They are not known of samples of a
// rate, which are means over many frames and hide the slow ones.
type Slowest struct {
	Slow1    *float64 `json:"slowest_1pct_fps"`  // 1000 / mean ms of the slowest 1 % of frames
	Slow01   *float64 `json:"slowest_01pct_fps"` // the same for 0.1 %
	RateP99  *float64 `json:"p99_fps"`           // 1000 / 99th percentile: the other habit of the trade
	RateP999 *float64 `json:"p999_fps"`
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

// Report judges what was added so far; more may be added afterwards. A run without
// a frame gives a [fact.Error].
func (a *Accumulator) Report(o Options) (Report, error) {
	a.flush()
	if a.n == 0 {
		return Report{}, fact.New("pacing.no-frame").Err()
	}
	o = o.withDefaults()
	spans, slow := a.finish()
	r := Report{BadRows: a.bad, Outside: a.below + a.above, Sampled: a.rates}
	r.Frames, r.Duration = a.n, (a.time+a.carry)/1000
	r.MeanMs = r.Duration * 1000 / float64(a.n)
	if a.rates {
		r.Frames, r.Duration = int64(math.Round(a.frames)), a.period
		r.MeanMs = 1000 * a.period / a.frames
		a.placeSamples(spans, slow)
	}
	r.MeanFPS = new(1000 / r.MeanMs)
	a.takeSpread(&r)
	slices.SortFunc(slow, func(x, y slowFrame) int { return cmp.Compare(y.ms, x.ms) })
	a.takePercentiles(&r)
	a.takeSlowest(&r, slow)
	a.takeStalls(&r, o, slow)
	r.Drift, r.Change = driftOf(spans, r.Median)
	r.Min, r.Max = spans[0].min, spans[0].max
	for _, s := range spans {
		r.Series = append(r.Series, Point{At: (s.start + s.time/2) / 1000, Min: s.min, Median: s.median(), Max: s.max})
		r.Min, r.Max = min(r.Min, s.min), max(r.Max, s.max)
	}
	r.Shape = a.shape()
	r.tell()
	return r, nil
}

// finish returns the stretches and the slowest frames with what is not yet in
// a block. A short run is cut into about 200 stretches with exact medians.
func (a *Accumulator) finish() ([]span, []slowFrame) {
	if a.raw == nil {
		rest := Accumulator{
			block: slices.Clone(a.block), blocked: a.blocked, clock: a.clock,
			spans: slices.Clone(a.spans), join: math.MaxInt, open: a.open,
			slow: slowest{slices.Clone(a.slow.heap), a.slow.least},
		}
		if len(rest.block) > 0 {
			rest.closeBlock()
		}
		if rest.open.blocks > 0 {
			rest.spans = append(rest.spans, rest.open)
		}
		return rest.spans, rest.slow.heap
	}
	var slow slowest
	slow.see(a.raw, 0, 0)
	n := len(a.raw)
	count := min(n, max(200, n/100))
	spans := make([]span, count)
	clock := 0.0
	for k := range spans {
		from, to := k*n/count, (k+1)*n/count
		spans[k] = spanOf(a.raw[from:to], clock, int64(from))
		spans[k].medians = median(a.raw[from:to])
		clock += spans[k].time
	}
	return spans, slow.heap
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

// takeSpread works out standard deviation and lag-1 autocorrelation from the sums
// of the differences y from the first frame.
func (a *Accumulator) takeSpread(r *Report) {
	if a.n < 2 {
		return
	}
	n := float64(a.n)
	mean := a.s1 / n
	squares := max(0, a.s2-n*mean*mean)
	r.SD = new(math.Sqrt(squares / (n - 1)))
	if squares > 0 {
		// Σ (y − m)(y₋₁ − m) over n − 1 pairs: the first has no frame before it and the
		// last none behind it.
		neighbours := a.sp - mean*(2*a.s1-(a.last-a.first)) + (n-1)*mean*mean
		r.Lag1 = new(neighbours / squares)
	}
}

func (a *Accumulator) takePercentiles(r *Report) {
	r.Definition, r.Exact = definition, true
	r.Percentiles = map[string]float64{}
	for _, percent := range []float64{1, 5, 25, 50, 75, 95, 99, 99.9} {
		ms, exact := a.quantile(percent / 100)
		r.Percentiles[strconv.FormatFloat(percent, 'f', -1, 64)] = ms
		r.Exact = r.Exact && exact
	}
	r.Median = r.Percentiles["50"]
	if r.Exact {
		r.Method = fact.New("pacing.exact-counts", "step", fact.In(a.grid.unit(), "ms").Whole())
	} else {
		r.Method = fact.New("pacing.counts-in-parts", "parts", fact.In(1<<partBits, "").Whole())
		r.Error = relativeError
	}
}

func (a *Accumulator) takeSlowest(r *Report, slow []slowFrame) {
	if a.rates {
		return
	}
	r.RateP99, r.RateP999 = new(1000/r.Percentiles["99"]), new(1000/r.Percentiles["99.9"])
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
		r.StallCount = max(r.StallCount, a.longerThan(r.StallLimit))
	}
	slices.SortFunc(r.Stalls, func(x, y Stall) int { return cmp.Compare(x.Frame, y.Frame) })
	slices.SortFunc(r.Freezes, func(x, y Freeze) int { return cmp.Compare(x.At, y.At) })
}

// shape is the distribution in up to 60 bars between the 0.1 and the 99.9
// percentile, with all that is outside in the outer ones. Bars are no narrower
// than the decimals in which frame times are written.
func (a *Accumulator) shape() []Bar {
	low, _ := a.quantile(0.001)
	high, _ := a.quantile(0.999)
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
	a.eachCell(func(ms float64, frames int64) {
		bars[max(0, min(count-1, int((ms-low)/width)))].Count += frames
	})
	return bars
}
