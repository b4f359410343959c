package pacing

import "math"

// Percentiles are sample quantiles of type 7 of Hyndman & Fan (Sample Quantiles
// in Statistical Packages, The American Statistician 50(4), 1996): a straight line
// between the order statistics about rank (n − 1)p + 1.
const definition = "Hyndman & Fan type 7"

// quantileRanks returns the two order statistics (from 1) between which the
// p-quantile lies among n values, and the weight of the upper one.
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

// quantile returns the p-quantile of the frame times, and whether it is exact.
func (a *Accumulator) quantile(p float64) (ms float64, exact bool) {
	lower, upper, weight := quantileRanks(a.n, p)
	low, lowExact := a.atRank(lower)
	high, highExact := a.atRank(upper)
	if weight > 0 && low != high {
		low += weight * (high - low)
	}
	return low, lowExact && highExact
}

// cell is one part of the histogram: its value in ms, and whether only one
// decimal falls into it, so that the value is exact.
func (a *Accumulator) cell(page, part int) (ms float64, exact bool) {
	k := uint64(page)<<pageBits + uint64(part)
	low := math.Float64frombits((k + firstPart) << shift)
	high := math.Float64frombits((k + 1 + firstPart) << shift)
	width := high - low
	unit := a.grid.unit()
	if exact = width < unit; exact {
		decimal := math.Floor((low+width/2)*a.grid.scale+0.5) / a.grid.scale
		if decimal >= low*(1-1e-12) && decimal < high {
			return decimal, true
		}
	}
	return low + width/2, exact
}

// atRank returns the frame time of rank r, from 1 for the shortest, and
// whether it is exact.
func (a *Accumulator) atRank(r int64) (ms float64, exact bool) {
	seen := int64(0)
	for i, page := range a.page {
		if page == nil {
			continue
		}
		if seen+page.total < r {
			seen += page.total
			continue
		}
		for j, count := range page.count {
			if seen += int64(count); seen >= r {
				return a.cell(i, j)
			}
		}
	}
	return math.NaN(), false
}

// slowMean is the mean of the k slowest frames in ms: those kept one by one as
// they are, the rest by their part of the histogram. slow is sorted, the
// longest first.
func (a *Accumulator) slowMean(k int64, slow []slowFrame) float64 {
	left, kept, sum := k, int64(0), 0.0
	for _, f := range slow[:min(k, int64(len(slow)))] {
		sum += f.ms
		left--
		kept++
	}
	for i := len(a.page) - 1; i >= 0 && left > 0; i-- {
		page := a.page[i]
		if page == nil {
			continue
		}
		for j := len(page.count) - 1; j >= 0 && left > 0; j-- {
			count := int64(page.count[j])
			known := min(kept, count)
			kept -= known
			if count = min(left, count-known); count > 0 {
				ms, _ := a.cell(i, j)
				sum += float64(count) * ms
				left -= count
			}
		}
	}
	return sum / float64(k-left)
}

// longerThan counts frames above a time in ms.
func (a *Accumulator) longerThan(limit float64) int64 {
	frames := int64(0)
	a.eachCell(func(ms float64, count int64) {
		if ms > limit {
			frames += count
		}
	})
	return frames
}

// eachCell visits the parts of the histogram that hold frames, the shortest first.
func (a *Accumulator) eachCell(visit func(ms float64, count int64)) {
	for i, page := range a.page {
		if page == nil {
			continue
		}
		for j, count := range page.count {
			if count > 0 {
				ms, _ := a.cell(i, j)
				visit(ms, int64(count))
			}
		}
	}
}
