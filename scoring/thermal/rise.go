package thermal

import (
	"math"
	"sort"
)

// A Rise is the curve of a body with one thermal time constant,
// T(t) = T0 + (TInf − T0)(1 − exp(−t/Tau)). It describes cooling as well.
type Rise struct {
	T0   float64 // °C at t = 0
	TInf float64 // °C after a long time
	Tau  float64 // s
}

// At returns the temperature at t seconds.
func (r Rise) At(t float64) float64 {
	return r.TInf + (r.T0-r.TInf)*math.Exp(-t/r.Tau)
}

// Slope returns the rate of change at t seconds, in °C per second.
func (r Rise) Slope(t float64) float64 {
	return (r.TInf - r.T0) / r.Tau * math.Exp(-t/r.Tau)
}

// TimeToSlope returns the time at which the rate of change has fallen to
// slope °C per second; 0 when it is never faster.
func (r Rise) TimeToSlope(slope float64) float64 {
	first := math.Abs(r.TInf-r.T0) / r.Tau
	if first <= slope {
		return 0
	}
	return r.Tau * math.Log(first/slope)
}

// riseModel has the parameters T0, TInf, Tau.
func riseModel(t float64, b, g []float64) float64 {
	tau := b[2]
	if tau <= 0 {
		return math.NaN()
	}
	e := math.Exp(-t / tau)
	if g != nil {
		g[0], g[1], g[2] = e, 1-e, (b[0]-b[1])*e*t/(tau*tau)
	}
	return b[1] + (b[0]-b[1])*e
}

// fixedRiseModel has the parameters TInf, Tau.
func fixedRiseModel(t0 float64) Model {
	return func(t float64, b, g []float64) float64 {
		tau := b[1]
		if tau <= 0 {
			return math.NaN()
		}
		e := math.Exp(-t / tau)
		if g != nil {
			g[0], g[1] = 1-e, (t0-b[0])*e*t/(tau*tau)
		}
		return b[0] + (t0-b[0])*e
	}
}

// doubleModel has the parameters TInf, A1, Tau1, A2, Tau2:
// T = TInf + A1 exp(−t/Tau1) + A2 exp(−t/Tau2).
func doubleModel(t float64, b, g []float64) float64 {
	if b[2] <= 0 || b[4] <= 0 {
		return math.NaN()
	}
	e, f := math.Exp(-t/b[2]), math.Exp(-t/b[4])
	if g != nil {
		g[0], g[1], g[2], g[3], g[4] = 1, e, b[1]*e*t/(b[2]*b[2]), f, b[3]*f*t/(b[4]*b[4])
	}
	return b[0] + b[1]*e + b[3]*f
}

// fixedDoubleModel has the parameters TInf, A1, Tau1, Tau2; A2 follows from T0.
func fixedDoubleModel(t0 float64) Model {
	return func(t float64, b, g []float64) float64 {
		if b[2] <= 0 || b[3] <= 0 {
			return math.NaN()
		}
		a2 := t0 - b[0] - b[1]
		e, f := math.Exp(-t/b[2]), math.Exp(-t/b[3])
		if g != nil {
			g[0], g[1], g[2], g[3] = 1-f, e-f, b[1]*e*t/(b[2]*b[2]), a2*f*t/(b[3]*b[3])
		}
		return b[0] + b[1]*e + a2*f
	}
}

// hingeModel is a rise that begins at the moment b[3]: T0, TInf, Tau, onset.
func hingeModel(t float64, b, g []float64) float64 {
	if b[2] <= 0 {
		return math.NaN()
	}
	if t <= b[3] {
		if g != nil {
			g[0], g[1], g[2], g[3] = 1, 0, 0, 0
		}
		return b[0]
	}
	s := t - b[3]
	e := math.Exp(-s / b[2])
	if g != nil {
		g[0], g[1], g[2] = e, 1-e, (b[0]-b[1])*e*s/(b[2]*b[2])
		g[3] = (b[0] - b[1]) * e / b[2]
	}
	return b[1] + (b[0]-b[1])*e
}

// FitRise fits T(t) = T0 + (TInf − T0)(1 − exp(−t/tau)) to temperatures in °C
// at times in seconds, in rising order of time. With start nil T0 is free and
// the parameters of the Solution are T0, TInf, tau; otherwise T0 is *start and
// they are TInf, tau.
//
// It takes Gauss–Newton steps that walk over the data once each, for a long
// log first on a thinned copy, and falls back on [Fit] where they do not
// settle; the minimum is the same.
func FitRise(t, temp []float64, start *float64) (Solution, error) {
	n := len(t)
	if n != len(temp) || n < 4 {
		return Solution{}, ErrTooFewPoints
	}
	guess := guessRise(t, temp, start)
	model := Model(riseModel)
	if start != nil {
		model, guess = fixedRiseModel(*start), guess[1:]
	}
	const thin = 40
	tt, yy := t, temp
	if n > 2*thin {
		var means [2 * thin]float64 // of as many neighbours each
		tt, yy = means[:thin], means[thin:]
		for i := range thin {
			from, to := i*n/thin, (i+1)*n/thin
			tt[i], yy[i] = mean(t[from:to]), mean(temp[from:to])
		}
	}
	s, ok := finishRise(tt, yy, guess, start)
	if !ok {
		var err error
		if s, err = Fit(model, tt, yy, guess); err != nil && n <= 2*thin {
			return s, err
		}
	}
	if n <= 2*thin {
		return s, nil
	}
	if full, ok := finishRise(t, temp, s.B, start); ok {
		full.Iterations += s.Iterations
		return full, nil
	}
	return Fit(model, t, temp, s.B)
}

// guessRise reads starting values off the data: T0, TInf, tau.
func guessRise(t, y []float64, start *float64) []float64 {
	n := len(t)
	k := max(1, n/50)
	first, last := mean(y[:k]), mean(y[n-max(k, n/20):])
	if start != nil {
		first = *start
	}
	end := last + 0.05*(last-first)
	if end == first {
		end = first + 1e-3
	}
	level := first + (1-1/math.E)*(last-first)
	at := sort.Search(n, func(i int) bool { return (y[i]-level)*(last-first) >= 0 })
	tau := (t[n-1] - t[0]) / 4
	if at > 0 && at < n {
		tau = math.Max(t[at]-t[0], tau/50)
	}
	if tau <= 0 {
		tau = 1
	}
	return []float64{first, end, tau}
}

// riseSums are the sums of one walk over the data in the basis 1, e, d with
// e = exp(−t/tau) and d = e·t/tau, and r the residual.
type riseSums struct{ n, e, ee, d, de, dd, r, re, rd, rr float64 }

// walk sums over the data at TInf = c, T0 − TInf = a. Between exact values of
// the exponential, one in 32 points, it multiplies by a Taylor polynomial
// whose remainder stays below 1e-14.
func walk(t, y []float64, c, a, tau float64) riseSums {
	var s riseSums
	s.n = float64(len(t))
	inv := 1 / tau
	e, before, gap, factor := 0.0, 0.0, 0.0, 1.0
	y = y[:len(t)]
	for i, ti := range t {
		z := ti * inv
		if dt := ti - before; i&31 == 0 {
			e = math.Exp(-z)
		} else if dt == gap {
			e *= factor
		} else {
			gap = dt
			if h := -dt * inv; h > -0.004 {
				factor = 1 + h*(1+h*(1.0/2+h*(1.0/6+h*(1.0/24))))
			} else if h > -0.06 {
				factor = 1 + h*(1+h*(1.0/2+h*(1.0/6+h*(1.0/24+h*(1.0/120+h*(1.0/720+h*(1.0/5040)))))))
			} else {
				factor = math.Exp(h)
			}
			e *= factor
		}
		before = ti
		d := e * z
		r := y[i] - (c + a*e)
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

// finishRise takes Gauss–Newton steps from b. It reports false where they do
// not settle quickly.
func finishRise(t, y []float64, b []float64, start *float64) (Solution, bool) {
	var c, a, tau float64
	if start == nil {
		c, a, tau = b[1], b[0]-b[1], b[2]
	} else {
		c, tau = b[0], b[1]
		a = *start - c
	}
	before := 1e-3
	for pass := 1; pass <= 10; pass++ {
		s := walk(t, y, c, a, tau)
		j, rhs := s.normal(a, tau, start != nil)
		step, inv, ok := solve(j, rhs)
		if !ok {
			return Solution{}, false
		}
		c0, a0, dTau := c, a, 0.0
		if start == nil { // parameters T0, TInf, tau
			a += step[0] - step[1]
			c += step[1]
			dTau = step[2]
		} else { // TInf, tau
			c += step[0]
			a = *start - c
			dTau = step[1]
		}
		tau += dTau
		if !(tau > 0) || !finite(c) || math.Abs(dTau) > 0.7*tau {
			return Solution{}, false
		}
		size := math.Max(math.Abs(dTau)/tau, math.Max(math.Abs(c-c0), math.Abs(a-a0))/math.Abs(a))
		// The steps shrink in a steady ratio: what is left is the next one.
		if size < 1e-7 || size < 5e-6 && size*size/before < 2e-8 {
			for i := range step {
				s.rr -= step[i] * rhs[i] // what this last step takes off
			}
			return riseSolution(s, inv, c, a, tau, start, pass), true
		}
		before = size
	}
	return Solution{}, false
}

// normal returns JᵀJ and Jᵀr for the parameters T0, TInf, tau, or for TInf,
// tau when T0 is fixed.
func (s riseSums) normal(a, tau float64, fixed bool) ([][]float64, []float64) {
	k := a / tau // ∂T/∂tau = k·d
	ff := s.n - 2*s.e + s.ee
	fd := k * (s.d - s.de)
	dd := k * k * s.dd
	if fixed {
		return [][]float64{{ff, fd}, {fd, dd}}, []float64{s.r - s.re, k * s.rd}
	}
	ef, ed := s.e-s.ee, k*s.de
	return [][]float64{{s.ee, ef, ed}, {ef, ff, fd}, {ed, fd, dd}}, []float64{s.re, s.r - s.re, k * s.rd}
}

func riseSolution(s riseSums, inv [][]float64, c, a, tau float64, start *float64, steps int) Solution {
	out := Solution{B: []float64{c + a, c, tau}, RSS: s.rr, Iterations: steps, Cov: inv}
	if start != nil {
		out.B = out.B[1:]
	}
	out.DF = int(s.n) - len(out.B)
	out.Sigma = math.Sqrt(out.RSS / float64(out.DF))
	out.SE = make([]float64, len(out.B))
	for i := range inv {
		for k := range inv[i] {
			inv[i][k] *= out.Sigma * out.Sigma
		}
		out.SE[i] = math.Sqrt(inv[i][i])
	}
	return out
}

// solve returns m⁻¹·rhs and m⁻¹ for a small symmetric positive matrix, scaled
// to a unit diagonal first; false when it is singular to rounding.
func solve(m [][]float64, rhs []float64) ([]float64, [][]float64, bool) {
	n := len(m)
	var scale [3]float64
	var l [3][3]float64
	for i := range n {
		if !(m[i][i] > 0) {
			return nil, nil, false
		}
		scale[i] = 1 / math.Sqrt(m[i][i])
	}
	for i := range n {
		for j := 0; j <= i; j++ {
			v := m[i][j] * scale[i] * scale[j]
			for k := range j {
				v -= l[i][k] * l[j][k]
			}
			if i == j {
				if v < 1e-11 {
					return nil, nil, false
				}
				l[i][i] = math.Sqrt(v)
			} else {
				l[i][j] = v / l[j][j]
			}
		}
	}
	inv := make([][]float64, n)
	for c := range n {
		inv[c] = make([]float64, n)
		x := inv[c] // symmetric, so a column is a row
		for i := range n {
			v := 0.0
			if i == c {
				v = 1
			}
			for k := range i {
				v -= l[i][k] * x[k]
			}
			x[i] = v / l[i][i]
		}
		for i := n - 1; i >= 0; i-- {
			v := x[i]
			for k := i + 1; k < n; k++ {
				v -= l[k][i] * x[k]
			}
			x[i] = v / l[i][i]
		}
		for i := range n {
			x[i] *= scale[i] * scale[c]
		}
	}
	step := make([]float64, n)
	for i := range n {
		for k := range n {
			step[i] += inv[i][k] * rhs[k]
		}
	}
	return step, inv, true
}

func mean(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}
