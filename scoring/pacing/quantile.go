package pacing

import (
	"fmt"
	"math"
	"slices"
)

// A Definition says which of the nine sample quantiles of Hyndman & Fan
// (Sample Quantiles in Statistical Packages, The American Statistician 50(4),
// 1996) is meant. The zero value is type 7.
type Definition int

// Definitions by the numbers of the paper.
const (
	Linear Definition = iota // type 7, linear interpolation with m = 1 − p
	Type1                    // inverse of the distribution
	Type2                    // the same with means at steps
	Type3                    // nearest order statistic, the even one at ties
	Type4                    // linear interpolation of the distribution
	Type5                    // through the middles of the steps
	Type6                    // m = p
	Type7                    // as Linear
	Type8                    // m = (p + 1)/3
	Type9                    // m = p/4 + 3/8
)

// String names the definition.
func (d Definition) String() string {
	if d == Linear {
		d = Type7
	}
	return fmt.Sprintf("Hyndman & Fan type %d", int(d))
}

// ranks returns the two order statistics (from 1) between which the quantile
// lies among n values, and the weight of the upper one.
func (d Definition) ranks(n int64, p float64) (lower, upper int64, weight float64) {
	if d == Linear {
		d = Type7
	}
	f := float64(n)
	var m float64
	switch d {
	case Type3:
		m = -0.5
	case Type5:
		m = 0.5
	case Type6:
		m = p
	case Type7:
		m = 1 - p
	case Type8:
		m = (p + 1) / 3
	case Type9:
		m = p/4 + 3.0/8
	}
	h := f*p + m
	// n·p a rounding error below a whole number is that number.
	j := math.Floor(h + 4*f*0x1p-52)
	g := max(0, h-j)
	if g < 4*f*0x1p-52 {
		g = 0
	}
	switch d {
	case Type1:
		if g > 0 {
			g = 1
		}
	case Type2:
		if g > 0 {
			g = 1
		} else {
			g = 0.5
		}
	case Type3:
		if g > 0 || int64(j)%2 != 0 {
			g = 1
		}
	}
	clamp := func(k int64) int64 { return max(1, min(n, k)) }
	return clamp(int64(j)), clamp(int64(j) + 1), g
}

// Quantile returns the p-quantile (0 ≤ p ≤ 1) of values by a definition; NaN
// for no values. It does not change values.
func Quantile(values []float64, p float64, d Definition) float64 {
	n := int64(len(values))
	if n == 0 || !(p >= 0 && p <= 1) {
		return math.NaN()
	}
	v := slices.Clone(values)
	slices.Sort(v)
	l, u, w := d.ranks(n, p)
	return mix(v[l-1], v[u-1], w)
}

func mix(a, b, w float64) float64 {
	if w == 0 || a == b {
		return a
	}
	return a + w*(b-a)
}

// cell is one part of the histogram: its value in ms and its width.
func (a *Accumulator) cell(k uint64) (value, width float64) {
	low := math.Float64frombits((k + firstPart) << shift)
	high := math.Float64frombits((k + 1 + firstPart) << shift)
	width = high - low
	value = low + width/2
	if unit := a.grid.unit(); width < unit { // at most one decimal falls into this part
		scale := a.grid.scale
		if v := math.Floor(value*scale+0.5) / scale; v >= low*(1-1e-12) && v < high {
			value = v
		}
	}
	return value, width
}

// atRank returns the frame time of rank r, from 1 for the shortest, and
// whether it is exact.
func (a *Accumulator) atRank(r int64) (float64, bool) {
	seen := int64(0)
	for i, p := range a.page {
		if p == nil {
			continue
		}
		if total := a.pageCount(i); seen+total < r {
			seen += total
			continue
		}
		for j, c := range p {
			if seen += int64(c); seen >= r {
				return a.exactly(uint64(i)<<pageBits + uint64(j))
			}
		}
	}
	return math.NaN(), false
}

func (a *Accumulator) exactly(k uint64) (float64, bool) {
	v, width := a.cell(k)
	unit := a.grid.unit()
	return v, unit > 0 && width < unit
}

// pageCount returns the frames of a page, from the totals that Report takes
// once for all its percentiles.
func (a *Accumulator) pageCount(i int) int64 {
	if a.totals != nil {
		return a.totals[i]
	}
	total := int64(0)
	for _, c := range a.page[i] {
		total += int64(c)
	}
	return total
}

// quantile returns the p-quantile of the frame times, and whether it is exact.
func (a *Accumulator) quantile(p float64, d Definition) (float64, bool) {
	l, u, w := d.ranks(a.n, p)
	low, e1 := a.atRank(l)
	high, e2 := a.atRank(u)
	return mix(low, high, w), e1 && e2
}

// slowMean is the mean of the k slowest frames in ms: those kept one by one as
// they are, the rest by their part of the histogram. slow is sorted, the
// longest first.
func (a *Accumulator) slowMean(k int64, slow []slowFrame) float64 {
	left, skip, sum := k, int64(0), 0.0
	for _, f := range slow {
		if left == 0 {
			break
		}
		sum += f.ms
		left--
		skip++
	}
	for i := len(a.page) - 1; i >= 0 && left > 0; i-- {
		p := a.page[i]
		if p == nil {
			continue
		}
		for j := len(p) - 1; j >= 0 && left > 0; j-- {
			c := int64(p[j])
			over := min(skip, c)
			skip -= over
			if c = min(left, c-over); c > 0 {
				v, _ := a.cell(uint64(i)<<pageBits + uint64(j))
				sum += float64(c) * v
				left -= c
			}
		}
	}
	return sum / float64(k-left)
}

// longerThan counts frames above a time in ms.
func (a *Accumulator) longerThan(ms float64) int64 {
	count := int64(0)
	for i, p := range a.page {
		if p == nil {
			continue
		}
		if top, _ := a.cell(uint64(i+1)<<pageBits - 1); top <= ms {
			continue
		}
		for j, c := range p {
			if c > 0 {
				if v, _ := a.cell(uint64(i)<<pageBits + uint64(j)); v > ms {
					count += int64(c)
				}
			}
		}
	}
	return count
}
