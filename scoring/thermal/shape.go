package thermal

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"

	"proveout/plans/fact"
)

// A shapeError is by how much a curve and the readings part in ways that noise and
// rounding do not explain.
type shapeError struct{ tInf, tau float64 } // °C and s, standard uncertainties

// even is a log by means of equally many neighbours, with what a curve says of them,
// what it leaves, and the noise of that.
type even struct {
	times, temps, curve, left []float64
	noise                     noise
	step, sd                  float64 // °C, of the display and of the readings about the curve
}

func (c *curve) evenly(log samples) even {
	e := even{step: log.resolution, sd: math.Sqrt(math.Max(0, square(c.res.sd)-square(log.resolution)/12))}
	e.times, e.temps = thinned(log.time, log.temp, mostFitted)
	e.curve, e.left = make([]float64, len(e.times)), make([]float64, len(e.times))
	for i, t := range e.times {
		e.curve[i] = c.at(t)
		e.left[i] = e.temps[i] - e.curve[i]
	}
	e.noise = noiseOf(e.left, c.fit.free)
	return e
}

// variance is that of a weighted sum of the means.
func (e *even) variance(weights []float64) float64 {
	v := e.noise.variance(weights)
	for _, r := range roundings([][]float64{weights}, e.curve, e.step, e.sd) {
		v += square(r[0])
	}
	return v
}

// weigh finds how well the curve is known, and whether its end is that of the
// readings; if not, it says why.
func (c *curve) weigh(log samples) (why fact.Fact) {
	c.even = c.evenly(log)
	e := &c.even
	c.cov = covarianceOf(c.model, c.fit, e.times, e.curve, e.noise, e.step, e.sd)
	c.shape = shapeError{}
	c.compareLater(e)
	if why = c.compareSlopes(e); why.IsZero() {
		why = c.foretells(e)
	}
	return why
}

// compareSlopes holds the slope of the curve over the last third and the last sixth
// of the log against that of the readings. They may differ by what noise and
// rounding explain and by 1 % of the rise in a time constant (common practice, no
// source).
func (c *curve) compareSlopes(e *even) fact.Fact {
	n := len(e.times)
	for _, share := range [...]float64{1.0 / 3, 1.0 / 6} {
		weights := slopeWeights(e.times, e.times[n-1]-share*(e.times[n-1]-e.times[0]))
		if weights == nil {
			continue
		}
		variance, slope := e.variance(weights), floats.Dot(weights, e.left)
		if math.Abs(slope) > 3*math.Sqrt(variance)+0.01*math.Abs(c.tInf-c.t0)/c.tau {
			model := floats.Dot(weights, e.curve)
			return fact.New("thermal.end-slope-differs",
				"curve", fact.In(model*3600, "K/h").To(0.1).WithSign(),
				"readings", fact.In((model+slope)*3600, "K/h").To(0.1).WithSign())
		}
		c.shape.tInf = math.Max(c.shape.tInf, excess(slope, variance)*c.tau)
	}
	return fact.Fact{}
}

// foretells fits the curve to the first two thirds of the log and asks whether it
// then ends where the whole log says: the end of a growth without end, which a
// curve follows well as far as it goes, goes up with every minute that is logged. The
// two may differ by what noise and rounding explain and by 2 % of the rise (common
// practice, no source).
func (c *curve) foretells(e *even) fact.Fact {
	first := 2 * len(e.times) / 3
	if first < 8 {
		return fact.Fact{}
	}
	s, err := fit(c.model, e.times[:first], e.temps[:first], c.fit.b, c.fit.known, brief)
	if err != nil {
		return fact.Fact{} // they do not tell; the whole log does
	}
	cov := covarianceOf(c.model, s, e.times[:first], e.curve[:first], e.noise.over(first), e.step, e.sd)
	above, variance := c.tInf-s.b[1], math.Max(0, cov.At(1, 1)-c.cov.At(1, 1))
	if math.Abs(above) > 3*math.Sqrt(variance)+0.02*math.Abs(c.tInf-c.t0) {
		return fact.New("thermal.end-moves", "by", fact.In(math.Abs(above), "°C").To(0.1))
	}
	c.shape.tInf = math.Hypot(c.shape.tInf, excess(above, variance))
	return fact.Fact{}
}

// excess is by how much a difference is larger than its variance explains; nothing
// where that is less than two standard deviations.
func excess(difference, variance float64) float64 {
	if square(difference) < 4*variance {
		return 0
	}
	return math.Sqrt(square(difference) - variance)
}

// compareLater fits one exponential to what comes after the quick part of the rise.
// Where that ends elsewhere, or takes another time, the shape is not that of the
// curve.
func (c *curve) compareLater(e *even) {
	cut := 0.7 * c.tau
	if c.double {
		cut = math.Min(cut, 3*c.tau2)
	}
	first := 0
	for first < len(e.times) && e.times[first] < e.times[0]+cut {
		first++
	}
	later := len(e.times) - first
	if later < 12 {
		return
	}
	origin := e.times[first]
	shifted := make([]float64, later)
	for i := range shifted {
		shifted[i] = e.times[first+i] - origin
	}
	s, err := fit(riseModel, shifted, e.temps[first:], []float64{c.at(origin), c.tInf, c.tau}, 0, brief)
	if err != nil {
		return
	}
	cov := covarianceOf(riseModel, s, shifted, e.curve[first:], e.noise.over(later), e.step, e.sd)
	slow := 2
	if c.double {
		slow, _ = c.slowQuick()
	}
	c.shape.tInf = excess(s.b[1]-c.tInf, math.Max(0, cov.At(1, 1)-c.cov.At(1, 1)))
	// Which of the two time constants is the card's nobody knows: the difference counts
	// whole, where white noise does not explain it.
	if d := math.Abs(s.b[2] - c.tau); square(d) > cov.At(2, 2)-c.cov.At(slow, slow) || !e.noise.flat() {
		c.shape.tau = d
	}
}

// covarianceOf is that of the parameters of a fit to equally spaced readings with
// noise and rounding: A N Aᵀ with A = (JᵀJ)⁻¹Jᵀ, where J holds the derivatives of
// the model and N is the covariance of the readings.
func covarianceOf(m model, s solution, times, curve []float64, z noise, resolution, sd float64) *mat.SymDense {
	n, p := len(times), len(s.b)
	jacobian := mat.NewDense(n, s.free, nil)
	grad := make([]float64, p)
	for i, t := range times {
		m(t, s.b, grad)
		jacobian.SetRow(i, grad[s.known:])
	}
	var solve mat.Dense
	cov := mat.NewSymDense(p, nil)
	var normal mat.SymDense
	normal.SymOuterK(1, jacobian.T())
	var chol mat.Cholesky
	if !chol.Factorize(&normal) || chol.SolveTo(&solve, jacobian.T()) != nil {
		return cov
	}
	sums, waves := make([][]float64, s.free), make([][]float64, s.free)
	for k := range sums {
		sums[k] = solve.RawRowView(k)
		waves[k] = cosines(sums[k])
	}
	rounded := roundings(sums, curve, resolution, sd)
	for k := range s.free {
		for l := k; l < s.free; l++ {
			v := z.covariance(waves[k], waves[l], floats.Dot(sums[k], sums[l]))
			for _, r := range rounded {
				v += r[k] * r[l]
			}
			if k == l {
				v = math.Max(0, v)
			}
			cov.SetSym(s.known+k, s.known+l, v)
		}
	}
	return cov
}

// slopeWeights are those of the readings from a moment on in the slope of a straight
// line through them; 0 for the others. It is nil where there are too few.
func slopeWeights(times []float64, from float64) []float64 {
	first := 0
	for first < len(times) && times[first] < from {
		first++
	}
	if len(times)-first < 4 {
		return nil
	}
	weights := make([]float64, len(times))
	part := times[first:]
	middle := stat.Mean(part, nil)
	spread := 0.0
	for _, t := range part {
		spread += square(t - middle)
	}
	if !(spread > 0) {
		return nil
	}
	for i, t := range part {
		weights[first+i] = (t - middle) / spread
	}
	return weights
}
