package pacing

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Repeatability is what several runs under the same conditions show.
type Repeatability struct {
	N        int     `json:"n"`
	Mean     float64 `json:"mean"`
	SD       float64 `json:"s"`
	CV       float64 `json:"cv"` // SD / Mean
	Range    float64 `json:"range"`
	Critical float64 `json:"critical_range"` // f(n)·s: exceeded by 1 set of n runs in 20
}

// rangeFactor is f(n), the 95 % point of the range of n standard normal
// values: by how many standard deviations the largest and the smallest of n
// runs differ at most, 19 times in 20 (ISO 5725-6:1994, 4.1.4 and table 1,
// from memory). n from 2 to 1000; NaN outside.
func rangeFactor(n int) float64 {
	if n < 2 || n > 1000 {
		return math.NaN()
	}
	low, high := 0.0, 12.0
	for range 60 {
		mid := (low + high) / 2
		if rangeBelow(mid, n) < 0.95 {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// rangeBelow is the probability that the range of n normal values is below w:
// n ∫ φ(z) [Φ(z) − Φ(z−w)]ⁿ⁻¹ dz, where z is the largest of them.
func rangeBelow(w float64, n int) float64 {
	density := func(z float64) float64 {
		others := distuv.UnitNormal.CDF(z) - distuv.UnitNormal.CDF(z-w)
		return float64(n) * distuv.UnitNormal.Prob(z) * math.Pow(others, float64(n-1))
	}
	return quad.Fixed(density, -8, 8+w, 160, quad.Legendre{}, 0)
}

// Repeat compares the results of runs.
func Repeat(runs []float64) (Repeatability, error) {
	n := len(runs)
	if n < 2 {
		return Repeatability{}, errors.New("repeatability needs two runs or more")
	}
	r := Repeatability{N: n, Range: slices.Max(runs) - slices.Min(runs)}
	r.Mean, r.SD = stat.MeanStdDev(runs, nil)
	if math.IsNaN(r.SD) || math.IsInf(r.SD, 0) {
		return Repeatability{}, errors.New("a run has no finite result")
	}
	r.CV = r.SD / r.Mean
	r.Critical = rangeFactor(n) * r.SD
	return r, nil
}
