package reference

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// PredictionFactor returns the factor of the two-sided prediction interval
// mean ± factor·s which holds one new value from the same normal distribution
// as n scores, n from 2, with the given confidence, 0 < confidence < 1:
// t(n−1)·√(1 + 1/n).
//
// Source: Meeker, Hahn and Escobar, Statistical Intervals, 2nd ed. 2017,
// section 4.7; from memory.
func PredictionFactor(n int, confidence float64) (float64, error) {
	if n < 2 {
		return 0, fmt.Errorf("a prediction needs at least 2 scores, there are %d", n)
	}
	if !(confidence > 0 && confidence < 1) {
		return 0, fmt.Errorf("a confidence lies between 0 and 1, not at %g", confidence)
	}
	m := float64(n)
	return studentQuantile((1+confidence)/2, m-1) * math.Sqrt(1+1/m), nil
}

// studentQuantile also answers for infinite degrees of freedom.
func studentQuantile(p, dof float64) float64 {
	if dof > 1e7 {
		return distuv.UnitNormal.Quantile(p)
	}
	return distuv.StudentsT{Sigma: 1, Nu: dof}.Quantile(p)
}

func studentCDF(t, dof float64) float64 {
	if dof > 1e7 {
		return distuv.UnitNormal.CDF(t)
	}
	return distuv.StudentsT{Sigma: 1, Nu: dof}.CDF(t)
}

// PredictionRank returns the rank r, from 1, for which the next score lies
// between the r-th smallest and the r-th largest of n scores with at least the
// given confidence, whatever their distribution, and the confidence reached,
// 1 − 2r/(n+1). ok is false when n is below [PredictionN].
//
// Source: Meeker, Hahn and Escobar, Statistical Intervals, 2nd ed. 2017,
// section 5.4 (equal chances of the n+1 gaps between scores); from memory.
func PredictionRank(n int, confidence float64) (rank int, reached float64, ok bool) {
	if !(confidence > 0 && confidence < 1) || n < 1 {
		return 0, 0, false
	}
	rank = int(math.Floor(float64(n+1)*(1-confidence)/2 + 1e-9))
	rank = min(rank, (n+1)/2)
	if rank < 1 {
		return 0, 0, false
	}
	return rank, 1 - 2*float64(rank)/float64(n+1), true
}

// PredictionN returns the fewest scores whose span holds the next one with the
// given confidence, whatever their distribution: 2/(1−C) − 1, rounded up.
func PredictionN(confidence float64) (int, error) {
	if !(confidence > 0 && confidence < 1) {
		return 0, fmt.Errorf("a confidence lies between 0 and 1, not at %g", confidence)
	}
	return max(2, int(math.Ceil(2/(1-confidence)-1-1e-9))), nil
}

// ControlRuns are the scores of the control card, run at least twice on each
// of two benches: the bench of the reference set and the bench of the new
// score. All are above zero.
type ControlRuns struct {
	SetBench  []float64 `json:"set_bench"`
	ThisBench []float64 `json:"this_bench"`
}

// A Transfer carries scores from the bench of a set to another bench.
type Transfer struct {
	// Ratio is the mean of the control card here over its mean there, and
	// Relative its relative standard uncertainty with DoF degrees of freedom.
	Ratio    float64 `json:"ratio"`
	Relative float64 `json:"relative_uncertainty"`
	DoF      float64 `json:"dof"`
	RunsSet  int     `json:"runs_set_bench"`
	RunsHere int     `json:"runs_this_bench"`
}

// Transfer works out the ratio of the benches. It rests on the assumption that
// what makes one bench faster makes it faster by the same factor for every card
// of the family. Fewer than two runs on a bench show no spread and are an
// error, as is a score that is not above zero.
//
// Source: JCGM 100:2008, 5.1.6 (relative uncertainty of a quotient), G.4.1
// (degrees of freedom).
func (c ControlRuns) Transfer() (Transfer, error) {
	there, err := describeRuns("the bench of the set", c.SetBench)
	if err != nil {
		return Transfer{}, err
	}
	here, err := describeRuns("this bench", c.ThisBench)
	if err != nil {
		return Transfer{}, err
	}
	part := func(d Description) float64 {
		relative := d.SD / d.Mean
		return relative * relative / float64(d.N)
	}
	a, b := part(there), part(here)
	t := Transfer{
		Ratio: here.Mean / there.Mean, Relative: math.Sqrt(a + b),
		DoF: float64(there.N + here.N - 2), RunsSet: there.N, RunsHere: here.N,
	}
	if a+b > 0 {
		t.DoF = (a + b) * (a + b) / (a*a/float64(there.N-1) + b*b/float64(here.N-1))
	}
	return t, nil
}

func describeRuns(bench string, runs []float64) (Description, error) {
	if len(runs) < 2 {
		return Description{}, fmt.Errorf("the control card needs at least 2 runs on %s, there are %d", bench, len(runs))
	}
	d, err := Describe(runs)
	if err != nil {
		return Description{}, fmt.Errorf("control card on %s: %w", bench, err)
	}
	if d.Min <= 0 {
		return Description{}, fmt.Errorf("a control card's score on %s is not above zero", bench)
	}
	return d, nil
}

// A basis is a set of scores in the scale it is judged in, moved to the bench
// of the new score: what all intervals are built from.
type basis struct {
	Description           // in the judging scale, on the bench of the set
	scores      []float64 // sorted, in the judging scale, on the bench of the set
	log         bool
	transfer    *Transfer
}

// move carries a figure to the bench of the new score, in the judging scale.
func (b basis) move(x float64) float64 {
	switch {
	case b.transfer == nil:
		return x
	case b.log:
		return x + math.Log(b.transfer.Ratio)
	}
	return x * b.transfer.Ratio
}

// back returns a figure of the judging scale in the unit of the scores.
func (b basis) back(x float64) float64 {
	if b.log {
		return math.Exp(x)
	}
	return x
}

// sd is the standard deviation on the bench of the new score.
func (b basis) sd() float64 {
	if b.transfer == nil || b.log {
		return b.SD
	}
	return b.SD * b.transfer.Ratio
}

// moveError is the standard uncertainty that moving a figure x, still on the
// bench of the set, brings with it.
func (b basis) moveError(x float64) float64 {
	switch {
	case b.transfer == nil:
		return 0
	case b.log:
		return b.transfer.Relative
	}
	return math.Abs(x) * b.transfer.Ratio * b.transfer.Relative
}

// predictive returns centre, standard uncertainty and degrees of freedom of
// one new value. The degrees of freedom are never above those of the set, so
// that a second bench never narrows the interval.
func (b basis) predictive() (centre, u, dof float64) {
	n := float64(b.N)
	set := b.sd() * b.sd() * (1 + 1/n)
	move := b.moveError(b.Mean)
	u = math.Sqrt(set + move*move)
	dof = n - 1
	if move > 0 {
		joint := u * u * u * u / (set*set/(n-1) + move*move*move*move/b.transfer.DoF)
		dof = math.Min(dof, joint)
	}
	return b.move(b.Mean), u, dof
}

// order returns the r-th smallest and r-th largest score on the bench of the
// new score, widened by what the move leaves open.
func (b basis) order(rank int, confidence float64) (low, high float64) {
	first, last := b.scores[rank-1], b.scores[b.N-rank]
	low, high = b.move(first), b.move(last)
	if b.transfer != nil {
		t := studentQuantile((1+confidence)/2, b.transfer.DoF)
		low -= t * b.moveError(first)
		high += t * b.moveError(last)
	}
	return low, high
}
