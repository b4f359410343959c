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

func checkConfidence(c float64) error {
	if !(c > 0 && c < 1) {
		return fmt.Errorf("a confidence lies between 0 and 1, not at %g", c)
	}
	return nil
}

// Factor returns χ²(C; 2r+2)/2, the multiple of a mean time between failures
// that a run of fixed length with at most r failures, r from 0, must last to
// show it with confidence C, 0 < C < 1.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.3.1.1 (test length
// guide) and 8.4.5.1 (confidence bounds).
func Factor(confidence float64, failures int) (float64, error) {
	if err := checkConfidence(confidence); err != nil {
		return 0, err
	}
	if failures < 0 {
		return 0, fmt.Errorf("a number of failures is not below 0: %d", failures)
	}
	if failures == 0 {
		return -math.Log1p(-confidence), nil
	}
	return mathext.GammaIncRegInv(float64(failures)+1, confidence), nil
}

// NeededTime returns how long, in seconds, a run must last to show with the
// given confidence that the mean time between failures is at least multiple
// times interval, when up to allowed failures are let pass: m·X·χ²(C; 2r+2)/2.
// interval (seconds) and multiple are above zero.
//
// Source: as [Factor].
func NeededTime(interval, multiple, confidence float64, allowed int) (float64, error) {
	if !(interval > 0) || math.IsInf(interval, 0) {
		return 0, fmt.Errorf("the complaint interval is above 0 s, not %g", interval)
	}
	if !(multiple > 0) || math.IsInf(multiple, 0) {
		return 0, fmt.Errorf("the multiple of the complaint interval is above 0, not %g", multiple)
	}
	factor, err := Factor(confidence, allowed)
	if err != nil {
		return 0, err
	}
	return multiple * interval * factor, nil
}

// ShownMTBF returns the lower confidence bound, in seconds, of the mean time
// between failures after a run of total seconds, from 0 up, that ended by the
// clock with the given number of failures: T divided by [Factor]. It also holds,
// on the safe side, for a run that ended at a failure.
//
// Source: as [Factor].
func ShownMTBF(total float64, failures int, confidence float64) (float64, error) {
	if !(total >= 0) || math.IsInf(total, 0) {
		return 0, fmt.Errorf("a run lasts 0 s or more, not %g", total)
	}
	factor, err := Factor(confidence, failures)
	if err != nil {
		return 0, err
	}
	return total / factor, nil
}

// ShownConfidence returns the confidence, 0 to 1, with which a run of total
// seconds and the given number of failures shows a mean time between failures
// of at least mtbf seconds: the inverse of [ShownMTBF].
func ShownConfidence(total float64, failures int, mtbf float64) (float64, error) {
	if !(total >= 0) || math.IsInf(total, 0) {
		return 0, fmt.Errorf("a run lasts 0 s or more, not %g", total)
	}
	if !(mtbf > 0) || math.IsInf(mtbf, 0) {
		return 0, fmt.Errorf("a mean time between failures is above 0 s, not %g", mtbf)
	}
	if failures < 0 {
		return 0, fmt.Errorf("a number of failures is not below 0: %d", failures)
	}
	return mathext.GammaIncReg(float64(failures)+1, total/mtbf), nil
}

// QuietByLuck returns the probability, 0 to 1, that a card whose fault still
// strikes every interval seconds on average runs for total seconds without it:
// e^(−T/X).
func QuietByLuck(total, interval float64) (float64, error) {
	confidence, err := ShownConfidence(total, 0, interval)
	return 1 - confidence, err
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
		return shown(n, allowed, reliability) >= confidence*(1-1e-13)
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

// shown is the confidence that n passes with f spoilt ones give to a chance of
// a good pass of at least r: 1 − P(Binomial(n, 1−r) ≤ f) = I_r(n−f, f+1)
// turned round.
func shown(n, f int, r float64) float64 {
	if f >= n {
		return 0
	}
	if f == 0 {
		return -math.Expm1(float64(n) * math.Log(r))
	}
	return 1 - mathext.RegIncBeta(float64(n-f), float64(f+1), r)
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

// Boltzmann is the Boltzmann constant in eV/K (CODATA 2018).
const Boltzmann = 8.617333262e-5

// ArrheniusFactor returns by how much faster a mechanism with the activation
// energy ea, in eV and from 0 up, runs at soak than at use, both in °C above
// absolute zero. It is an assumption about the fault and never a measurement.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.5.1.
func ArrheniusFactor(ea, use, soak float64) (float64, error) {
	if !(ea >= 0) || math.IsInf(ea, 0) {
		return 0, fmt.Errorf("an activation energy is 0 eV or more, not %g", ea)
	}
	const zero = 273.15
	for _, t := range []float64{use, soak} {
		if !(t > -zero) || math.IsInf(t, 0) {
			return 0, fmt.Errorf("a temperature is above -273.15 °C, not %g", t)
		}
	}
	factor := math.Exp(ea / Boltzmann * (1/(use+zero) - 1/(soak+zero)))
	if math.IsInf(factor, 0) {
		return 0, errors.New("the acceleration is too large to compute")
	}
	return factor, nil
}
