package thermal

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// usualDrift is what counts as stable for an operating item, in °C per hour
// (MIL-STD-810, part one, 4.5.1, from memory).
const usualDrift = 2

// A Settling says whether the temperature has settled.
type Settling string

// The outcomes.
const (
	Stable       Settling = "stable"
	StillRising  Settling = "still rising"
	StillFalling Settling = "still falling"
	CannotTell   Settling = "cannot tell"
)

// A trend is the slope over a window, per hour.
type trend struct {
	perHour float64
	low     float64 // 95 % confidence limits, with the display step
	high    float64
	window  float64 // s, from first to last reading used
	n       int
}

// trendOf fits a straight line to the readings of a log from a moment on.
//
// Its uncertainty comes from the noise about the curve that describes the log, with
// that noise's correlation; where none does, from the scatter about a polynomial, so
// that a bend which every sensor would show alike is not mistaken for noise. To it comes, in
// quadrature, what rounding can hide: over a window W a slope up to step/W leaves the
// display unchanged, taken as rectangular; a slope that goes through more steps is
// known the better, and noise that moves the display averages the steps out (see
// [unsmoothed]).
func trendOf(log samples, from float64, c *curve) (trend, bool) {
	part := log.between(from, math.Inf(1))
	n := len(part.time)
	if n < 4 || part.time[n-1] <= part.time[0] {
		return trend{}, false
	}
	_, slope := stat.LinearRegression(part.time, part.temp, nil, false)
	t := trend{perHour: slope * 3600, window: part.time[n-1] - part.time[0], n: n}
	variance, smooth := math.Inf(1), unsmoothed(part.temp, log.resolution)
	if c == nil {
		variance = scatterOfSlope(log, t.window, nil)
	} else if !c.describes {
		variance = scatterOfSlope(log, t.window, c)
	} else {
		end := c.even.times[len(c.even.times)-1]
		if weights := slopeWeights(c.even.times, end-t.window*(1+1e-9)); weights != nil {
			variance = c.even.noise.variance(weights)
			smooth = damped(c.even.sd, log.resolution)
		}
	}
	steps := 1.0
	if log.resolution > 0 {
		steps = math.Max(1, math.Abs(slope)*t.window/log.resolution)
	}
	hidden := log.resolution * smooth / t.window / math.Sqrt(3) / steps
	half := 3600 * 2 * math.Sqrt(variance+square(hidden))
	t.low, t.high = t.perHour-half, t.perHour+half
	return t, true
}

// scatterOfSlope is the variance of the slope over the last window of a log from the
// scatter of the readings themselves: of those of three windows, which tell more of
// noise that lasts. Where that is not white it may be more than they show, and counts as
// what a curve that is off the log, if there is one, leaves over.
func scatterOfSlope(log samples, window float64, off *curve) float64 {
	end := log.time[len(log.time)-1]
	degree := 3
	part := log.between(end-window*(1+1e-9), end)
	if longer := log.between(end-3*window, end); len(longer.time) > 2*len(part.time) {
		part, degree = longer, 6
	}
	times, temps := thinned(part.time, part.temp, mostFitted)
	left, terms := aboutPolynomial(times, temps, degree)
	weights := slopeWeights(times, end-window*(1+1e-9))
	if len(times) <= terms || weights == nil {
		return math.Inf(1)
	}
	// The scatter of a few readings about their own polynomial is not well known itself.
	free := math.Min(float64(len(times)-terms), 30)
	student := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: free}
	z := noiseOf(left, terms-1)
	variance := z.variance(weights) * square(student.Quantile(0.975)/2)
	if off != nil && !z.flat() {
		weights = slopeWeights(off.even.times, off.even.times[len(off.even.times)-1]-window*(1+1e-9))
		variance = math.Max(variance, off.even.noise.variance(weights))
	}
	return variance
}

// aboutPolynomial returns what a polynomial of a degree leaves of the values, or
// of lower degree when there are few, and its number of terms. The powers are
// made orthogonal one after the other (Gram–Schmidt); one that the times do not
// tell from those before it ends the polynomial.
func aboutPolynomial(times, values []float64, degree int) (left []float64, terms int) {
	n := len(times)
	middle, half := (times[0]+times[n-1])/2, (times[n-1]-times[0])/2
	left = append([]float64(nil), values...)
	degree = min(degree, n/8+1)
	basis := make([][]float64, 0, degree+1)
	for power := range degree + 1 {
		term := make([]float64, n)
		for i, t := range times {
			term[i] = math.Pow((t-middle)/half, float64(power))
		}
		for _, before := range basis {
			floats.AddScaled(term, -floats.Dot(term, before), before)
		}
		length := floats.Norm(term, 2)
		if length < 1e-9 {
			break
		}
		floats.Scale(1/length, term)
		floats.AddScaled(left, -floats.Dot(term, left), term)
		basis = append(basis, term)
	}
	return left, len(basis)
}

// judge holds a slope against the limit in °C per hour: stable when the whole
// interval is within, still rising or falling when it is wholly outside.
func (t trend) judge(limit float64) Settling {
	switch {
	case t.low >= -limit && t.high <= limit:
		return Stable
	case t.low > limit:
		return StillRising
	case t.high < -limit:
		return StillFalling
	}
	return CannotTell
}

// lastTrend judges the last so many seconds of a log; nothing can be told where
// readings do not fill them.
func lastTrend(log samples, c *curve, window, limit float64) (trend, Settling) {
	end := log.time[len(log.time)-1]
	t, ok := trendOf(log, end-window-1e-9*math.Abs(end), c)
	if !ok || t.window < 0.8*window {
		return t, CannotTell
	}
	return t, t.judge(limit)
}

// settled judges the last window of a log by a limit in °C per hour; c describes the
// log, or is nil. The window begins with what is given, else with 600 s, or half the
// log when that is less, and grows by quarters, as far as the log reaches, while
// nothing can be told: noise and rounding hide less in a longer one.
func settled(log samples, c *curve, window, limit float64) (trend, Settling) {
	span := log.time[len(log.time)-1] - log.time[0]
	if window <= 0 {
		window = min(600, span/2)
	}
	shown, verdict := lastTrend(log, c, math.Min(window, span), limit)
	if span < 0.999*window { // what is there is shown, but it is no verdict of stability
		if verdict == Stable {
			verdict = CannotTell
		}
		return shown, verdict
	}
	first := shown
	for w := 1.25 * window; w > 0 && verdict == CannotTell && w <= span; w *= 1.25 {
		longer, v := lastTrend(log, c, w, limit)
		// A window that reaches back into the rise says nothing about the end: a longer
		// window is believed to rise only when the shortest one's slope did.
		believed := v == StillRising && first.perHour > limit || v == StillFalling && first.perHour < -limit
		narrower := v == CannotTell && longer.high-longer.low < shown.high-shown.low &&
			math.Abs(longer.perHour) <= max(limit, math.Abs(shown.perHour))
		if v == Stable || believed || narrower {
			shown, verdict = longer, v
		}
	}
	return shown, verdict
}

// stableSince returns the start of the first window from which on no window
// has a slope beyond the limit, in the log's own time.
//
// It slides a window from the end of the log to its beginning.
func stableSince(log samples, window, limit float64) (since float64, found bool) {
	n := len(log.time)
	// A display that shows whole steps may hide a slope of a step over the window.
	most := limit/3600 + log.resolution/window/math.Sqrt(3)
	last := n
	for i := n - 1; i >= 0; i-- {
		for last > i+1 && log.time[last-1] > log.time[i]+window {
			last--
		}
		if last == n && log.time[n-1]-log.time[i] < 0.95*window {
			continue
		}
		if last-i < 4 || log.time[last-1] == log.time[i] {
			continue
		}
		_, slope := stat.LinearRegression(log.time[i:last], log.temp[i:last], nil, false)
		if math.Abs(slope) > most {
			break
		}
		since, found = log.time[i], true
	}
	return since, found
}
