package thermal

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"proveout/plans/fact"
)

// A curve is a fitted rise with what is needed to draw and judge it. Time zero
// is the start of the load. With two time constants tau is the longer one.
type curve struct {
	rise
	double    bool
	tau2      float64 // s, the shorter one of two
	share2    float64 // of the rise, that goes with tau2
	model     model
	fit       solution
	res       residuals
	describes bool // the log; else it is off by what is left
	even      even
	ambient   air
	known
}

// known is how well a curve is known.
type known struct {
	cov   *mat.SymDense // of its parameters, from noise and rounding
	shape shapeError
}

func (c *curve) at(t float64) float64 { return c.model(t, c.fit.b, nil) }

// u is the standard uncertainty of the curve at t from noise and rounding.
func (c *curve) u(t float64) float64 {
	grad := make([]float64, len(c.fit.b))
	c.model(t, c.fit.b, grad)
	v := mat.NewVecDense(len(grad), grad)
	return math.Sqrt(math.Max(0, mat.Inner(v, c.cov, v)))
}

// errorOf is the standard error of a sum of the parameters with these factors, as
// of independent readings.
func (c *curve) errorOf(factors []float64) float64 {
	v := mat.NewVecDense(len(factors), factors)
	return math.Sqrt(math.Max(0, mat.Inner(v, c.fit.cov, v)))
}

// slope is the rate of change at t in °C per second.
func (c *curve) slope(t float64) float64 {
	if !c.double {
		return c.rise.slope(t)
	}
	height := c.tInf - c.t0
	slow := height * (1 - c.share2) / c.tau * math.Exp(-t/c.tau)
	return slow + height*c.share2/c.tau2*math.Exp(-t/c.tau2)
}

// since is the time from which the curve's slope stays within limit °C/s.
func (c *curve) since(limit float64) float64 {
	if math.Abs(c.slope(0)) <= limit {
		return 0
	}
	low, high := 0.0, 60*c.tau
	for range 100 {
		mid := (low + high) / 2
		if math.Abs(c.slope(mid)) > limit {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

// uncertainties are the standard uncertainties of TInf and tau: from noise, from
// rounding, and from a shape that is not quite that of the curve.
func (c *curve) uncertainties() (tInf, tau float64) {
	slow := 2
	if c.double {
		slow, _ = c.slowQuick()
	}
	return math.Hypot(math.Sqrt(c.cov.At(1, 1)), c.shape.tInf), math.Hypot(math.Sqrt(c.cov.At(slow, slow)), c.shape.tau)
}

// slowQuick are the places of the two time constants among the parameters of
// doubleModel.
func (c *curve) slowQuick() (slow, quick int) {
	if c.fit.b[3] < c.fit.b[4] {
		return 4, 3
	}
	return 3, 4
}

// fitLoad fits the loaded part of a log, whose time begins at the load, and
// judges the fit. The curve returned may be one that does not describe it.
func fitLoad(log samples, o Options) (*curve, Reason, fact.Fact) {
	n := len(log.time)
	if n < 8 {
		return nil, TooFew, fact.New("thermal.too-few-readings", "n", n)
	}
	span := log.time[n-1] - log.time[0]
	centres, means := stretchMeans(log.time, log.temp, min(20, n/2))
	rough := roughness(log.temp)
	first := means[0]
	if o.Start != nil {
		first = *o.Start
	}
	last := means[len(means)-1]
	moved := math.Max(slices.Max(means)-math.Min(first, means[0]), math.Abs(last-first))
	// A curve shows when it moves by more than three display steps and three times
	// the scatter of a stretch's mean; less than half a degree is no rise of a
	// graphics card (common practice, no source).
	scatter := rough / math.Sqrt(float64(n)/float64(len(centres)))
	needed := max(3*log.resolution, 3*scatter, 0.5)
	if !(span > 0) || moved < needed {
		return nil, NoRise, fact.New("thermal.hardly-moves",
			"moved", fact.In(moved, "°C").To(0.1), "needed", fact.In(needed, "°C").To(0.1))
	}
	s, err := fitLong(log, o.Start)
	if err != nil {
		if hump, ok := findHump(log, last-means[0], rough); ok {
			return nil, Overshoot, hump.told(log)
		}
		return nil, TooShort, fact.New("thermal.no-curve-settles")
	}
	c := &curve{rise: rise{s.b[0], s.b[1], s.b[2]}, model: riseModel, fit: s}
	c.res = examine(log.time, log.temp, c.at, log.resolution, c.tInf-c.t0)
	reason, why := c.judge(log, o, span)
	switch {
	case reason == Residuals && c.even.times == nil:
		c.even = c.evenly(log)
	case reason == Described:
		c.describes = true
	}
	if c.describes && c.even.noise.flat() {
		return c, reason, why // it leaves nothing that a second exponential could explain
	}
	if two := fitDouble(log, c, o, span); two != nil {
		two.describes = true
		return two, Described, fact.Fact{}
	}
	return c, reason, why
}

// judge says whether a curve describes the log: its end must be known, not
// guessed from a log that ends on the way there, and what the readings leave over
// must be what the sensor explains.
func (c *curve) judge(log samples, o Options, covered float64) (Reason, fact.Fact) {
	if c.tau > 0.95*covered {
		if c.tau > 5*covered {
			return TooShort, fact.New("thermal.straight-line")
		}
		return TooShort, fact.New("thermal.time-constant-beyond-log", "tau", span(c.tau), "covered", span(covered),
			"needed", fact.In(math.Ceil(3*c.tau/60), "min").To(1))
	}
	height := c.tInf - c.t0
	if reason, why := c.res.explain(log, height, o.U); reason != Described {
		return reason, why
	}
	if why := c.weigh(log); !why.IsZero() {
		return Residuals, why
	}
	seen := slices.Max(log.temp) - slices.Min(log.temp)
	u, _ := c.uncertainties()
	if u > math.Max(0.1*math.Abs(height), log.resolution) || math.Abs(height) > 4*seen {
		return TooShort, fact.New("thermal.end-not-known", "within", fact.In(2*u, "°C").To(0.1))
	}
	return Described, fact.Fact{}
}

// fitDouble tries two time constants, on means of neighbours when the log is
// long, and returns them only when they are clearly better than one and describe
// the log; nil otherwise. Two exponentials follow nearly any bend, so they have
// to show that they are there (thresholds: common practice, no source).
func fitDouble(log samples, one *curve, o Options, span float64) *curve {
	times, temps := thinned(log.time, log.temp, 200)
	height := one.tInf - one.t0
	if len(times) < 12 || !finite(height) || math.Abs(height) > 1e4 {
		return nil
	}
	two := &curve{double: true, model: doubleModel}
	two.fit.rss = math.Inf(1)
	// From here and there: least squares of two exponentials has several minima.
	for _, begin := range [...]struct{ slow, quick, share float64 }{{1.3, 0.15, 0.7}, {3, 0.3, 0.5}} {
		start := []float64{one.t0, one.tInf, -height * begin.share, one.tau * begin.slow, one.tau * begin.quick}
		s, err := fit(two.model, times, temps, start, knownFirst(o.Start), brief)
		if err == nil && s.rss < two.fit.rss {
			two.fit = s
		}
	}
	if math.IsInf(two.fit.rss, 1) {
		return nil
	}
	two.read()
	two.res = examine(log.time, log.temp, two.at, log.resolution, two.tInf-two.t0)
	if !two.visible(log.resolution, span) || !two.clearlyBetter(one, times, temps, log.resolution) {
		return nil
	}
	two.fit.known = knownFirst(o.Start)
	if reason, _ := two.judge(log, o, span); reason != Described {
		return nil
	}
	n := len(log.time)
	two.fit.rss = square(two.res.sd) * float64(n)
	two.fit.sigma = math.Sqrt(two.fit.rss / float64(n-two.fit.free))
	return two
}

// read takes the physical quantities out of the parameters of doubleModel.
func (c *curve) read() {
	c.t0, c.tInf = c.fit.b[0], c.fit.b[1]
	slow, quick := c.slowQuick()
	c.tau, c.tau2 = c.fit.b[slow], c.fit.b[quick]
	part1 := c.fit.b[2] / (c.t0 - c.tInf)
	c.share2 = part1
	if quick == 4 {
		c.share2 = 1 - part1
	}
}

// visible says whether two time constants can be seen apart: both in parts of the
// rise above the display step and 3 % of the rise, at least a factor 3 apart, and
// the slower one well within the log.
func (c *curve) visible(resolution, span float64) bool {
	height := math.Abs(c.tInf - c.t0)
	least := math.Max(0.03*height, resolution)
	return c.share2 > 0 && c.share2 < 1 && c.share2*height >= least && (1-c.share2)*height >= least &&
		c.tau >= 3*c.tau2 && c.tau <= span/2.5
}

// clearlyBetter compares two time constants with one over the readings that both
// were fitted to. Each must be known to 50 % and each part of the rise to three
// standard errors; the curves must differ by more than a quarter of a display
// step and 0.5 % of the rise; and Akaike's criterion for small samples must fall
// by more than 10, where readings count as autocorrelation leaves them:
// AICc = n ln(RSS) + 2k + 2k(k+1)/(n−k−1), k the number of parameters with the
// variance (Hurvich and Tsai, Biometrika 76, 1989; Burnham and Anderson, Model
// Selection, for the 10; both from memory).
func (c *curve) clearlyBetter(one *curve, times, temps []float64, resolution float64) bool {
	height := math.Abs(c.tInf - c.t0)
	left := make([]float64, len(times))
	var rssOne, rssTwo, apart float64
	for i, t := range times {
		atOne, atTwo := one.at(t), c.at(t)
		rssOne += square(temps[i] - atOne)
		left[i] = temps[i] - atTwo
		rssTwo += square(left[i])
		apart = math.Max(apart, math.Abs(atOne-atTwo))
	}
	rho := lagOne(left)
	wide := math.Sqrt((1 + rho) / (1 - rho)) // as if only n(1−ρ)/(1+ρ) readings were there (common practice)
	for place := 3; place <= 4; place++ {
		if !(wide*c.fit.se[place] < 0.5*c.fit.b[place]) {
			return false
		}
	}
	a1 := c.fit.b[2]
	a2 := c.t0 - c.tInf - a1
	if !(math.Abs(a1) > 3*wide*c.fit.se[2]) ||
		one.fit.known == 0 && !(math.Abs(a2) > 3*wide*c.errorOf([]float64{1, -1, -1, 0, 0})) {
		return false
	}
	n := float64(len(times)) * (1 - rho) / (1 + rho)
	tiny := 1e-12 * height * height * n // a curve without noise leaves nothing over
	aicc := func(rss float64, free int) float64 {
		k := float64(free + 1)
		return n*math.Log(rss+tiny) + 2*k + 2*k*(k+1)/(n-k-1)
	}
	if n <= float64(c.fit.free+2) {
		return false
	}
	gain := aicc(rssOne, one.fit.free) - aicc(rssTwo, c.fit.free)
	return gain > 10 && apart > math.Max(0.25*resolution, 0.005*height)
}
