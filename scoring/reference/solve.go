package reference

import (
	"errors"
	"math"
)

var errNoRoot = errors.New("the equation has no solution in reach")

// solveNear finds the zero of the rising function f, searching outward from
// start, to about 1e-14 of its size or of 1, whichever is larger.
func solveNear(f func(float64) float64, start float64) (float64, error) {
	low, high, step := start, start, 0.05
	atLow := f(start)
	atHigh := atLow
	for range 60 {
		switch {
		case math.IsNaN(atLow) || math.IsNaN(atHigh):
			return 0, errNoRoot
		case atLow > 0:
			high, atHigh = low, atLow
			low -= step
			atLow = f(low)
		case atHigh < 0:
			low, atLow = high, atHigh
			high += step
			atHigh = f(high)
		default:
			return solveBetween(f, low, high, atLow, atHigh), nil
		}
		step *= 1.6
	}
	return 0, errNoRoot
}

// solveBetween narrows a bracket by the Illinois variant of false position,
// with a bisection whenever that is slow.
func solveBetween(f func(float64) float64, low, high, atLow, atHigh float64) float64 {
	side := 0
	last := math.Inf(1)
	for i := range 200 {
		width := high - low
		if atLow == 0 {
			return low
		}
		if atHigh == 0 || width <= 4e-16*math.Max(math.Abs(low), math.Abs(high)) || width < 1e-15 {
			return high
		}
		x := high - atHigh*width/(atHigh-atLow)
		if i%8 == 7 || !(x > low && x < high) {
			x = low + width/2
			if x == low || x == high {
				return high
			}
		}
		if math.Abs(x-last) <= 1e-14*math.Max(1, math.Abs(x)) {
			return x
		}
		last = x
		at := f(x)
		switch {
		case at == 0:
			return x
		case at < 0:
			low, atLow = x, at
			if side == -1 {
				atHigh /= 2
			}
			side = -1
		default:
			high, atHigh = x, at
			if side == 1 {
				atLow /= 2
			}
			side = 1
		}
	}
	return high
}
