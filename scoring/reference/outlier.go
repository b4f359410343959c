package reference

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// outlierSignificance is the two-sided significance at which a score stands off
// from its set (common practice, no source).
const outlierSignificance = 0.05

// An Outlier is a score that stands off from the others further than chance
// explains. It is a question to the technician and never a deletion.
type Outlier struct {
	Index int     `json:"index"` // place in the set, from 0
	Name  string  `json:"name,omitempty"`
	Value float64 `json:"value"`
	Kept  bool    `json:"kept,omitempty"` // looked into, and found good
	// R is the distance from the mean in standard deviations, both of the scores that
	// were left when it was the furthest; Critical is its limit.
	R        float64 `json:"r"`
	Critical float64 `json:"critical"`
}

// esdCritical returns the critical value of the i-th step, i from 1, of the
// generalised extreme Studentised deviate test of n scores at the two-sided
// significance alpha, 0 < alpha < 1. n − i is 2 at the least. Its first step is
// Grubbs' test, whose one-sided form at alpha is the two-sided one at 2·alpha.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3 and 1.3.5.17.1.
func esdCritical(n, i int, alpha float64) float64 {
	left := float64(n - i)
	t := distuv.StudentsT{Sigma: 1, Nu: left - 1}.Quantile(1 - alpha/(2*(left+1)))
	return left * t / math.Sqrt((left-1+t*t)*(left+1))
}

// outliers finds the scores that stand off from the others, up to a quarter of them
// and two at the least, of five or more: the generalised extreme Studentised deviate test takes away the score
// furthest from the mean of those that are left, again and again, so that several
// do not hide each other. The last step that is critical says how many they are.
// Sets of fewer than fifteen are tested more readily than 5 % says.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3.
func outliers(scores []float64) []Outlier {
	n := len(scores)
	left := make([]int, n) // places of the scores that are left
	for i := range left {
		left[i] = i
	}
	var found []Outlier
	count := 0
	most := max(n/4, 2)
	if n < MinScores {
		most = min(1, n-2)
	}
	for i := 1; i <= most; i++ {
		values := make([]float64, len(left))
		for k, place := range left {
			values[k] = scores[place]
		}
		d, err := describe(values)
		if err != nil || d.SD == 0 {
			break
		}
		furthest := 0
		for k, x := range values {
			if math.Abs(x-d.Mean) > math.Abs(values[furthest]-d.Mean) {
				furthest = k
			}
		}
		o := Outlier{Index: left[furthest], Value: values[furthest], Critical: esdCritical(n, i, outlierSignificance)}
		o.R = math.Abs(o.Value-d.Mean) / d.SD
		found = append(found, o)
		if o.R > o.Critical {
			count = i
		}
		left = slices.Delete(left, furthest, furthest+1)
	}
	return found[:count]
}
