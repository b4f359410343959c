package memory

import "math"

const axisBins = 64

// An axis counts rows along time or temperature in bins that widen as the
// span grows, so that it needs neither the span beforehand nor memory for it.
type axis struct {
	origin, width float64 // width 0: nothing seen yet
	count         [axisBins]int64
	sum           [axisBins]float64 // of the companion value, where known
	known         [axisBins]int64
	low, high     float64
}

// add counts one row at x; with is a companion value, NaN when unknown.
func (a *axis) add(x, with float64) {
	if !(math.Abs(x) < 1e15) { // NaN, infinite, absurd
		return
	}
	if a.width == 0 {
		// Start fine (1 ms, 1 m°C) and let the span widen the bins.
		a.origin, a.width, a.low, a.high = x-axisBins/2*1e-3, 1e-3, x, x
	}
	a.low, a.high = min(a.low, x), max(a.high, x)
	i := (x - a.origin) / a.width
	for !(i >= 0 && i < axisBins) {
		a.widen(i < 0)
		i = (x - a.origin) / a.width
	}
	k := int(i)
	a.count[k]++
	if !math.IsNaN(with) {
		a.sum[k] += with
		a.known[k]++
	}
}

// widen doubles the bins, making room below or above.
func (a *axis) widen(below bool) {
	var b axis
	shift := 0
	if below {
		shift = axisBins / 2
		a.origin -= axisBins * a.width
	}
	for i := range a.count {
		j := i/2 + shift
		b.count[j] += a.count[i]
		b.sum[j] += a.sum[i]
		b.known[j] += a.known[i]
	}
	a.count, a.sum, a.known = b.count, b.sum, b.known
	a.width *= 2
}
