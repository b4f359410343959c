package reference

import (
	"errors"
	"math"
)

var errNoRoot = errors.New("the equation has no solution in reach")

// root finds the zero of the rising function f, searching outward from start,
// to about 1e-14 of its size or of 1, whichever is larger.
//
// A bracket is narrowed by false position. Its weakness is an end that stays
// where it is; by the Illinois rule the value kept there is halved, and every
// eighth step is a bisection, so that no function takes long.
func root(f func(float64) float64, start float64) (float64, error) {
	low, high := start, start
	atLow := f(start)
	atHigh := atLow
	for step := 0.05; atLow > 0 || atHigh < 0; step *= 1.6 {
		if step > 1e10 {
			return 0, errNoRoot
		}
		if atLow > 0 {
			high, atHigh = low, atLow
			low -= step
			atLow = f(low)
		} else {
			low, atLow = high, atHigh
			high += step
			atHigh = f(high)
		}
	}
	if math.IsNaN(atLow) || math.IsNaN(atHigh) {
		return 0, errNoRoot
	}
	last, kept := math.Inf(1), 0 // kept is the end that stayed: -1 the lower, 1 the upper
	for i := range 200 {
		x := high - atHigh*(high-low)/(atHigh-atLow)
		if i%8 == 7 || !(x > low && x < high) {
			x = low + (high-low)/2
		}
		if math.Abs(x-last) <= 1e-14*math.Max(1, math.Abs(x)) {
			break
		}
		last = x
		if at := f(x); at < 0 {
			low, atLow = x, at
			if kept == 1 {
				atHigh /= 2
			}
			kept = 1
		} else {
			high, atHigh = x, at
			if kept == -1 {
				atLow /= 2
			}
			kept = -1
		}
	}
	return last, nil
}
