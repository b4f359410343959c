package reference

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Sides says whether a range is bounded on one side or on both.
type Sides int

// The sides of a range.
const (
	BothSides Sides = iota
	OneSide
)

func checkFactor(n int, coverage, confidence float64) error {
	if n < 2 {
		return fmt.Errorf("a tolerance factor needs at least 2 scores, there are %d", n)
	}
	return checkShares(coverage, confidence)
}

func checkShares(coverage, confidence float64) error {
	if !(coverage >= 0.5 && coverage < 1) {
		return fmt.Errorf("a coverage lies from 0.5 up to 1, not at %g", coverage)
	}
	if !(confidence > 0 && confidence < 1) {
		return fmt.Errorf("a confidence lies between 0 and 1, not at %g", confidence)
	}
	return nil
}

// TwoSidedFactor returns the exact factor k of the two-sided normal tolerance
// interval mean ± k·s of n scores, n from 2: with the given confidence it holds
// at least the given coverage of all cards (0.5 ≤ coverage < 1,
// 0 < confidence < 1). It solves
//
//	2 ∫₀^∞ φ(z) P(χ²(n−1) ≥ (n−1)·R(z/√n)²/k²) dz = confidence
//
// where R(x) is the half-width about a mean that is off by x which still holds
// the coverage: Φ(x+R) − Φ(x−R) = coverage. The integral is worked out by the
// Gauss–Legendre rule and k to about 10 significant digits.
//
// Source: Wald and Wolfowitz, Annals of Mathematical Statistics 17 (1946), 208;
// ISO 16269-6:2014, annex F; Meeker, Hahn and Escobar, Statistical Intervals,
// 2nd ed. 2017, tables J.5.
func TwoSidedFactor(n int, coverage, confidence float64) (float64, error) {
	if err := checkFactor(n, coverage, confidence); err != nil {
		return 0, err
	}
	nodes := reachNodes(n, coverage)
	nu := float64(n - 1)
	reached := func(logK float64) float64 {
		k := math.Exp(logK)
		var total float64
		for _, node := range nodes {
			r := node.reach / k
			total += node.weight * mathext.GammaIncRegComp(nu/2, nu*r*r/2)
		}
		return total - confidence
	}
	start, err := TwoSidedFactorHowe(n, coverage, confidence)
	if err != nil {
		return 0, err
	}
	logK, err := solveNear(reached, math.Log(start))
	if err != nil {
		return 0, fmt.Errorf("tolerance factor for n = %d, coverage %g, confidence %g: %w", n, coverage, confidence, err)
	}
	return math.Exp(logK), nil
}

// A reachNode is one node of the integral over the error of the mean: the
// half-width, in true standard deviations, which an interval about the erring
// mean needs, and the weight of the node.
type reachNode struct{ reach, weight float64 }

func reachNodes(n int, coverage float64) []reachNode {
	const perPiece = 24
	var nodes []reachNode
	x, w := make([]float64, perPiece), make([]float64, perPiece)
	for _, piece := range [][2]float64{{0, 2}, {2, 5}, {5, 9}} {
		quad.Legendre{}.FixedLocations(x, w, piece[0], piece[1])
		for i, z := range x {
			density := math.Exp(-z*z/2) / math.Sqrt(2*math.Pi)
			nodes = append(nodes, reachNode{reach: reach(z/math.Sqrt(float64(n)), coverage), weight: 2 * w[i] * density})
		}
	}
	return nodes
}

// reach solves Φ(x+R) − Φ(x−R) = coverage for R by Newton's method kept inside
// a bracket, x from 0 up.
func reach(x, coverage float64) float64 {
	high := x + distuv.UnitNormal.Quantile((1+coverage)/2)
	low := 0.0
	r := high
	for range 100 {
		excess := distuv.UnitNormal.CDF(x+r) - distuv.UnitNormal.CDF(x-r) - coverage
		if excess > 0 {
			high = r
		} else {
			low = r
		}
		next := r - excess/(distuv.UnitNormal.Prob(x+r)+distuv.UnitNormal.Prob(x-r))
		if !(next > low && next < high) {
			next = low + (high-low)/2
		}
		if math.Abs(next-r) <= 1e-15*next {
			return next
		}
		r = next
	}
	return r
}

// TwoSidedFactorHowe returns Howe's approximation of [TwoSidedFactor], without
// Guenther's correction. The judgement does not use it; it is kept to compare
// with tables that print it.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3; Howe,
// Journal of the American Statistical Association 64 (1969), 610.
func TwoSidedFactorHowe(n int, coverage, confidence float64) (float64, error) {
	if err := checkFactor(n, coverage, confidence); err != nil {
		return 0, err
	}
	m := float64(n)
	z := distuv.UnitNormal.Quantile((1 + coverage) / 2)
	chi2 := 2 * mathext.GammaIncRegInv((m-1)/2, 1-confidence)
	return z * math.Sqrt((m-1)*(1+1/m)/chi2), nil
}

// OneSidedFactor returns the exact factor k of the one-sided normal tolerance
// bound mean + k·s or mean − k·s of n scores, n from 2: with the given
// confidence at least the given coverage of all cards lies on the good side of
// it. It is t/√n with t the quantile of the non-central t distribution with
// n−1 degrees of freedom and the non-centrality z√n.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3.
func OneSidedFactor(n int, coverage, confidence float64) (float64, error) {
	if err := checkFactor(n, coverage, confidence); err != nil {
		return 0, err
	}
	root := math.Sqrt(float64(n))
	delta := distuv.UnitNormal.Quantile(coverage) * root
	cdf := distuv.NoncentralT{Nu: float64(n - 1), Mu: delta}.CDF
	if delta > 30 {
		// The series of the library loses its digits in exp(−δ²/2).
		cdf = noncentralT{nu: float64(n - 1), delta: delta}.cdf
	}
	// The factor is about z plus its standard error times the quantile of the
	// confidence; for few scores it is larger, and the search widens.
	z := delta / root
	start := math.Max(0.1, z+math.Max(0, distuv.UnitNormal.Quantile(confidence))*math.Sqrt((1+z*z/2)/float64(n)))
	if confidence < 0.5 {
		// Below one half the factor may be negative and is searched as it is.
		k, err := solveNear(func(k float64) float64 { return cdf(k*root) - confidence }, z)
		return k, err
	}
	logK, err := solveNear(func(logK float64) float64 { return cdf(math.Exp(logK)*root) - confidence }, math.Log(start))
	if err != nil {
		return 0, fmt.Errorf("tolerance factor for n = %d, coverage %g, confidence %g: %w", n, coverage, confidence, err)
	}
	return math.Exp(logK), nil
}

// noncentralT is the non-central t distribution by numerical integration, for
// a non-centrality delta above 10: P(T ≤ t) = ∫φ(z)·P(χ²(ν) ≥ ν(z+δ)²/t²)dz.
type noncentralT struct{ nu, delta float64 }

func (d noncentralT) cdf(t float64) float64 {
	if t <= 0 {
		return 0
	}
	tail := func(z float64) float64 {
		q := (z + d.delta) / t
		return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) * mathext.GammaIncRegComp(d.nu/2, d.nu*q*q/2)
	}
	var total float64
	for z := -9.0; z < 9; z += 3 {
		total += quad.Fixed(tail, z, z+3, 24, quad.Legendre{}, 0)
	}
	return total
}

// DistributionFreeN returns the fewest scores of which the smallest and the
// largest hold at least the given coverage of all cards with the given
// confidence, whatever their distribution (BothSides), or of which one of them
// bounds it (OneSide).
//
// Source: Wilks, Annals of Mathematical Statistics 12 (1941), 91:
// 1 − n·p^(n−1) + (n−1)·pⁿ ≥ C and 1 − pⁿ ≥ C; from memory.
func DistributionFreeN(coverage, confidence float64, sides Sides) (int, error) {
	if err := checkShares(coverage, confidence); err != nil {
		return 0, err
	}
	enough := func(n int) bool { return rangeConfidence(n, 1, coverage, sides) >= confidence-1e-12 }
	high := 2
	for !enough(high) {
		if high > 1<<40 {
			return 0, errors.New("no number of scores is enough")
		}
		high *= 2
	}
	low := 1
	if sides == OneSide && enough(1) {
		return 1, nil
	}
	for high-low > 1 {
		middle := low + (high-low)/2
		if enough(middle) {
			high = middle
		} else {
			low = middle
		}
	}
	return high, nil
}

// DistributionFreeRank returns the rank r, from 1, for which the r-th smallest
// and the r-th largest of n scores (BothSides), or one of them (OneSide), are
// the narrowest distribution-free range of the given coverage and confidence,
// and the confidence it reaches. ok is false when n is below
// [DistributionFreeN].
//
// Source: Meeker, Hahn and Escobar, Statistical Intervals, 2nd ed. 2017,
// chapter 5: the coverage between order statistics follows a beta distribution;
// from memory.
func DistributionFreeRank(n int, coverage, confidence float64, sides Sides) (rank int, reached float64, ok bool) {
	if checkShares(coverage, confidence) != nil {
		return 0, 0, false
	}
	for r := 1; r <= n/2; r++ {
		c := rangeConfidence(n, r, coverage, sides)
		if c < confidence-1e-12 {
			break
		}
		rank, reached, ok = r, c, true
	}
	return rank, reached, ok
}

// rangeConfidence is the confidence that the range between the r-th scores from
// both ends, or from one end on, holds at least coverage.
func rangeConfidence(n, r int, coverage float64, sides Sides) float64 {
	cut := float64(r) // scores left outside and on the ends
	if sides == BothSides {
		cut = float64(2 * r)
	}
	inner := float64(n) + 1 - cut
	if inner <= 0 {
		return 0
	}
	return 1 - mathext.RegIncBeta(inner, cut, coverage)
}
