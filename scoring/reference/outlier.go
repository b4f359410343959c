package reference

import (
	"math"

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
	// G is the distance from the mean in standard deviations, Critical its limit.
	G        float64 `json:"g"`
	Critical float64 `json:"critical"`
}

// grubbsCritical returns the critical value of Grubbs' two-sided test for one
// outlier among n scores, n from 3, at the significance alpha, 0 < alpha < 1.
// The one-sided test at alpha has the critical value of the two-sided one at
// 2·alpha.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1.
func grubbsCritical(n int, alpha float64) float64 {
	m := float64(n)
	t := distuv.StudentsT{Sigma: 1, Nu: m - 2}.Quantile(alpha / (2 * m))
	return (m - 1) / math.Sqrt(m) * math.Sqrt(t*t/(m-2+t*t))
}

// grubbs tests the score furthest from the mean. flagged says that it is an
// outlier; the Outlier holds the figures either way. Fewer than three scores
// and scores that are all equal have no outlier.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1.
func grubbs(scores []float64, d Description) (o Outlier, flagged bool) {
	if d.N < 3 || d.SD == 0 {
		return Outlier{}, false
	}
	o = Outlier{Critical: grubbsCritical(d.N, outlierSignificance)}
	for i, x := range scores {
		if g := math.Abs(x-d.Mean) / d.SD; g > o.G {
			o.Index, o.Value, o.G = i, x, g
		}
	}
	return o, o.G > o.Critical
}
