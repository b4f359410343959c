package conformity

import (
	"errors"
	"fmt"
	"math"
	"strconv"

	"gonum.org/v1/gonum/stat/distuv"

	"proveout/plans/fact"
)

// A Rule says how the uncertainty of a value enters the verdict.
type Rule string

// The decision rules.
const (
	// Guarded passes a value whose whole interval value ± U lies inside the
	// limits, fails one whose interval lies wholly outside, and leaves the rest
	// inconclusive. The guard band is w = U.
	//
	// Source: JCGM 106:2012, 8.3.2 (guarded acceptance) and 8.3.3 (guarded
	// rejection); from memory.
	Guarded Rule = "guarded"
	// Simple looks at the value alone and shares the risk between the parties.
	//
	// Source: JCGM 106:2012, 8.2; from memory.
	Simple Rule = "simple"
)

// Limits are the tolerance limits of a value; a nil side is open. Text is how
// documents state them, where somebody said so: also what is expected where no
// number is.
type Limits struct {
	Low  *float64  `json:"low"`
	High *float64  `json:"high"`
	Text fact.Fact `json:"text,omitzero"`
}

// Between returns two-sided limits.
func Between(low, high float64) Limits { return Limits{Low: &low, High: &high} }

// AtLeast returns limits with a lower side alone.
func AtLeast(low float64) Limits { return Limits{Low: &low} }

// AtMost returns limits with an upper side alone.
func AtMost(high float64) Limits { return Limits{High: &high} }

// None reports whether both sides are open.
func (l Limits) None() bool { return l.Low == nil && l.High == nil }

func (l Limits) low() float64 {
	if l.Low == nil {
		return math.Inf(-1)
	}
	return *l.Low
}

func (l Limits) high() float64 {
	if l.High == nil {
		return math.Inf(1)
	}
	return *l.High
}

func (l Limits) check() error {
	if l.None() {
		return errors.New("no limit is stated")
	}
	for _, side := range []*float64{l.Low, l.High} {
		if side != nil && !finite(*side) {
			return errors.New("a limit is not a number")
		}
	}
	if l.low() > l.high() {
		return fmt.Errorf("the lower limit %g is above the upper limit %g", l.low(), l.high())
	}
	return nil
}

// An Uncertainty is a standard uncertainty u in the unit of its value, and the
// factor K of the expanded uncertainty U = K·u. A zero K means 2. DoF is the
// number of degrees of freedom of u, above 0; zero means that they are without
// end. A NaN or an infinite Standard says that the uncertainty is not known.
type Uncertainty struct {
	Standard float64 `json:"standard_uncertainty"`
	K        float64 `json:"k"`
	DoF      float64 `json:"dof,omitempty"`
}

// StandardUncertainty is u with the factor 2.
func StandardUncertainty(u float64) Uncertainty { return Uncertainty{Standard: u, K: 2} }

// ExpandedUncertainty is u = U/k as a calibration certificate states it. k is
// above zero.
func ExpandedUncertainty(expanded, k float64) Uncertainty {
	return Uncertainty{Standard: expanded / k, K: k}
}

// Expanded returns U = K·u.
func (u Uncertainty) Expanded() float64 { return u.factor() * u.Standard }

func (u Uncertainty) factor() float64 {
	if u.K == 0 {
		return 2
	}
	return u.K
}

// A Result is a verdict with the numbers it rests on, all in the unit of the
// value.
type Result struct {
	Verdict  Verdict `json:"verdict"`
	Rule     Rule    `json:"rule"`
	Value    Number  `json:"value"`
	Standard Number  `json:"standard_uncertainty"`
	Expanded Number  `json:"expanded_uncertainty"`
	K        Number  `json:"k"`
	DoF      Number  `json:"dof,omitempty"` // of Standard; 0: without end
	Limits   Limits  `json:"limits"`
	// GuardBand is w: U by the guarded rule, 0 by the simple one.
	GuardBand Number `json:"guard_band"`
	// Acceptance is the range in which a value passes: the limits drawn in by w.
	// NoneCanPass says that this range is empty, because the interval ±U is
	// wider than the limits.
	Acceptance  Limits `json:"acceptance"`
	NoneCanPass bool   `json:"none_can_pass"`
	// Probability is the probability that the true value lies inside the
	// limits, 0 to 1; NaN when the value or its uncertainty is not known.
	Probability Number `json:"probability"`
	// Settle says what would turn an inconclusive verdict into another; nil
	// when nothing is open.
	Settle *Settle `json:"settle,omitempty"`
}

// A Number is a finite number; what is not finite is written as null.
type Number float64

// MarshalJSON writes null for NaN and infinities.
func (n Number) MarshalJSON() ([]byte, error) {
	f := float64(n)
	if !finite(f) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, f, 'g', -1, 64), nil
}

// Settle is what would settle an inconclusive result, if a repeat shows the
// same value.
type Settle struct {
	// Verdict is the verdict that a finer measurement would bring, Pass or Fail.
	Verdict Verdict `json:"verdict"`
	// LargestExpanded is the largest U that still brings it: up to and with this
	// figure for Pass, below it for Fail. Zero says that the value lies on the
	// limit and no instrument settles it.
	LargestExpanded float64 `json:"largest_expanded_uncertainty"`
}

// roundoff is the difference by which a sum of decimal figures may miss a
// limit that it meets on paper: four units in the last place of the larger of
// value and limit. It does not depend on U, so that more uncertainty never
// helps.
func roundoff(value, limit float64) float64 {
	return 4 * 0x1p-52 * math.Max(math.Abs(value), math.Abs(limit))
}

// Judge decides whether value, known with u, conforms to limits under rule.
//
// A value that is not a finite number, or whose uncertainty is not known, is
// Inconclusive under either rule. By the guarded rule a value on an acceptance
// limit passes; figures that meet a limit on paper are not held against their
// rounding in the last binary places. Missing or crossed limits, a negative
// uncertainty, a negative k and an unknown rule are errors, and the verdict
// stays NotRun.
//
// Source: JCGM 106:2012, clauses 7 and 8; ILAC-G8:09/2019; from memory.
func Judge(value float64, u Uncertainty, limits Limits, rule Rule) (Result, error) {
	if err := limits.check(); err != nil {
		return Result{}, err
	}
	if u.Standard < 0 || !(u.K >= 0) || math.IsInf(u.K, 0) || !(u.DoF >= 0) {
		return Result{}, fmt.Errorf("an uncertainty is not negative: u = %g, k = %g", u.Standard, u.K)
	}
	if rule != Guarded && rule != Simple {
		return Result{}, fmt.Errorf("no such decision rule: %q", string(rule))
	}
	expanded := u.Expanded()
	r := Result{
		Verdict:     Inconclusive,
		Rule:        rule,
		Value:       Number(value),
		Standard:    Number(u.Standard),
		Expanded:    Number(expanded),
		K:           Number(u.factor()),
		DoF:         Number(u.DoF),
		Limits:      limits,
		Acceptance:  limits,
		Probability: Number(math.NaN()),
	}
	known := !math.IsNaN(u.Standard) && !math.IsInf(expanded, 0)
	guard := 0.0
	if known && rule == Guarded {
		guard = expanded
		r.GuardBand, r.Acceptance, r.NoneCanPass = Number(guard), limits.drawnIn(guard), tooNarrow(guard, limits)
	}
	if !known || !finite(value) {
		return r, nil
	}
	r.Probability = Number(u.probability(value, limits))
	r.Verdict = verdict(value, guard, limits)
	if r.Verdict == Inconclusive {
		margin := math.Min(value-limits.low(), limits.high()-value) // to the nearer limit, below 0 outside
		r.Settle = &Settle{Verdict: Pass, LargestExpanded: math.Max(margin, 0)}
		if margin < 0 {
			r.Settle = &Settle{Verdict: Fail, LargestExpanded: -margin}
		}
	}
	return r, nil
}

func (l Limits) drawnIn(w float64) Limits {
	var in Limits
	if l.Low != nil {
		low := *l.Low + w
		in.Low = &low
	}
	if l.High != nil {
		high := *l.High - w
		in.High = &high
	}
	return in
}

func verdict(value, w float64, limits Limits) Verdict {
	inside, outside := true, false
	if limits.Low != nil {
		low, slack := *limits.Low, roundoff(value, *limits.Low)
		inside = inside && value-w >= low-slack
		outside = outside || value+w < low-slack
	}
	if limits.High != nil {
		high, slack := *limits.High, roundoff(value, *limits.High)
		inside = inside && value+w <= high+slack
		outside = outside || value-w > high+slack
	}
	switch {
	case outside:
		return Fail
	case inside && !tooNarrow(w, limits):
		return Pass
	}
	return Inconclusive
}

// tooNarrow says that no interval of ±w fits between two limits.
func tooNarrow(w float64, limits Limits) bool {
	if limits.Low == nil || limits.High == nil {
		return false
	}
	return 2*w > *limits.High-*limits.Low+roundoff(*limits.Low, *limits.High)
}

// Probability returns the probability of conformance, 0 to 1: that a quantity
// with the normal distribution N(value, u²) lies within the limits. With u
// zero it is 1 on and inside the limits and 0 outside. It is NaN when value or
// u is NaN, or u is negative or infinite.
//
// Source: JCGM 106:2012, 7.2 (one limit), 7.3 (two limits); from memory.
func Probability(value, u float64, limits Limits) float64 {
	if !finite(value) || !(u >= 0) || math.IsInf(u, 0) {
		return math.NaN()
	}
	if u == 0 {
		if value >= limits.low() && value <= limits.high() {
			return 1
		}
		return 0
	}
	return between((limits.low()-value)/u, (limits.high()-value)/u)
}

// probability is [Probability] where few degrees of freedom make the true value
// follow a Student t distribution, scaled by u, about the value.
//
// Source: JCGM 101:2008, 6.4.9; JCGM 106:2012, 7.2; from memory.
func (u Uncertainty) probability(value float64, limits Limits) float64 {
	if u.DoF == 0 || u.DoF > almostNormal || !(u.Standard > 0) {
		return Probability(value, u.Standard, limits)
	}
	t := distuv.StudentsT{Sigma: 1, Nu: u.DoF}
	a, b := (limits.low()-value)/u.Standard, (limits.high()-value)/u.Standard
	if a > 0 { // in the upper tail, where differences of small numbers keep their digits
		a, b = -b, -a
	}
	return t.CDF(b) - t.CDF(a)
}

// between returns Φ(b) − Φ(a) for a ≤ b without loss in either tail.
func between(a, b float64) float64 {
	if a > 0 {
		return (math.Erfc(a/math.Sqrt2) - math.Erfc(b/math.Sqrt2)) / 2
	}
	return (math.Erfc(-b/math.Sqrt2) - math.Erfc(-a/math.Sqrt2)) / 2
}
