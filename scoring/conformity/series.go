package conformity

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Median returns the middle of the values, NaN for nothing.
func Median(values []float64) float64 {
	n := len(values)
	if n == 0 {
		return math.NaN()
	}
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	return sorted[(n-1)/2]/2 + sorted[n/2]/2
}

// Autocorrelation is the lag-1 autocorrelation coefficient of values in order of
// time; 0 of values that are all equal.
//
// Source: NIST/SEMATECH e-Handbook, 1.3.5.12; from memory.
func Autocorrelation(values []float64) float64 {
	mean := stat.Mean(values, nil)
	var all, neighbours float64
	for i, v := range values {
		all += (v - mean) * (v - mean)
		if i > 0 {
			neighbours += (v - mean) * (values[i-1] - mean)
		}
	}
	if all == 0 {
		return 0
	}
	return neighbours / all
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
