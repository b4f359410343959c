// Package endurance says how long a card must run without its fault before the
// fault may be called gone.
//
// The complaint interval, the confidence asked for and the runs after the
// repair come in; the time or the number of passes needed, what the runs have
// shown, a verdict and what would settle it go out. Times are in seconds,
// temperatures in °C, confidences and reliabilities between 0 and 1. The fault
// is taken to strike at a constant rate (exponential times between strikes).
package endurance

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// factor returns χ²(C; 2r+2)/2, the multiple of a mean time between failures
// that a run of fixed length with at most r failures, r from 0, must last to
// show it with confidence C, 0 < C < 1. For no failure it is −ln(1 − C).
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.3.1.1 (test length
// guide) and 8.4.5.1 (confidence bounds).
func factor(confidence float64, failures int) float64 {
	if failures == 0 {
		return -math.Log1p(-confidence)
	}
	return mathext.GammaIncRegInv(float64(failures)+1, confidence)
}

// neededTime returns how long, in seconds, a run must last to show with the
// given confidence that the mean time between failures is at least mtbf seconds,
// when up to allowed failures are let pass: MTBF·χ²(C; 2r+2)/2.
//
// Source: as [factor].
func neededTime(mtbf, confidence float64, allowed int) float64 {
	return mtbf * factor(confidence, allowed)
}

// shownMTBF returns the lower confidence bound, in seconds, of the mean time
// between failures after a run of total seconds, from 0 up, that ended by the
// clock with the given number of failures: T divided by [factor]. It also holds,
// on the safe side, for a run that ended at a failure.
//
// Source: as [factor].
func shownMTBF(total float64, failures int, confidence float64) float64 {
	return total / factor(confidence, failures)
}

// quietByLuck returns the probability, 0 to 1, that a card whose fault still
// strikes every interval seconds on average shows it no more than so many times in
// total seconds: the sum of Poisson's law from 0 to allowed, which is e^(−T/X) where
// none is allowed.
func quietByLuck(total, interval float64, allowed int) float64 {
	if allowed == 0 {
		return math.Exp(-total / interval)
	}
	return mathext.GammaIncRegComp(float64(allowed)+1, total/interval)
}

// arrheniusFactor returns by how much faster a mechanism with an activation
// energy in eV runs at soak than at use, both in °C. It is an assumption about the
// fault and never a measurement.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.5.1; the Boltzmann
// constant of CODATA 2018.
func arrheniusFactor(activationEnergy, use, soak float64) float64 {
	const boltzmann = 8.617333262e-5 // eV/K
	return math.Exp(activationEnergy / boltzmann * (1/(use-absoluteZero) - 1/(soak-absoluteZero)))
}

const absoluteZero = -273.15 // °C

func checkConfidence(c float64) error {
	if !(c > 0 && c < 1) {
		return fmt.Errorf("a confidence lies between 0 and 1, not at %g", c)
	}
	return nil
}

// NeededPasses returns how many passes, each of which the fault would spoil
// with its chance, show with the given confidence that the chance of a good
// pass is at least reliability, when up to allowed spoilt passes are let go:
// the smallest n with P(Binomial(n, 1−R) ≤ r) ≤ 1 − C. Without failures it is
// the success run ln(1−C)/ln R, rounded up. 0 < reliability < 1.
//
// Source: success-run theorem (Bayes–Lipson form without prior is ln(1−C)/ln R;
// common practice); Clopper and Pearson, Biometrika 26 (1934), 404; from memory.
func NeededPasses(reliability, confidence float64, allowed int) (int, error) {
	if err := checkConfidence(confidence); err != nil {
		return 0, err
	}
	if !(reliability > 0 && reliability < 1) {
		return 0, fmt.Errorf("a reliability lies between 0 and 1, not at %g", reliability)
	}
	if allowed < 0 {
		return 0, fmt.Errorf("a number of failures is not below 0: %d", allowed)
	}
	enough := func(n int) bool {
		return shownByPasses(n, allowed, reliability) >= confidence*(1-1e-13)
	}
	high := allowed + 1
	for !enough(high) {
		if high > 1<<50 {
			return 0, errors.New("the number of passes is too large to compute")
		}
		high *= 2
	}
	low := allowed
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

// shownByPasses is the confidence that n passes with so many spoilt ones give to a
// chance of a good pass of at least reliability R:
// 1 − P(Binomial(n, 1−R) ≤ f) = 1 − I_R(n−f, f+1).
func shownByPasses(n, spoilt int, reliability float64) float64 {
	if spoilt >= n {
		return 0
	}
	if spoilt == 0 {
		return -math.Expm1(float64(n) * math.Log(reliability))
	}
	return 1 - mathext.RegIncBeta(float64(n-spoilt), float64(spoilt+1), reliability)
}

// ShownReliability returns the one-sided lower confidence bound, 0 to 1, of the
// chance of a good pass after n passes, n from 1, of which failures were
// spoilt. It is 0 when all were.
//
// Source: Clopper and Pearson, Biometrika 26 (1934), 404; from memory.
func ShownReliability(n, failures int, confidence float64) (float64, error) {
	if err := checkConfidence(confidence); err != nil {
		return 0, err
	}
	if n < 1 || failures < 0 || failures > n {
		return 0, fmt.Errorf("%d spoilt of %d passes is not possible", failures, n)
	}
	switch failures {
	case n:
		return 0, nil
	case 0:
		return math.Exp(math.Log1p(-confidence) / float64(n)), nil
	}
	return mathext.InvRegIncBeta(float64(n-failures), float64(failures+1), 1-confidence), nil
}
