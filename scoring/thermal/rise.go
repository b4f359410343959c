package thermal

import (
	"math"
	"sort"

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

// fitRise fits T0, TInf and tau of a rise to temperatures in °C at times in
// seconds, in rising order of time. When T0 is known, start points to it.
func fitRise(times, temps []float64, start *float64) (solution, error) {
	if len(times) < 4 {
		return solution{}, errTooFewPoints
	}
	return fit(riseModel, times, temps, guessRise(times, temps, start), knownFirst(start), thorough)
}

// fitLong is fitRise for a log of many readings: means of neighbours find the place,
// from where all readings take a step or two.
func fitLong(log samples, start *float64) (solution, error) {
	times, temps := thinned(log.time, log.temp, mostFitted)
	s, err := fitRise(times, temps, start)
	if err != nil || len(times) == len(log.time) {
		return s, err
	}
	return fit(riseModel, log.time, log.temp, s.b, knownFirst(start), brief)
}

// mostFitted is how many means of neighbours stand for a long log.
const mostFitted = 400

// knownFirst is how many of the first parameters of a rise are known.
func knownFirst(start *float64) int {
	if start == nil {
		return 0
	}
	return 1
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
