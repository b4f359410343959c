package thermal

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// A rise is the curve of a body with one thermal time constant,
// T(t) = T0 + (TInf − T0)(1 − exp(−t/tau)): the temperature of one heat capacity
// that is heated with constant power and cooled in proportion to how much warmer
// than its surroundings it is (Newton's law of cooling). It describes cooling as
// well.
type rise struct {
	t0   float64 // °C at t = 0
	tInf float64 // °C after a long time
	tau  float64 // s
}

// slope is the rate of change at t seconds, in °C per second.
func (r rise) slope(t float64) float64 { return (r.tInf - r.t0) / r.tau * math.Exp(-t/r.tau) }

// timeToSlope returns the time at which the rate of change has fallen to
// slope °C per second; 0 when it is never faster.
func (r rise) timeToSlope(slope float64) float64 {
	first := math.Abs(r.slope(0))
	if first <= slope {
		return 0
	}
	return r.tau * math.Log(first/slope)
}

// riseModel is a rise with the parameters T0, TInf, tau.
func riseModel(t float64, b, grad []float64) float64 {
	t0, tInf, tau := b[0], b[1], b[2]
	if tau <= 0 {
		return math.NaN()
	}
	left := math.Exp(-t / tau)
	if grad != nil {
		grad[0], grad[1], grad[2] = left, 1-left, (t0-tInf)*left*t/(tau*tau)
	}
	return tInf + (t0-tInf)*left
}

// doubleModel is a rise of two bodies, such as a chip on its heatsink: with the
// parameters T0, TInf, A1, tau1, tau2 and A2 = T0 − TInf − A1 it is
// T(t) = TInf + A1 exp(−t/tau1) + A2 exp(−t/tau2).
func doubleModel(t float64, b, grad []float64) float64 {
	t0, tInf, a1, tau1, tau2 := b[0], b[1], b[2], b[3], b[4]
	if tau1 <= 0 || tau2 <= 0 {
		return math.NaN()
	}
	a2 := t0 - tInf - a1
	left1, left2 := math.Exp(-t/tau1), math.Exp(-t/tau2)
	if grad != nil {
		grad[0], grad[1], grad[2] = left2, 1-left2, left1-left2
		grad[3], grad[4] = a1*left1*t/(tau1*tau1), a2*left2*t/(tau2*tau2)
	}
	return tInf + a1*left1 + a2*left2
}

// hingeModel is a rise that begins at a moment of its own, with the parameters
// T0, TInf, tau, onset.
func hingeModel(t float64, b, grad []float64) float64 {
	if b[2] <= 0 {
		return math.NaN()
	}
	onset := b[3]
	if t <= onset {
		if grad != nil {
			grad[0], grad[1], grad[2], grad[3] = 1, 0, 0, 0
		}
		return b[0]
	}
	temp := riseModel(t-onset, b[:3], grad)
	if grad != nil {
		grad[3] = -rise{b[0], b[1], b[2]}.slope(t - onset)
	}
	return temp
}

// coarse is how many means a long log is fitted to at first.
const coarse = 40

// fitRise fits T0, TInf and tau of a rise to temperatures in °C at times in
// seconds, in rising order of time. When T0 is known, start points to it.
//
// A long log is fitted to the means of its parts first: from there a step or two
// over all readings lead to the minimum.
func fitRise(times, temps []float64, start *float64) (solution, error) {
	if len(times) < 4 {
		return solution{}, errTooFewPoints
	}
	begin := guessRise(times, temps, start)
	if len(times) > 2*coarse {
		t, y := thinned(times, temps, coarse)
		if s, _ := settleRise(t, y, begin, start); s.b != nil {
			begin = s.b
		}
	}
	return settleRise(times, temps, begin, start)
}

// settleRise takes quick steps from b, and leaves it to the general fit where
// they do not settle; the minimum is the same.
func settleRise(times, temps, b []float64, start *float64) (solution, error) {
	if s, ok := quickRise(times, temps, b, start); ok {
		return s, nil
	}
	if start == nil {
		return fit(riseModel, times, temps, b, thorough)
	}
	s, err := fit(model(riseModel).pinned(*start), times, temps, b[1:], thorough)
	return s.unpinned(*start), err
}

// guessRise reads starting values off the data: T0, TInf, tau. A rise has made
// 1 − 1/e of its way after one time constant.
func guessRise(times, temps []float64, start *float64) []float64 {
	n := len(times)
	head := max(1, n/50)
	first, last := stat.Mean(temps[:head], nil), stat.Mean(temps[n-max(head, n/20):], nil)
	if start != nil {
		first = *start
	}
	end := last + 0.05*(last-first)
	if end == first {
		end = first + 1e-3
	}
	level := first + (1-1/math.E)*(last-first)
	at := sort.Search(n, func(i int) bool { return (temps[i]-level)*(last-first) >= 0 })
	tau := (times[n-1] - times[0]) / 4
	if at > 0 && at < n {
		tau = math.Max(times[at]-times[0], tau/50)
	}
	if tau <= 0 {
		tau = 1
	}
	return []float64{first, end, tau}
}

// quickRise takes Gauss–Newton steps from b, for each of which one walk over the
// data is enough. It reports false where they do not settle quickly.
func quickRise(times, temps, b []float64, start *float64) (solution, bool) {
	t0, tInf, tau := b[0], b[1], b[2]
	before := 1e-3
	for range 10 {
		sums := sumRise(times, temps, rise{t0, tInf, tau})
		step, ok := sums.step(t0-tInf, tau, start != nil)
		if !ok {
			return solution{}, false
		}
		drop := t0 - tInf
		t0 += step.t0
		tInf += step.tInf
		tau += step.tau
		if !(tau > 0) || !finite(tInf) || math.Abs(step.tau) > 0.7*tau {
			return solution{}, false
		}
		moved := math.Max(math.Abs(step.tInf), math.Abs(t0-tInf-drop)) / math.Abs(t0-tInf)
		size := math.Max(math.Abs(step.tau)/tau, moved)
		// The steps shrink in a steady ratio: what is left is the next one.
		if size < 1e-7 || size < 5e-6 && size*size/before < 2e-8 {
			s := solution{b: []float64{t0, tInf, tau}, rss: sums.rr - step.gain}
			if start != nil {
				s.b = s.b[1:]
			}
			if !s.setErrors(step.inverse, len(times)) {
				return solution{}, false
			}
			if start != nil {
				s = s.unpinned(*start)
			}
			return s, true
		}
		before = size
	}
	return solution{}, false
}

// riseSums are sums over all readings of products of 1, e, d and r, where
// e = exp(−t/tau), d = e·t/tau, and r is the residual. They hold all that the
// normal equations of a rise need.
type riseSums struct{ n, e, ee, d, de, dd, r, re, rd, rr float64 }

// sumRise walks over the data once. Between exact values of the exponential, one
// in 32 readings, it multiplies by exp(h) for the step h, which is the same as
// before or else a Taylor polynomial with a remainder below 1e-14: this walk is
// nearly all of the time that a fit takes.
func sumRise(times, temps []float64, curve rise) riseSums {
	s := riseSums{n: float64(len(times))}
	inverse, drop := 1/curve.tau, curve.t0-curve.tInf
	e, before, lastStep, factor := 0.0, 0.0, 0.0, 1.0
	temps = temps[:len(times)]
	for i, t := range times {
		if step := t - before; i%32 == 0 {
			e = math.Exp(-t * inverse)
		} else {
			if step != lastStep {
				lastStep, factor = step, smallExp(-step*inverse)
			}
			e *= factor
		}
		before = t
		d := e * t * inverse
		r := temps[i] - (curve.tInf + drop*e)
		s.e += e
		s.ee += e * e
		s.d += d
		s.de += d * e
		s.dd += d * d
		s.r += r
		s.re += r * e
		s.rd += r * d
		s.rr += r * r
	}
	return s
}

// smallExp is exp(h) for h from 0 down.
func smallExp(h float64) float64 {
	switch {
	case h > -0.004:
		return 1 + h*(1+h*(1.0/2+h*(1.0/6+h*(1.0/24))))
	case h > -0.06:
		return 1 + h*(1+h*(1.0/2+h*(1.0/6+h*(1.0/24+h*(1.0/120+h*(1.0/720+h*(1.0/5040)))))))
	}
	return math.Exp(h)
}

// A riseStep is a Gauss–Newton step.
type riseStep struct {
	t0, tInf, tau float64
	gain          float64       // by which it lowers the sum of squares
	inverse       *mat.SymDense // (JᵀJ)⁻¹ of the parameters that are free
}

// step solves the normal equations at T0 − TInf = drop. T0 stays when it is
// pinned. It is false where the equations are singular to rounding.
func (s riseSums) step(drop, tau float64, pinned bool) (riseStep, bool) {
	perTau := drop / tau // ∂T/∂tau = perTau·d; ∂T/∂T0 = e; ∂T/∂TInf = 1 − e
	normal := []float64{
		s.ee, s.e - s.ee, perTau * s.de,
		0, s.n - 2*s.e + s.ee, perTau * (s.d - s.de),
		0, 0, perTau * perTau * s.dd,
	}
	right := []float64{s.re, s.r - s.re, perTau * s.rd}
	first := 0
	if pinned {
		first = 1
	}
	free := 3 - first
	matrix := blas64.Symmetric{Uplo: blas.Upper, N: free, Stride: 3, Data: normal[4*first:]}
	diagonal := [3]float64{normal[0], normal[4], normal[8]}
	triangle, ok := lapack64.Potrf(matrix)
	if !ok {
		return riseStep{}, false
	}
	for i := first; i < 3; i++ {
		if square(normal[4*i]) < 1e-11*diagonal[i] {
			return riseStep{}, false
		}
	}
	step := [3]float64{}
	copy(step[first:], right[first:])
	lapack64.Potrs(triangle, blas64.General{Rows: free, Cols: 1, Stride: 1, Data: step[first:]})
	out := riseStep{t0: step[0], tInf: step[1], tau: step[2]}
	for i := range step {
		out.gain += step[i] * right[i]
	}
	out.inverse, ok = inverseOf(triangle)
	return out, ok
}
