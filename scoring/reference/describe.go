// Package reference decides whether a new score belongs with the scores of
// known-good cards of its family on its bench.
//
// Scores in one unit come in, of the family and of the control card; a verdict
// with the range it rests on, the doubts about the set, and what would settle
// an open question go out. It deletes no score, reads no files and keeps no
// sets. All figures are in the unit of the scores; probabilities run from 0
// to 1.
package reference

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"proveout/scoring/conformity"
)

// A Description sums a set of scores up, in the unit of the scores.
type Description struct {
	N    int     `json:"n"`
	Mean float64 `json:"mean"`
	// SD is the sample standard deviation with the divisor n-1; 0 for one score.
	SD     float64 `json:"sd"`
	Median float64 `json:"median"`
	// MAD is the median of the distances from the median, and RobustSD the
	// standard deviation of a normal distribution with that MAD.
	MAD      float64 `json:"mad"`
	RobustSD float64 `json:"robust_sd"`
	Min      float64 `json:"min"`
	Max      float64 `json:"max"`
}

// madToSD is 1/Φ⁻¹(3/4).
const madToSD = 1.4826022185056018

// describe sums scores up. The mean is taken with compensated summation, and the
// library's variance corrects the rounding of its own, so that scores which agree
// in their first eight digits keep theirs. No score, or one that is not a finite
// number, is an error.
func describe(scores []float64) (Description, error) {
	if len(scores) == 0 {
		return Description{}, errors.New("there are no scores")
	}
	for i, x := range scores {
		if !finite(x) {
			return Description{}, fmt.Errorf("score %d is not a number", i+1)
		}
	}
	n := float64(len(scores))
	d := Description{N: len(scores), Mean: floats.SumCompensated(scores) / n}
	if len(scores) > 1 {
		d.SD = math.Sqrt(max(0, stat.Variance(scores, nil)))
	}
	if !finite(d.Mean) || !finite(d.SD) {
		return Description{}, errors.New("the scores are too large to compute with")
	}
	d.Median, d.Min, d.Max = conformity.Median(scores), slices.Min(scores), slices.Max(scores)
	distances := make([]float64, len(scores))
	for i, x := range scores {
		distances[i] = math.Abs(x - d.Median)
	}
	d.MAD = conformity.Median(distances)
	d.RobustSD = madToSD * d.MAD
	return d, nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
