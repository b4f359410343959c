package conformity

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
)

// A Prior is what is known of a family before a card is measured: a normal
// distribution with this mean and standard deviation, in the unit of the value.
type Prior struct {
	Mean float64 `json:"mean"`
	SD   float64 `json:"sd"`
}

func (p Prior) check() error {
	if !finite(p.Mean) || !(p.SD > 0) || math.IsInf(p.SD, 0) {
		return errors.New("a prior needs a mean and a standard deviation above 0")
	}
	return nil
}

// update returns the normal distribution of the true value after a reading of
// value with the standard uncertainty u, above 0.
//
// Source: JCGM 106:2012, clause 6 and annex on prior information (product of
// two normal densities); from memory.
func (p Prior) update(value, u float64) (mean, sd float64, err error) {
	if err := p.check(); err != nil {
		return 0, 0, err
	}
	if !(u > 0) || math.IsInf(u, 0) || !finite(value) {
		return 0, 0, errors.New("a reading needs a value and an uncertainty above 0")
	}
	total := math.Hypot(p.SD, u)
	weight := (p.SD / total) * (p.SD / total)
	return p.Mean + weight*(value-p.Mean), p.SD * (u / total), nil
}

// SpecificRisk is the risk of a decision about one card whose reading is
// known, 0 to 1: Consumer that it does not conform if it is accepted, Producer
// that it does conform if it is rejected. The two add up to 1.
//
// Source: JCGM 106:2012, 9.3.2; from memory.
type SpecificRisk struct {
	Consumer float64 `json:"consumer"`
	Producer float64 `json:"producer"`
}

// Specific returns the specific risks of a reading of value with the standard
// uncertainty u, above 0, of a card of a family that follows prior.
func Specific(value, u float64, limits Limits, prior Prior) (SpecificRisk, error) {
	if err := limits.check(); err != nil {
		return SpecificRisk{}, err
	}
	mean, sd, err := prior.update(value, u)
	if err != nil {
		return SpecificRisk{}, err
	}
	return SpecificRisk{
		Consumer: outsideProbability(mean, sd, limits),
		Producer: Probability(mean, sd, limits),
	}, nil
}

// outsideProbability is 1 − Probability without loss when it is small. sd is
// above 0.
func outsideProbability(mean, sd float64, limits Limits) float64 {
	return (math.Erfc((mean-limits.low())/sd/math.Sqrt2) + math.Erfc((limits.high()-mean)/sd/math.Sqrt2)) / 2
}

// GlobalRisk is the risk of a rule over all cards of a family, each figure a
// probability, 0 to 1.
type GlobalRisk struct {
	// Consumer: a card is accepted and does not conform.
	Consumer float64 `json:"consumer"`
	// Producer: a card is rejected and does conform.
	Producer float64 `json:"producer"`
	// Accepted: a card is accepted at all.
	Accepted float64 `json:"accepted"`
	// AcceptedBad is Consumer/Accepted: the part of the accepted cards that does
	// not conform. It is 0 when nothing is ever accepted.
	AcceptedBad float64 `json:"accepted_bad"`
}

// Global returns the global risks of accepting a card when its reading lies in
// acceptance, when cards conform inside limits, the family follows prior, and
// a reading has the standard uncertainty u, above 0. Acceptance limits that
// cross accept nothing. The integrals are worked out piecewise by the
// Gauss–Legendre rule to about 10 significant digits.
//
// Source: JCGM 106:2012, 9.5 (consumer's and producer's risk as double
// integrals; the inner one is done in closed form); from memory.
func Global(prior Prior, u float64, limits, acceptance Limits) (GlobalRisk, error) {
	if err := prior.check(); err != nil {
		return GlobalRisk{}, err
	}
	if err := limits.check(); err != nil {
		return GlobalRisk{}, err
	}
	if !(u > 0) || math.IsInf(u, 0) {
		return GlobalRisk{}, errors.New("global risk needs a standard uncertainty above 0")
	}
	if acceptance.low() > acceptance.high() {
		return GlobalRisk{Producer: Probability(prior.Mean, prior.SD, limits)}, nil
	}
	if err := acceptance.check(); err != nil {
		return GlobalRisk{}, err
	}
	var g GlobalRisk
	density := func(x float64) float64 {
		z := (x - prior.Mean) / prior.SD
		return math.Exp(-z*z/2) / (prior.SD * math.Sqrt(2*math.Pi))
	}
	edges := breakpoints(prior, u, limits, acceptance)
	for i := 0; i+1 < len(edges); i++ {
		a, b := edges[i], edges[i+1]
		middle := a + (b-a)/2
		if middle < limits.low() || middle > limits.high() {
			g.Consumer += quad.Fixed(func(x float64) float64 {
				return density(x) * Probability(x, u, acceptance)
			}, a, b, 24, quad.Legendre{}, 0)
			continue
		}
		g.Producer += quad.Fixed(func(x float64) float64 {
			return density(x) * outsideProbability(x, u, acceptance)
		}, a, b, 24, quad.Legendre{}, 0)
	}
	g.Accepted = Probability(prior.Mean, math.Hypot(prior.SD, u), acceptance)
	if g.Accepted > 0 {
		g.AcceptedBad = math.Min(1, g.Consumer/g.Accepted)
	}
	return g, nil
}

// breakpoints cuts the span of the prior where an integrand bends: at the
// limits, about the acceptance limits on the scale of u, and on the scale of
// the prior.
func breakpoints(prior Prior, u float64, limits, acceptance Limits) []float64 {
	low, high := prior.Mean-10*prior.SD, prior.Mean+10*prior.SD
	edges := []float64{low, high}
	add := func(x float64) {
		if x > low && x < high {
			edges = append(edges, x)
		}
	}
	for z := -8.0; z <= 8; z += 2 {
		add(prior.Mean + z*prior.SD)
	}
	for _, side := range []*float64{limits.Low, limits.High} {
		if side != nil {
			add(*side)
		}
	}
	for _, side := range []*float64{acceptance.Low, acceptance.High} {
		if side == nil {
			continue
		}
		for z := -9.0; z <= 9; z += 1.5 {
			add(*side + z*u)
		}
	}
	slices.Sort(edges)
	return slices.Compact(edges)
}
