// Package pacing judges how evenly frames were drawn: rate, percentiles,
// stalls, freezes, drift over the run, and how well runs repeat.
//
// Frame times in milliseconds, time stamps in seconds, or samples of a frame
// rate go into an [Accumulator], one by one and in order; a [Report] with numbers
// and facts comes out. Memory stays bounded whatever the length of the run. The
// package reads no files and knows no cards.
package pacing

import (
	"cmp"
	"math"
	"slices"

	"proveout/scoring/conformity"
)

// Histogram of frame times: the octaves of float64 from 2⁻⁷ ms to 2²⁰ ms, each
// cut into 2¹⁸ equal parts, in pages that exist once a frame falls into them. The
// first bits of a float64 are the number of its part: 1.0 ms and the next larger
// octave differ in the exponent, parts of an octave in the first bits behind it.
// Percentiles are off by half a part at the most, 2⁻¹⁹ of themselves, and exact for
// frame times with so few decimals that the parts keep them apart.
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
type page [1 << pageBits]uint32

const (
	rawFrames = 16384 // kept as they are; longer runs go into blocks
	blockSize = 243   // frames whose median is one value of the drift
	mostSpans = 1996  // blocks, joined two by two beyond
	slowKept  = 1024  // slowest frames kept with their place
)

// An Accumulator takes the frames of one run. The zero value is ready.
type Accumulator struct {
	page     [pages]*page
	n        int64
	time     float64 // ms, sum of the frame times
	min, max float64 // ms
	bad      int64   // not a positive number of milliseconds
	grid     grid

	first  float64 // ms
	s1, s2 float64 // sums of y and y², y = ms − first

	raw   []float64 // nil once the run is longer
	block []float64
	spans []span
	join  int  // blocks per span, a power of two
	open  span // of the blocks that are not yet in a span
	slow  slowest

	sampled
}

// A span is some blocks in a row.
type span struct {
	start   float64 // ms since the run began
	time    float64 // ms
	frame   int64   // index of the first frame
	frames  int64
	blocks  int
	medians float64 // sum of block medians
	max     float64
}

// median is the mean of the block medians.
func (s span) median() float64 { return s.medians / float64(s.blocks) }

// with is s with the span behind it.
func (s span) with(r span) span {
	if s.blocks == 0 {
		return r
	}
	s.time += r.time
	s.frames += r.frames
	s.blocks += r.blocks
	s.medians += r.medians
	s.max = max(s.max, r.max)
	return s
}

// Add takes one frame time in milliseconds. One that is not a positive number is
// counted and left out.
func (a *Accumulator) Add(ms float64) {
	if !(ms > 0) || ms > math.MaxFloat64 {
		a.bad++
		return
	}
	if a.n == 0 {
		a.first, a.min, a.max = ms, ms, ms
		a.raw, a.join, a.grid.scale = make([]float64, 0, rawFrames), 1, 1
	}
	a.count(ms)
	a.grid.see(ms)
	a.min, a.max = min(a.min, ms), max(a.max, ms)
	if ms > a.slow.least {
		a.slow.add(slowFrame{a.n, a.time, ms})
	}
	// Differences from the first frame, so that squares of nearly equal numbers are
	// not subtracted from each other.
	y := ms - a.first
	a.s1 += y
	a.s2 += y * y
	a.n++
	a.time += ms
	switch {
	case a.raw == nil:
		a.put(ms)
	case len(a.raw) < rawFrames:
		a.raw = append(a.raw, ms)
	default:
		for _, x := range append(a.raw, ms) {
			a.put(x)
		}
		a.raw = nil
	}
}

// count puts a frame into the histogram; one outside of it at its end.
func (a *Accumulator) count(ms float64) {
	ms = min(max(ms, lowest), highest-1.0/64)
	k := uint(math.Float64bits(ms)>>shift) - firstPart
	p := a.page[k>>pageBits]
	if p == nil {
		p = new(page)
		a.page[k>>pageBits] = p
	}
	p[k&(1<<pageBits-1)]++
}

// put fills blocks of frames.
func (a *Accumulator) put(ms float64) {
	if a.block = append(a.block, ms); len(a.block) < blockSize {
		return
	}
	a.open = a.opened()
	a.block = a.block[:0]
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

// opened is the span that is open, with the block that is.
func (a *Accumulator) opened() span {
	if len(a.block) == 0 {
		return a.open
	}
	before := a.open
	if before.blocks == 0 && len(a.spans) > 0 {
		before = a.spans[len(a.spans)-1]
	}
	one := spanOf(a.block, before.start+before.time, before.frame+before.frames)
	one.medians = blockMedian(a.block)
	return a.open.with(one)
}

// spanOf is the span of one block without its median; start and frame are where it
// begins.
func spanOf(block []float64, start float64, frame int64) span {
	s := span{start: start, frame: frame, frames: int64(len(block)), blocks: 1, max: slices.Max(block)}
	for _, x := range block {
		s.time += x
	}
	return s
}

// blockMedian is the median after two rounds of taking the median of every
// three in a row (a remedian: Rousseeuw & Bassett, The Remedian, 1990, from
// memory). It shrugs off stalls as the median does, at a fraction of its cost.
func blockMedian(block []float64) float64 {
	if len(block) < 9 {
		return conformity.Median(block)
	}
	var thirds [blockSize / 3]float64
	t := thirds[:byThrees(thirds[:], block)]
	return conformity.Median(t[:byThrees(t, t)])
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

// slowest keeps the longest frames, each with its place.
type slowest struct {
	frames []slowFrame
	least  float64 // one that is no longer need not be kept
}

type slowFrame struct {
	frame int64
	at    float64 // ms since the run began
	ms    float64
}

func (s *slowest) add(f slowFrame) {
	if s.frames = append(s.frames, f); len(s.frames) == 2*slowKept {
		s.frames = s.longest()
		s.least = s.frames[slowKept-1].ms
	}
}

// longest are the longest frames, the longest of all first.
func (s *slowest) longest() []slowFrame {
	sorted := slices.Clone(s.frames)
	slices.SortStableFunc(sorted, func(x, y slowFrame) int { return cmp.Compare(y.ms, x.ms) })
	return sorted[:min(len(sorted), slowKept)]
}

// grid finds the decimals in which frame times are written.
type grid struct {
	scale float64 // the unit is 1/scale ms
	free  bool    // more than five decimals, or none at all
}

func (g *grid) see(ms float64) {
	for !g.free {
		y := ms * g.scale
		if math.Abs(y-math.Floor(y+0.5)) <= 1e-6 {
			return
		}
		g.scale *= 10
		g.free = g.scale > 1e5
	}
}

// unit is the last decimal in ms, 0 when there is none.
func (g *grid) unit() float64 {
	if g.free || g.scale == 0 {
		return 0
	}
	return 1 / g.scale
}
