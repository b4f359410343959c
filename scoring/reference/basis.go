package reference

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

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
}

// transfer works out the ratio of the benches, or says why it cannot. It rests
// on the assumption that what makes one bench faster makes it faster by the same
// factor for every card of the family. Fewer than two runs on a bench show no
// spread.
//
// Source: JCGM 100:2008, 5.1.6 (relative uncertainty of a quotient), G.4.1
// (degrees of freedom).
func (c *ControlRuns) transfer() (t Transfer, blocked fact.Fact) {
	if c == nil {
		return t, fact.New("reference.no-control-card")
	}
	there, thereErr := describe(c.SetBench)
	here, hereErr := describe(c.ThisBench)
	switch {
	case len(c.SetBench) < 2:
		return t, fact.New("reference.few-runs-there", "n", len(c.SetBench))
	case thereErr != nil || there.Min <= 0:
		return t, fact.New("reference.bad-run-there")
	case len(c.ThisBench) < 2:
		return t, fact.New("reference.few-runs-here", "n", len(c.ThisBench))
	case hereErr != nil || here.Min <= 0:
		return t, fact.New("reference.bad-run-here")
	}
	variance := func(d Description) float64 {
		relative := d.SD / d.Mean
		return relative * relative / float64(d.N)
	}
	a, b := variance(there), variance(here)
	t = Transfer{
		Ratio: here.Mean / there.Mean, Relative: math.Sqrt(a + b),
		DoF: float64(there.N + here.N - 2),
	}
	if a+b > 0 {
		t.DoF = (a + b) * (a + b) / (a*a/float64(there.N-1) + b*b/float64(here.N-1))
	}
	return t, fact.Fact{}
}

// A basis is a set of scores in the scale it is judged in, with the way to the
// bench of the new score: what all intervals are built from.
type basis struct {
	Description           // in the judging scale, on the bench of the set
	scores      []float64 // in the set's order, in the judging scale, on the bench of the set
	sorted      []float64 // the same by size
	log         bool
	rounding    float64   // standard deviation of the last digit of the scores, in the judging scale
	transfer    *Transfer // nil on the bench of the set
}

func newBasis(scores []float64, log bool, transfer *Transfer) (basis, error) {
	b := basis{scores: slices.Clone(scores), log: log, transfer: transfer, rounding: lastDigit(scores) / math.Sqrt(12)}
	if log {
		for i, x := range scores {
			if x <= 0 {
				return basis{}, fmt.Errorf("a log scale needs scores above zero, not %g", x)
			}
			b.scores[i] = math.Log(x)
		}
	}
	b.sorted = slices.Sorted(slices.Values(b.scores))
	var err error
	b.Description, err = describe(b.sorted)
	if log && err == nil {
		b.rounding /= math.Exp(b.Mean)
	}
	return b, err
}

// lastDigit is what the last digit of the finest of some figures counts: what is
// equal to that digit may differ behind it.
func lastDigit(figures []float64) float64 {
	decimals := 0
	for _, x := range figures {
		text := strconv.FormatFloat(x, 'f', -1, 64)
		if point := strings.IndexByte(text, '.'); point >= 0 {
			decimals = max(decimals, len(text)-point-1)
		}
	}
	return math.Pow10(-decimals)
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

// sd is the standard deviation on the bench of the new score, and that of the
// rounding at the least (JCGM 100:2008, F.2.2.1).
func (b basis) sd() float64 {
	sd := math.Max(b.SD, b.rounding)
	if b.transfer == nil || b.log {
		return sd
	}
	return sd * b.transfer.Ratio
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

// spread is the standard deviation in the unit of the scores, on the bench of
// the new score: what figures are rounded to.
func (b basis) spread() float64 {
	if b.log {
		return b.sd() * b.back(b.move(b.Mean))
	}
	return b.sd()
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
	first, last := b.sorted[rank-1], b.sorted[b.N-rank]
	low, high = b.move(first), b.move(last)
	if b.transfer != nil {
		t := conformity.CoverageFactor(confidence, b.transfer.DoF)
		low -= t * b.moveError(first)
		high += t * b.moveError(last)
	}
	return low, high
}
