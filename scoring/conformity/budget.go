package conformity

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"proveout/plans/fact"
)

// A Distribution names the shape that a contribution is taken to have, and
// with it the divisor that turns the stated figure into a standard
// uncertainty.
type Distribution string

// Fact is the distribution in words.
func (d Distribution) Fact() fact.Fact {
	return fact.New("conformity." + strings.ReplaceAll(strings.ToLower(string(d)), " ", "-"))
}

// The distributions, with the divisors of JCGM 100:2008.
const (
	Rectangular Distribution = "rectangular" // limits ±a, u = a/√3 (4.3.7)
	Normal      Distribution = "normal"      // expanded uncertainty with its k, u = U/k (4.3.3)
	TypeA       Distribution = "type A"      // standard deviation s of n readings, u = s/√n (4.2.3)
)

// A Contribution is one line of an uncertainty budget, in the unit of the result.
type Contribution struct {
	Name         fact.Fact    `json:"name"`
	Distribution Distribution `json:"distribution"`
	// Value is the half-width a (rectangular), the expanded uncertainty U
	// (normal) or the standard deviation s (type A). It is not negative.
	Value float64 `json:"value"`
	// K is the coverage factor of a normal Value, above zero; elsewhere unused.
	K float64 `json:"k,omitempty"`
	// N is the number of readings averaged in a type A contribution, at least 1.
	N int `json:"n,omitempty"`
	// DoF is the number of degrees of freedom. Zero means not stated: N-1 for a
	// type A contribution, infinite for the others (JCGM 100:2008, G.4.3).
	DoF float64 `json:"dof,omitempty"`
	// Standard is the standard uncertainty, and Share its part of the combined
	// variance, 0 to 1. Combine fills both.
	Standard float64 `json:"standard_uncertainty"`
	Share    float64 `json:"share"`
}

// InstrumentLimits is the contribution of an instrument with the limits ±a
// that its maker or its calibration states, in the unit of the reading. With k
// zero the limits are taken as rectangular, u = a/√3; with k stated as an
// expanded uncertainty, u = a/k.
func InstrumentLimits(name fact.Fact, a, k float64) Contribution {
	if k == 0 {
		return Contribution{Name: name, Distribution: Rectangular, Value: a}
	}
	return Contribution{Name: name, Distribution: Normal, Value: a, K: k}
}

// Resolution is the contribution of a display whose last digit counts in the
// given step: half a step, rectangular, so that u = step/√12.
//
// Source: JCGM 100:2008, F.2.2.1.
func Resolution(name fact.Fact, step float64) Contribution {
	return Contribution{Name: name, Distribution: Rectangular, Value: step / 2}
}

// Repeatability is the type A contribution of the mean of repeated readings,
// s/√n. It needs at least two finite readings. The library's variance corrects
// the rounding of its mean, so that readings which share their first digits keep
// their spread; of equal readings it may be a rounding below zero.
//
// Source: JCGM 100:2008, 4.2.3.
func Repeatability(name fact.Fact, readings []float64) (Contribution, error) {
	n := len(readings)
	if n < 2 {
		return Contribution{}, fmt.Errorf("repeatability needs at least two readings, there is %d", n)
	}
	for _, x := range readings {
		if !finite(x) {
			return Contribution{}, errors.New("a reading is not a number")
		}
	}
	s := math.Sqrt(max(0, stat.Variance(readings, nil)))
	return Contribution{Name: name, Distribution: TypeA, Value: s, N: n}, nil
}

// Readings are the contributions of readings of one quantity to the uncertainty
// of their mean: their scatter, where there are several, and the display, whose
// last digit counts in the given step; 0 says that it is not known. Equal readings
// show no more than that step: without it their uncertainty is not known either,
// which is an error.
func Readings(scatter, display fact.Fact, readings []float64, step float64) (lines []Contribution, err error) {
	if len(readings) > 1 {
		repeats, err := Repeatability(scatter, readings)
		if err == nil && repeats.Value == 0 && step == 0 {
			err = fact.New("conformity.equal-readings").Err()
		}
		if err != nil {
			return nil, err
		}
		lines = append(lines, repeats)
	}
	if step > 0 {
		lines = append(lines, Resolution(display, step))
	}
	return lines, nil
}

// Over returns c in a unit that is so many times as large.
func (c Contribution) Over(scale float64) Contribution {
	c.Value /= scale
	c.Standard /= scale
	return c
}

// standard returns the standard uncertainty of c.
func (c Contribution) standard() (float64, error) {
	if !finite(c.Value) || c.Value < 0 {
		why := fact.New("conformity.not-from-zero-up", "name", c.Name, "value", fact.In(c.Value, "").Whole())
		return 0, why.Err()
	}
	if math.IsNaN(c.DoF) || c.DoF < 0 {
		return 0, fmt.Errorf("degrees of freedom must be above 0, not %g", c.DoF)
	}
	divisor, err := c.divisor()
	if err != nil {
		return 0, err
	}
	return c.Value / divisor, nil
}

func (c Contribution) divisor() (float64, error) {
	switch c.Distribution {
	case Rectangular:
		return math.Sqrt(3), nil
	case Normal:
		if !(c.K > 0) || math.IsInf(c.K, 0) {
			return 0, errors.New("a normal contribution needs its coverage factor k above 0")
		}
		return c.K, nil
	case TypeA:
		if c.N < 1 {
			return 0, errors.New("a type A contribution needs the number of readings")
		}
		return math.Sqrt(float64(c.N)), nil
	}
	return 0, fmt.Errorf("no such distribution: %q", string(c.Distribution))
}

// freedom returns the degrees of freedom of c, possibly infinite.
func (c Contribution) freedom() float64 {
	switch {
	case c.DoF > 0:
		return c.DoF
	case c.Distribution == TypeA && c.N > 1:
		return float64(c.N - 1)
	}
	return math.Inf(1)
}

// A Budget is a combined standard uncertainty with the lines it came from.
type Budget struct {
	Contributions []Contribution `json:"contributions"`
	// Standard is the combined standard uncertainty, in the unit of the result.
	Standard float64 `json:"standard_uncertainty"`
	// DoF is the effective number of degrees of freedom; nil when infinite.
	DoF *float64 `json:"dof,omitempty"`
	// Expanded is U = K·u, which every verdict uses: K is 2, or more where the
	// degrees of freedom are few.
	K        float64 `json:"k"`
	Expanded float64 `json:"expanded_uncertainty"`
}

// Combine adds independent contributions in quadrature and gives every line
// its share. The effective degrees of freedom come from the Welch–Satterthwaite
// formula, and k from them for the coverage that 2 has without end of them. An
// empty list or a line that cannot be used is an error.
//
// Source: JCGM 100:2008, 5.1.2 (quadrature), G.4.1 and G.6.4 (degrees of freedom
// and k; between whole numbers of them k is interpolated), 6.2.1.
func Combine(contributions ...Contribution) (Budget, error) {
	if len(contributions) == 0 {
		return Budget{}, errors.New("an uncertainty budget needs at least one contribution")
	}
	lines := make([]Contribution, len(contributions))
	copy(lines, contributions)
	var norm float64
	for i := range lines {
		u, err := lines[i].standard()
		if err != nil {
			return Budget{}, err
		}
		lines[i].Standard = u
		norm = math.Hypot(norm, u)
	}
	if math.IsInf(norm, 0) {
		return Budget{}, errors.New("the combined uncertainty is too large to compute")
	}
	b := Budget{Contributions: lines, Standard: norm, K: 2}
	if norm > 0 {
		var inverse float64
		for i := range lines {
			ratio := lines[i].Standard / norm
			lines[i].Share = ratio * ratio
			inverse += lines[i].Share * lines[i].Share / lines[i].freedom()
		}
		if inverse > 0 {
			dof := 1 / inverse
			b.DoF, b.K = &dof, CoverageFactor(usualCoverage, dof)
			b.holdToReadings()
		}
	}
	b.Expanded = b.K * norm
	return b, nil
}

// holdToReadings takes so many degrees of freedom away that U is no less than the
// scatter of the readings alone gives: the formula would let a further contribution
// make two readings better known than they are. Our choice.
func (b *Budget) holdToReadings() {
	for _, line := range b.Contributions {
		if line.Distribution != TypeA {
			continue
		}
		least := CoverageFactor(usualCoverage, line.freedom()) * line.Standard / b.Standard
		for low := line.freedom(); b.K < least*(1-1e-9); {
			middle := (low + *b.DoF) / 2
			if k := CoverageFactor(usualCoverage, middle); k < least {
				*b.DoF, b.K = middle, k
			} else if low = middle; *b.DoF-low < 1e-9 {
				*b.DoF, b.K = low, k
			}
		}
	}
}

// usualCoverage is the share that ±2u holds of a normal distribution.
var usualCoverage = math.Erf(math.Sqrt2)

// Uncertainty returns u with its factor, ready for [Judge].
func (b Budget) Uncertainty() Uncertainty {
	u := Uncertainty{Standard: b.Standard, K: b.K}
	if b.DoF != nil {
		u.DoF = *b.DoF
	}
	return u
}

// CoverageFactor returns the two-sided factor k that covers the probability p,
// 0 < p < 1, with dof degrees of freedom, above 0 and possibly infinite. It is
// NaN for anything else.
//
// Source: JCGM 100:2008, G.3.2 and table G.2.
func CoverageFactor(p, dof float64) float64 {
	switch {
	case !(p > 0 && p < 1) || !(dof > 0):
		return math.NaN()
	case dof > almostNormal:
		return distuv.UnitNormal.Quantile((1 + p) / 2)
	}
	return distuv.StudentsT{Sigma: 1, Nu: dof}.Quantile((1 + p) / 2)
}

// almostNormal is the number of degrees of freedom above which the Student t
// distribution is taken as normal.
const almostNormal = 1e7
