// Package pacing judges how evenly frames were drawn: rate, percentiles,
// stalls, freezes, drift over the run, and how well runs repeat.
//
// Frame times in milliseconds, time stamps in seconds, or samples of a frame
// rate go into an [Accumulator], one by one and in order; a [Report] comes
// out. Memory stays bounded whatever the length of the run. The package reads
// no files and knows no cards.
package pacing

import "math"

// Histogram of frame times: the octaves of float64 from 2⁻⁷ ms to 2²⁰ ms, each
// cut into 2¹⁸ equal parts, in pages that exist once a frame falls into them.
const (
	lowExponent  = -7
	highExponent = 20
	partBits     = 18
	pageBits     = 12
	octaves      = highExponent - lowExponent
	pages        = octaves << (partBits - pageBits)
	shift        = 52 - partBits
	lowest       = 1.0 / (1 << -lowExponent) // ms
	highest      = 1 << highExponent         // ms
	firstPart    = (1023 + lowExponent) << partBits
)

// RelativeError is the most by which a percentile can be off when frame times
// are not read from decimals that the histogram keeps apart.
const RelativeError = 1.0 / (1 << (partBits + 1))

const (
	rawFrames = 16384 // kept as they are; longer runs go into blocks
	blockSize = 243   // frames whose median is one value of the drift
	mostSpans = 1996  // blocks, joined two by two beyond
	slowKept  = 1024  // slowest frames kept with their place
)

// An Accumulator takes the frames of one run. The zero value is ready.
type Accumulator struct {
	page [pages]*[1 << pageBits]uint32
	// totals holds the frames of each page while a report is made; nil otherwise.
	totals []int64
	n      int64
	time   float64 // ms, sum of the frame times
	carry  float64 // what rounding dropped from time

	below, above int64 // frames outside the histogram: taken at its ends
	bad          int64 // not a positive number of milliseconds
	grid         grid

	first, last float64 // ms
	s1, s2, sp  float64 // sums of y, y², y·y₋₁ with y = ms − first

	waiting [512]float64 // given one by one, not yet counted
	waits   int
	raw     []float64 // nil once the run is longer
	block   []float64
	blocked int64   // frames in closed blocks
	clock   float64 // ms, their time
	spans   []span
	join    int // blocks per span, a power of two
	open    span
	slow    slowest

	stamps  bool
	stamp   float64 // s, last time stamp
	rates   bool
	period  float64 // s, sum of the sample periods
	frames  float64 // frames counted by rate samples
	froze   []Freeze
	still   bool // the rate sample before was zero
	samples int64
}

// A span is some blocks in a row.
type span struct {
	start    float64 // ms since the run began
	time     float64 // ms
	frame    int64   // index of the first frame
	frames   int64
	blocks   int
	medians  float64 // sum of block medians
	min, max float64
}

// median is the mean of the block medians.
func (s span) median() float64 { return s.medians / float64(s.blocks) }

func (s *span) merge(r span) {
	s.time += r.time
	s.frames += r.frames
	s.blocks += r.blocks
	s.medians += r.medians
	s.min, s.max = min(s.min, r.min), max(s.max, r.max)
}

// Add takes one frame time in milliseconds.
func (a *Accumulator) Add(ms float64) {
	a.waiting[a.waits] = ms
	if a.waits++; a.waits == len(a.waiting) {
		a.flush()
	}
}

// flush takes in the frames that Add set aside.
func (a *Accumulator) flush() {
	k := a.waits
	a.waits = 0
	a.chunk(a.waiting[:k])
}

// AddStamp takes the time stamp of a frame in seconds; the frame time is the
// difference from the stamp before. A stamp that is not later is counted as a
// bad row.
func (a *Accumulator) AddStamp(s float64) {
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

// AddRateAt takes one sample of the frame rate, the mean since the sample
// before, and its time in seconds. Of the first sample it takes only the time.
func (a *Accumulator) AddRateAt(fps, t float64) {
	if math.IsNaN(t) || math.IsInf(t, 0) {
		a.bad++
		return
	}
	if a.stamps && t > a.stamp {
		a.AddRate(fps, t-a.stamp)
	}
	a.stamps, a.stamp = true, t
}

// AddRate takes one sample of the frame rate, the mean over seconds. A rate of
// zero is a freeze that long.
func (a *Accumulator) AddRate(fps, seconds float64) {
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

// AddAll takes frame times in milliseconds in their order. Values that are not
// positive numbers are counted and left out.
func (a *Accumulator) AddAll(ms []float64) {
	a.flush()
	for len(ms) > 0 {
		k := min(len(ms), 1024)
		a.chunk(ms[:k])
		ms = ms[k:]
	}
}

// chunk walks over a few frames that fit the nearest cache, several times.
func (a *Accumulator) chunk(ms []float64) {
	for i, x := range ms {
		if !(x > 0) || x > math.MaxFloat64 {
			a.chunk(ms[:i])
			a.bad++
			a.chunk(ms[i+1:])
			return
		}
	}
	if len(ms) == 0 {
		return
	}
	if a.n == 0 {
		a.begin(ms[0])
	}
	a.count(ms)
	a.grid.see(ms)
	a.sums(ms)
	a.n += int64(len(ms))
	if a.raw != nil {
		if len(a.raw)+len(ms) <= rawFrames {
			a.raw = append(a.raw, ms...)
			return
		}
		raw := a.raw
		a.raw = nil
		a.blocks(raw)
	}
	a.blocks(ms)
}

func (a *Accumulator) begin(first float64) {
	a.first, a.last = first, first
	a.raw = make([]float64, 0, rawFrames)
	a.block = make([]float64, 0, blockSize)
	a.join = 1
	a.grid.scale = 1
}

// count puts frames into the histogram.
func (a *Accumulator) count(ms []float64) {
	for _, x := range ms {
		if x < lowest {
			a.below++
			x = lowest
		} else if x >= highest {
			a.above++
			x = highest - 1.0/64
		}
		k := uint(math.Float64bits(x)>>shift) - firstPart
		p := a.page[k>>pageBits]
		if p == nil {
			p = new([1 << pageBits]uint32)
			a.page[k>>pageBits] = p
		}
		p[k&(1<<pageBits-1)]++
	}
}

// sums keeps what mean, standard deviation and autocorrelation need.
func (a *Accumulator) sums(ms []float64) {
	f, before := a.first, a.last-a.first
	var s1, s2, sp, t float64
	for _, x := range ms {
		y := x - f
		t += x
		s1 += y
		s2 += y * y
		sp += y * before
		before = y
	}
	a.last = ms[len(ms)-1]
	a.s1 += s1
	a.s2 += s2
	a.sp += sp // the very first frame adds 0: its y is 0
	t += a.carry
	sum := a.time + t
	a.carry = t - (sum - a.time)
	a.time = sum
}

// blocks fills blocks of frames.
func (a *Accumulator) blocks(ms []float64) {
	for len(ms) > 0 {
		k := min(len(ms), blockSize-len(a.block))
		a.block = append(a.block, ms[:k]...)
		ms = ms[k:]
		if len(a.block) == blockSize {
			a.closeBlock()
		}
	}
}

func (a *Accumulator) closeBlock() {
	b := a.block
	lo, hi, sum := b[0], b[0], 0.0
	for _, x := range b { // branches: they are nearly always foreseen
		if x < lo {
			lo = x
		}
		if x > hi {
			hi = x
		}
		sum += x
	}
	if hi > a.slow.least {
		a.slow.see(b, a.blocked, a.clock)
	}
	one := span{
		start: a.clock, time: sum, frame: a.blocked, frames: int64(len(b)),
		blocks: 1, medians: blockMedian(b), min: lo, max: hi,
	}
	a.clock += sum
	a.blocked += int64(len(b))
	a.block = b[:0]
	if a.open.blocks == 0 {
		a.open = one
	} else {
		a.open.merge(one)
	}
	if a.open.blocks < a.join {
		return
	}
	a.spans = append(a.spans, a.open)
	a.open = span{}
	if len(a.spans) < mostSpans {
		return
	}
	half := len(a.spans) / 2
	for i := range half {
		a.spans[2*i].merge(a.spans[2*i+1])
		a.spans[i] = a.spans[2*i]
	}
	a.spans = a.spans[:half]
	a.join *= 2
}

// blockMedian is the median after two rounds of taking the median of every
// three in a row (a remedian: Rousseeuw & Bassett, The Remedian, 1990, from
// memory). It shrugs off stalls as the median does, at a fraction of its cost.
func blockMedian(b []float64) float64 {
	if len(b) < 9 {
		var few [8]float64
		return quickMedian(few[:copy(few[:], b)])
	}
	var thirds [blockSize / 3]float64
	t := thirds[:byThrees(thirds[:], b)]
	return quickMedian(t[:byThrees(t, t)])
}

// byThrees stores the medians of every three values and returns their number.
func byThrees(to, b []float64) int {
	k := 0
	for ; len(b) >= 3; b = b[3:] {
		x, y, z := b[0], b[1], b[2]
		to[k] = max(min(x, y), min(max(x, y), z))
		k++
	}
	return k
}

// quickMedian returns the median and disorders v.
func quickMedian(v []float64) float64 {
	n := len(v)
	high := selectRank(v, n/2)
	if n%2 == 1 {
		return high
	}
	low := v[0]
	for _, x := range v[:n/2] {
		low = max(low, x)
	}
	return (low + high) / 2
}

// selectRank puts the value of rank k (from 0) at its place, smaller ones
// before it, and returns it.
func selectRank(v []float64, k int) float64 {
	l, r := 0, len(v)-1
	for l < r {
		p := v[(l+r)/2]
		i, j := l, r
		for i <= j {
			for v[i] < p {
				i++
			}
			for v[j] > p {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			r = j
		case k >= i:
			l = i
		default:
			return v[k]
		}
	}
	return v[k]
}

// slowest keeps the longest frames in a heap with the shortest on top.
type slowest struct {
	heap  []slowFrame
	least float64
}

type slowFrame struct {
	frame int64
	at    float64 // ms since the run began
	ms    float64
}

func (s *slowest) see(ms []float64, frame int64, at float64) {
	for i, x := range ms {
		if x > s.least {
			s.put(slowFrame{frame + int64(i), at, x})
		}
		at += x
	}
}

func (s *slowest) put(f slowFrame) {
	h := s.heap
	if len(h) < slowKept {
		h = append(h, f)
		for i := len(h) - 1; i > 0 && h[i].ms < h[(i-1)/2].ms; i = (i - 1) / 2 {
			h[i], h[(i-1)/2] = h[(i-1)/2], h[i]
		}
		s.heap = h
		if len(h) == slowKept {
			s.least = h[0].ms
		}
		return
	}
	h[0] = f
	for i := 0; ; {
		c := 2*i + 1
		if c >= len(h) {
			break
		}
		if c+1 < len(h) && h[c+1].ms < h[c].ms {
			c++
		}
		if h[i].ms <= h[c].ms {
			break
		}
		h[i], h[c] = h[c], h[i]
		i = c
	}
	s.least = h[0].ms
}

// grid finds the decimals in which frame times are written.
type grid struct {
	scale float64 // the unit is 1/scale ms
	free  bool    // more than five decimals, or none at all
}

func (g *grid) see(ms []float64) {
	if g.free {
		return
	}
	scale := g.scale
	for _, x := range ms {
		y := x * scale
		d := y - math.Floor(y+0.5)
		for d > 1e-6 || d < -1e-6 {
			if scale *= 10; scale > 1e5 {
				g.free = true
				return
			}
			y = x * scale
			d = y - math.Floor(y+0.5)
		}
	}
	g.scale = scale
}

// unit is the last decimal in ms, 0 when there is none.
func (g *grid) unit() float64 {
	if g.free || g.scale == 0 {
		return 0
	}
	return 1 / g.scale
}
