// Package pacing judges how evenly frames were drawn: rate, percentiles,
// stalls, freezes, drift over the run, and how well runs repeat.
//
// Frame times in milliseconds, time stamps in seconds, or samples of a frame
// rate go into an [Accumulator], one by one and in order; a [Report] with numbers
// and facts comes out. Memory stays bounded whatever the length of the run. The
// package reads no files and knows no cards.
package pacing

import (
	"math"
	"slices"
)

// Histogram of frame times: the octaves of float64 from 2⁻⁷ ms to 2²⁰ ms, each
// cut into 2¹⁸ equal parts, in pages that exist once a frame falls into them. The
// first bits of a float64 are the number of its part: 1.0 ms and the next larger
// octave differ in the exponent, parts of an octave in the first bits behind it.
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

// A page is some neighbouring parts of the histogram.
type page struct {
	count [1 << pageBits]uint32
	total int64 // of them all
}

// relativeError is the most by which a percentile can be off when frame times
// are not read from decimals that the histogram keeps apart.
const relativeError = 1.0 / (1 << (partBits + 1))

const (
	rawFrames = 16384 // kept as they are; longer runs go into blocks
	blockSize = 243   // frames whose median is one value of the drift
	mostSpans = 1996  // blocks, joined two by two beyond
	slowKept  = 1024  // slowest frames kept with their place
)

// An Accumulator takes the frames of one run. The zero value is ready.
type Accumulator struct {
	page  [pages]*page
	n     int64
	time  float64 // ms, sum of the frame times
	carry float64 // what rounding dropped from time

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

	sampled
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
			p = new(page)
			a.page[k>>pageBits] = p
		}
		p.count[k&(1<<pageBits-1)]++
		p.total++
	}
}

// sums keeps what mean, standard deviation and autocorrelation need. They are sums
// of differences from the first frame, so that squares of nearly equal numbers are
// not subtracted from each other; the time is summed with its rounding errors
// (Kahan, Communications of the ACM 8, 1965, from memory).
func (a *Accumulator) sums(ms []float64) {
	first, before := a.first, a.last-a.first
	var s1, s2, sp, t float64
	for _, x := range ms {
		y := x - first
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

// spanOf is the span of one block; start and frame are where it begins.
func spanOf(block []float64, start float64, frame int64) span {
	low, high, sum := block[0], block[0], 0.0
	for _, x := range block { // branches: they are nearly always foreseen
		if x < low {
			low = x
		}
		if x > high {
			high = x
		}
		sum += x
	}
	return span{
		start: start, time: sum, frame: frame, frames: int64(len(block)), blocks: 1, min: low, max: high,
	}
}

func (a *Accumulator) closeBlock() {
	one := spanOf(a.block, a.clock, a.blocked)
	one.medians = blockMedian(a.block)
	if one.max > a.slow.least {
		a.slow.see(a.block, a.blocked, a.clock)
	}
	a.clock += one.time
	a.blocked += one.frames
	a.block = a.block[:0]
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
	if len(a.spans) == mostSpans {
		a.spans = inPairs(a.spans)
		a.join *= 2
	}
}

// blockMedian is the median after two rounds of taking the median of every
// three in a row (a remedian: Rousseeuw & Bassett, The Remedian, 1990, from
// memory). It shrugs off stalls as the median does, at a fraction of its cost.
func blockMedian(block []float64) float64 {
	if len(block) < 9 {
		return median(block)
	}
	var thirds [blockSize / 3]float64
	t := thirds[:byThrees(thirds[:], block)]
	return median(t[:byThrees(t, t)])
}

// byThrees stores the medians of every three values and returns their number.
func byThrees(to, values []float64) int {
	k := 0
	for ; len(values) >= 3; values = values[3:] {
		x, y, z := values[0], values[1], values[2]
		to[k] = max(min(x, y), min(max(x, y), z))
		k++
	}
	return k
}

// median returns the middle of the values, which it leaves in their order.
func median(values []float64) float64 {
	var few [128]float64 // enough for blocks, so that nothing is allocated for them
	sorted := append(few[:0], values...)
	slices.Sort(sorted)
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
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
	heap := s.heap
	if len(heap) < slowKept {
		heap = append(heap, f)
		for i := len(heap) - 1; i > 0 && heap[i].ms < heap[(i-1)/2].ms; i = (i - 1) / 2 {
			heap[i], heap[(i-1)/2] = heap[(i-1)/2], heap[i]
		}
		s.heap = heap
		if len(heap) == slowKept {
			s.least = heap[0].ms
		}
		return
	}
	heap[0] = f // in the place of the shortest
	for i := 0; ; {
		child := 2*i + 1
		if child >= len(heap) {
			break
		}
		if child+1 < len(heap) && heap[child+1].ms < heap[child].ms {
			child++
		}
		if heap[i].ms <= heap[child].ms {
			break
		}
		heap[i], heap[child] = heap[child], heap[i]
		i = child
	}
	s.least = heap[0].ms
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
