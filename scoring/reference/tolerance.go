package reference

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// sides says whether a range is bounded on one side or on both.
type sides int

const (
	bothSides sides = iota
	oneSide
)

// toleranceFactor returns the exact factor k of the normal tolerance range of n
// scores, n from 2: with the given confidence, mean ± k·s holds at least the
// given coverage of all cards (bothSides), or at least that lies on the good
// side of mean + k·s or mean − k·s (oneSide). 0.5 ≤ coverage < 1,
// 0 < confidence < 1.
func toleranceFactor(n int, coverage, confidence float64, s sides) (float64, error) {
	factor := twoSidedFactor
	if s == oneSide {
		factor = oneSidedFactor
	}
	k, err := factor(n, coverage, confidence)
	if err != nil {
		err = fmt.Errorf("tolerance factor for n = %d, coverage %g, confidence %g: %w", n, coverage, confidence, err)
	}
	return k, err
}

// twoSidedFactor solves
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
func twoSidedFactor(n int, coverage, confidence float64) (float64, error) {
	half := distuv.UnitNormal.Quantile((1 + coverage) / 2)
	var failed error
	nodes := meanErrors([]float64{0, 2, 5, 9}, func(z float64) float64 {
		x := z / math.Sqrt(float64(n))
		r, err := root(func(r float64) float64 {
			return distuv.UnitNormal.CDF(x+r) - distuv.UnitNormal.CDF(x-r) - coverage
		}, x+half)
		failed = errors.Join(failed, err)
		return r
	})
	if failed != nil {
		return 0, failed
	}
	for i := range nodes {
		nodes[i].weight *= 2 // errors of the mean to the other side need as much
	}
	return factorOf(nodes, n, confidence, half)
}

// oneSidedFactor is t/√n with t the quantile of the non-central t distribution
// with n−1 degrees of freedom and the non-centrality z√n.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3.
func oneSidedFactor(n int, coverage, confidence float64) (float64, error) {
	rootN := math.Sqrt(float64(n))
	z := distuv.UnitNormal.Quantile(coverage)
	if z*rootN <= 30 {
		k := distuv.NoncentralT{Nu: float64(n - 1), Mu: z * rootN}.Quantile(confidence) / rootN
		if math.IsNaN(k) {
			return 0, errNoRoot
		}
		return k, nil
	}
	return manyScoresFactor(n, z, confidence)
}

// manyScoresFactor stands in for the library's series, which loses its digits in
// exp(−δ²/2) at a large non-centrality. With so many scores the bound lies above
// their mean whatever the error of that, and an integral does.
func manyScoresFactor(n int, z, confidence float64) (float64, error) {
	nodes := meanErrors([]float64{-9, -5, -2, 0, 2, 5, 9}, func(meanError float64) float64 {
		return z + meanError/math.Sqrt(float64(n))
	})
	return factorOf(nodes, n, confidence, z)
}

// A meanError is one node of the integral over the error of the mean: reach is
// how far from the erring mean the end of the range has to lie, in true
// standard deviations.
type meanError struct{ reach, weight float64 }

// meanErrors cuts the error z of the mean, in its standard errors, at edges and
// spreads nodes over each piece.
func meanErrors(edges []float64, reach func(z float64) float64) []meanError {
	const perPiece = 24
	var nodes []meanError
	x, w := make([]float64, perPiece), make([]float64, perPiece)
	for i := 1; i < len(edges); i++ {
		quad.Legendre{}.FixedLocations(x, w, edges[i-1], edges[i])
		for j, z := range x {
			nodes = append(nodes, meanError{reach(z), w[j] * distuv.UnitNormal.Prob(z)})
		}
	}
	return nodes
}

// factorOf finds the k for which k·s is at least the reach of the mean's error
// with the given confidence. It searches for ln k, because k runs from 0.5 to
// several thousand.
func factorOf(nodes []meanError, n int, confidence, start float64) (float64, error) {
	nu := float64(n - 1)
	logK, err := root(func(logK float64) float64 {
		k := math.Exp(logK)
		var total float64
		for _, node := range nodes {
			r := node.reach / k
			total += node.weight * mathext.GammaIncRegComp(nu/2, nu*r*r/2)
		}
		return total - confidence
	}, math.Log(start))
	return math.Exp(logK), err
}

var errNoRoot = errors.New("the equation has no solution in reach")

// root finds the zero of the rising function f to about 1e-14 of its size or of 1,
// whichever is larger: it searches outward from start until the zero lies between
// two places, and halves what is between them.
func root(f func(float64) float64, start float64) (float64, error) {
	low, high := start, start
	for step := 0.05; f(low) > 0; step *= 1.6 {
		high, low = low, low-step
	}
	for step := 0.05; f(high) < 0; step *= 1.6 {
		low, high = high, high+step
	}
	if !(f(low) <= 0 && f(high) >= 0) || math.IsInf(high-low, 0) {
		return 0, errNoRoot
	}
	for high-low > 1e-14*math.Max(1, math.Abs(low)) {
		mid := low + (high-low)/2
		if mid == low || mid == high {
			break
		}
		if f(mid) < 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return low + (high-low)/2, nil
}

// almost lets a confidence that is reached on paper miss by its rounding.
const almost = 1e-12

// distributionFreeN returns the fewest scores of which the smallest and the
// largest hold at least the given coverage of all cards with the given
// confidence, whatever their distribution (bothSides), or of which one of them
// bounds it (oneSide).
//
// Source: Wilks, Annals of Mathematical Statistics 12 (1941), 91:
// 1 − n·p^(n−1) + (n−1)·pⁿ ≥ C and 1 − pⁿ ≥ C; from memory.
func distributionFreeN(coverage, confidence float64, s sides) (int, error) {
	const most = 1 << 40
	n := sort.Search(most, func(n int) bool { return rangeConfidence(n, 1, coverage, s) >= confidence-almost })
	if n == most {
		return 0, errors.New("no number of scores is enough")
	}
	return n, nil
}

// distributionFreeRank returns the rank r, from 1, for which the r-th smallest
// and the r-th largest of n scores (bothSides), or one of them (oneSide), are
// the narrowest distribution-free range of the given coverage and confidence,
// and the confidence it reaches. ok is false when n is below
// [distributionFreeN].
//
// Source: Meeker, Hahn and Escobar, Statistical Intervals, 2nd ed. 2017,
// chapter 5: the coverage between order statistics follows a beta distribution;
// from memory.
func distributionFreeRank(n int, coverage, confidence float64, s sides) (rank int, reached float64, ok bool) {
	for r := 1; r <= n/2; r++ {
		c := rangeConfidence(n, r, coverage, s)
		if c < confidence-almost {
			break
		}
		rank, reached, ok = r, c, true
	}
	return rank, reached, ok
}

// rangeConfidence is the confidence that the range between the r-th scores from
// both ends, or from one end on, holds at least coverage.
func rangeConfidence(n, r int, coverage float64, s sides) float64 {
	cut := float64(r) // scores left outside and on the ends
	if s == bothSides {
		cut = float64(2 * r)
	}
	inner := float64(n) + 1 - cut
	if inner <= 0 {
		return 0
	}
	return 1 - mathext.RegIncBeta(inner, cut, coverage)
}
