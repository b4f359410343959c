package reference

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// An Outlier is a score that stands off from the others further than chance
// explains. It is a question to the technician and never a deletion.
type Outlier struct {
	Index int     `json:"index"` // place in the set, from 0
	Name  string  `json:"name,omitempty"`
	Value float64 `json:"value"`
	// G is the distance from the mean in standard deviations, Critical its limit
	// at the given two-sided significance, and P the probability, 0 to 1, of a G
	// as large in a normal set without an outlier (an upper bound).
	G            float64 `json:"g"`
	Critical     float64 `json:"critical"`
	P            float64 `json:"p"`
	Significance float64 `json:"significance"`
}

// GrubbsCritical returns the critical value of Grubbs' two-sided test for one
// outlier among n scores, n from 3, at the significance alpha, 0 < alpha < 1.
// The one-sided test at alpha has the critical value of the two-sided one at
// 2·alpha.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1.
func GrubbsCritical(n int, alpha float64) (float64, error) {
	if n < 3 {
		return 0, fmt.Errorf("Grubbs' test needs at least 3 scores, there are %d", n)
	}
	if !(alpha > 0 && alpha < 1) {
		return 0, fmt.Errorf("a significance lies between 0 and 1, not at %g", alpha)
	}
	m := float64(n)
	t := studentQuantile(alpha/(2*m), m-2)
	return (m - 1) / math.Sqrt(m) * math.Sqrt(t*t/(m-2+t*t)), nil
}

// Grubbs tests the score furthest from the mean with the two-sided test at the
// significance alpha. flagged says that it is an outlier; the Outlier holds the
// figures either way. Scores that are all equal have no outlier.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1.
func Grubbs(scores []float64, alpha float64) (o Outlier, flagged bool, err error) {
	d, err := Describe(scores)
	if err != nil {
		return Outlier{}, false, err
	}
	critical, err := GrubbsCritical(d.N, alpha)
	if err != nil {
		return Outlier{}, false, err
	}
	o = Outlier{Critical: critical, Significance: alpha, P: 1, Value: scores[0]}
	if d.SD == 0 {
		return o, false, nil
	}
	for i, x := range scores {
		if g := math.Abs(x-d.Mean) / d.SD; g > o.G {
			o.Index, o.Value, o.G = i, x, g
		}
	}
	o.P = grubbsP(o.G, float64(d.N))
	return o, o.G > critical, nil
}

// grubbsP inverts the critical value: the significance at which g is critical.
func grubbsP(g, n float64) float64 {
	room := (n-1)*(n-1) - n*g*g
	if room <= 0 {
		return 0
	}
	t := math.Sqrt(n * (n - 2) * g * g / room)
	return math.Min(1, 2*n*distuv.StudentsT{Sigma: 1, Nu: n - 2}.CDF(-t))
}

var errSpread = errors.New("all scores are equal")
