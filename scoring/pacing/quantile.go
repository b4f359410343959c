package pacing

import (
	"iter"
	"math"
)

// quantileRanks returns the two order statistics (from 1) between which the
// p-quantile lies among n values, and the weight of the upper one. The quantiles
// are of type 7 of Hyndman & Fan (Sample Quantiles in Statistical Packages, The
// American Statistician 50(4), 1996): a straight line between the order statistics
// about rank (n − 1)p + 1.
func quantileRanks(n int64, p float64) (lower, upper int64, weight float64) {
	count := float64(n)
	rank := count*p + (1 - p)
	// A rank a rounding error below a whole number is that number.
	rounding := 4 * count * 0x1p-52
	whole := math.Floor(rank + rounding)
	weight = rank - whole
	if weight < rounding {
		weight = 0
	}
	clamp := func(k int64) int64 { return max(1, min(n, k)) }
	return clamp(int64(whole)), clamp(int64(whole) + 1), weight
}

// quantile returns the p-quantile of the frame times.
func (a *Accumulator) quantile(p float64) float64 {
	lower, upper, weight := quantileRanks(a.n, p)
	low := a.atRank(lower)
	if weight > 0 {
		low += weight * (a.atRank(upper) - low)
	}
	return low
}

// cell is the frame time in ms of one part of the histogram: its middle, or the
// only decimal that falls into it, which makes it exact.
func (a *Accumulator) cell(page, part int) float64 {
	k := uint64(page)<<pageBits + uint64(part)
	low := math.Float64frombits((k + firstPart) << shift)
	high := math.Float64frombits((k + 1 + firstPart) << shift)
	middle := low + (high-low)/2
	if high-low < a.grid.unit() {
		decimal := math.Floor(middle*a.grid.scale+0.5) / a.grid.scale
		if decimal >= low*(1-1e-12) && decimal < high {
			return decimal
		}
	}
	return middle
}

// cells are the parts of the histogram that hold frames, the shortest first: the
// frame time in ms and how many there are.
func (a *Accumulator) cells() iter.Seq2[float64, int64] {
	return func(yield func(float64, int64) bool) {
		for i, page := range a.page {
			if page == nil {
				continue
			}
			for j, count := range page {
				if count > 0 && !yield(a.cell(i, j), int64(count)) {
					return
				}
			}
		}
	}
}

// atRank returns the frame time of rank r, from 1 for the shortest.
func (a *Accumulator) atRank(r int64) float64 {
	seen := int64(0)
	for ms, count := range a.cells() {
		if seen += count; seen >= r {
			return ms
		}
	}
	return math.NaN()
}

// slowMean is the mean of the k slowest frames in ms: those kept one by one as
// they are, the rest by their part of the histogram. slow is sorted, the
// longest first.
func (a *Accumulator) slowMean(k int64, slow []slowFrame) float64 {
	kept := min(k, int64(len(slow)))
	sum := 0.0
	for _, f := range slow[:kept] {
		sum += f.ms
	}
	seen := int64(0)
	for ms, count := range a.cells() {
		rest := min(seen+count, a.n-kept) - max(seen, a.n-k)
		sum += float64(max(0, rest)) * ms
		seen += count
	}
	return sum / float64(k)
}
