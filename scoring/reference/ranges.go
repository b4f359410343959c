package reference

import (
	"math"

	"proveout/scoring/conformity"
)

func predict(b basis, doubtful bool, confidence float64) (Prediction, error) {
	if !doubtful {
		centre, u, dof := b.predictive()
		half := studentQuantile((1+confidence)/2, dof) * u
		return Prediction{
			Limits: limits(b.back(centre-half), b.back(centre+half)), Confidence: confidence, Method: MethodNormal, DoF: dof,
		}, nil
	}
	needed, err := PredictionN(confidence)
	if err != nil {
		return Prediction{}, err
	}
	rank, reached, ok := PredictionRank(b.N, confidence)
	if !ok {
		rank, reached = 1, float64(b.N-1)/float64(b.N+1)
	}
	low, high := b.order(rank, confidence)
	return Prediction{Limits: limits(b.back(low), b.back(high)), Confidence: reached, Method: MethodDistributionFree, Needed: needed}, nil
}

// tolerate builds the tolerance range. The uncertainty of a move to another
// bench is added to the standard deviation in quadrature.
func tolerate(b basis, doubtful bool, o Options) (Tolerance, error) {
	sides := BothSides
	if o.Direction != TwoSided {
		sides = OneSide
	}
	t := Tolerance{Coverage: o.Coverage, Confidence: o.ToleranceConfidence, Method: MethodNormal}
	var low, high float64
	if doubtful {
		t.Method = MethodDistributionFree
		needed, err := DistributionFreeN(o.Coverage, o.ToleranceConfidence, sides)
		if err != nil {
			return t, err
		}
		t.Needed = needed
		rank, reached, ok := DistributionFreeRank(b.N, o.Coverage, o.ToleranceConfidence, sides)
		if !ok {
			return t, nil
		}
		t.Confidence = reached
		low, high = b.order(rank, o.ToleranceConfidence)
	} else {
		factor := TwoSidedFactor
		if sides == OneSide {
			factor = OneSidedFactor
		}
		k, err := factor(b.N, o.Coverage, o.ToleranceConfidence)
		if err != nil {
			return t, err
		}
		t.K = &k
		half := k * math.Hypot(b.sd(), b.moveError(b.Mean))
		low, high = b.move(b.Mean)-half, b.move(b.Mean)+half
	}
	t.Limits = limits(b.back(low), b.back(high))
	switch o.Direction {
	case HigherIsBetter:
		t.High = nil
	case LowerIsBetter:
		t.Low = nil
	}
	return t, nil
}

// limits leaves a side open that is not finite.
func limits(low, high float64) conformity.Limits {
	var l conformity.Limits
	if !math.IsInf(low, 0) && !math.IsNaN(low) {
		l.Low = &low
	}
	if !math.IsInf(high, 0) && !math.IsNaN(high) {
		l.High = &high
	}
	return l
}

func percentile(b basis, doubtful bool, value float64) *float64 {
	if math.IsNaN(value) || math.IsInf(value, 0) {
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
		if u == 0 {
			return nil
		}
		p = 100 * studentCDF((x-centre)/u, dof)
	}
	return &p
}
