package reference

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"proveout/scoring/conformity"
)

// predictionFactor returns the factor of the two-sided prediction interval
// mean ± factor·s which holds one new value from the same normal distribution
// as n scores, n from 2, with the given confidence, 0 < confidence < 1:
// t(n−1)·√(1 + 1/n).
//
// Source: Meeker, Hahn and Escobar, Statistical Intervals, 2nd ed. 2017,
// section 4.7; from memory.
func predictionFactor(n int, confidence float64) float64 {
	m := float64(n)
	return conformity.CoverageFactor(confidence, m-1) * math.Sqrt(1+1/m)
}

// predictionRank returns the rank r, from 1, for which the next score lies
// between the r-th smallest and the r-th largest of n scores with at least the
// given confidence, whatever their distribution, and the confidence reached,
// 1 − 2r/(n+1). When n is below [predictionN], it is rank 1 with the confidence
// that this has.
//
// Source: Meeker, Hahn and Escobar, Statistical Intervals, 2nd ed. 2017,
// section 5.4 (equal chances of the n+1 gaps between scores); from memory.
func predictionRank(n int, confidence float64) (rank int, reached float64) {
	rank = int(math.Floor(float64(n+1)*(1-confidence)/2 + 1e-9))
	rank = max(1, min(rank, (n+1)/2))
	return rank, 1 - 2*float64(rank)/float64(n+1)
}

// predictionN returns the fewest scores whose span holds the next one with the
// given confidence, whatever their distribution: 2/(1−C) − 1, rounded up.
func predictionN(confidence float64) int {
	return max(2, int(math.Ceil(2/(1-confidence)-1-1e-9)))
}

// beyondGood is the two-sided confidence of the range outside which, on the good
// side, a mistake is likelier than a good card: one good card in 2,000 lies there.
// Our choice.
const beyondGood = 0.999

// predict builds the range of the next good card: by the Student t distribution,
// or from the order of the scores alone where their normality is doubtful.
func predict(b basis, doubtful bool, o Options) Prediction {
	confidence, d := o.Confidence, o.Direction
	centre, u, dof := b.predictive()
	half := conformity.CoverageFactor(confidence, dof) * u
	low, high := centre-half, centre+half
	p := Prediction{Confidence: confidence, Method: methodNormal}
	if doubtful {
		var rank int
		rank, p.Confidence = predictionRank(b.N, confidence)
		low, high = b.order(rank, confidence)
		p.Method, p.Needed = methodDistributionFree, predictionN(confidence)
	}
	p.Limits = b.limits(low, high)
	if o.Failing > confidence {
		half := conformity.CoverageFactor(o.Failing, dof) * u
		wide := b.limits(centre-half, centre+half)
		p.Failing = &wide
	}
	far := conformity.CoverageFactor(max(beyondGood, confidence), dof) * u
	switch d {
	case HigherIsBetter:
		p.TooGood = b.limits(low, math.Max(high, centre+far)).High
	case LowerIsBetter:
		p.TooGood = b.limits(math.Min(low, centre-far), high).Low
	}
	return p
}

// tolerate builds the tolerance range. The uncertainty of a move to another
// bench is added to the standard deviation in quadrature.
func tolerate(b basis, doubtful bool, o Options) (Tolerance, error) {
	ends := bothSides
	if o.Direction != TwoSided {
		ends = oneSide
	}
	t := Tolerance{Coverage: o.Coverage, Confidence: o.Confidence}
	var low, high float64
	if doubtful {
		var err error
		if t.Needed, err = distributionFreeN(o.Coverage, o.Confidence, ends); err != nil {
			return t, err
		}
		rank, reached, ok := distributionFreeRank(b.N, o.Coverage, o.Confidence, ends)
		if !ok {
			return t, nil
		}
		t.Confidence = reached
		low, high = b.order(rank, o.Confidence)
	} else {
		k, err := toleranceFactor(b.N, o.Coverage, o.Confidence, ends)
		if err != nil {
			return t, err
		}
		half := k * math.Hypot(b.sd(), b.moveError(b.Mean))
		low, high = b.move(b.Mean)-half, b.move(b.Mean)+half
	}
	t.Limits = o.Direction.open(b.limits(low, high))
	return t, nil
}

// limits carries the ends of a range back into the unit of the scores, and
// leaves a side open that is not finite.
func (b basis) limits(low, high float64) conformity.Limits {
	low, high = b.back(low), b.back(high)
	var l conformity.Limits
	if finite(low) {
		l.Low = &low
	}
	if finite(high) {
		l.High = &high
	}
	return l
}

// percentile says where a value sits among good cards, 0 to 100; nil when that
// cannot be told.
func percentile(b basis, doubtful bool, value float64) *float64 {
	if !finite(value) {
		return nil
	}
	x := value
	if b.log {
		x = math.Log(math.Max(value, 0))
	}
	var p float64
	if doubtful {
		var below, same float64
		for _, score := range b.scores {
			switch moved := b.move(score); {
			case moved < x:
				below++
			case moved == x:
				same++
			}
		}
		p = 100 * (below + (same+1)/2) / float64(b.N+1)
	} else {
		centre, u, dof := b.predictive()
		if b.SD == 0 {
			return nil
		}
		p = 100 * distuv.StudentsT{Sigma: 1, Nu: dof}.CDF((x-centre)/u)
	}
	return &p
}
