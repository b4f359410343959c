package thermal

import (
	"fmt"
	"math"
	"slices"
)

// curve is a fitted model with what is needed to draw and judge it. Time zero
// is the start of the load.
type curve struct {
	double bool
	sol    Solution
	fixed  *float64
	res    residuals
	rho    float64 // autocorrelation of the residuals that entered the fit
	t0     float64
	tInf   float64
	tau    float64 // the longer one of two
	tau2   float64
	share2 float64 // of the rise that goes with tau2
}

func (c *curve) model() Model {
	switch {
	case c.double && c.fixed != nil:
		return fixedDoubleModel(*c.fixed)
	case c.double:
		return doubleModel
	case c.fixed != nil:
		return fixedRiseModel(*c.fixed)
	}
	return riseModel
}

func (c *curve) at(t float64) float64 { return c.model()(t, c.sol.B, nil) }

// u is the standard uncertainty of the curve at t from the fit alone, widened
// for autocorrelation.
func (c *curve) u(t float64) float64 {
	g := make([]float64, len(c.sol.B))
	c.model()(t, c.sol.B, g)
	return math.Sqrt(c.variance(g) * c.inflation())
}

// inflation widens a variance of the fit for autocorrelated residuals.
func (c *curve) inflation() float64 { return (1 + c.rho) / (1 - c.rho) }

func (c *curve) variance(g []float64) float64 {
	v := 0.0
	for i := range g {
		for j := range g {
			v += g[i] * g[j] * c.sol.Cov[i][j]
		}
	}
	return math.Max(0, v)
}

// slope is the rate of change at t in °C per second.
func (c *curve) slope(t float64) float64 {
	if !c.double {
		return Rise{c.t0, c.tInf, c.tau}.Slope(t)
	}
	rise := c.tInf - c.t0
	return rise*(1-c.share2)/c.tau*math.Exp(-t/c.tau) + rise*c.share2/c.tau2*math.Exp(-t/c.tau2)
}

// since is the time from which the curve's slope stays within limit °C/s.
func (c *curve) since(limit float64) float64 {
	if !c.double {
		return Rise{c.t0, c.tInf, c.tau}.TimeToSlope(limit)
	}
	low, high := 0.0, 60*c.tau
	if math.Abs(c.slope(0)) <= limit {
		return 0
	}
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

// errors returns the standard errors by name, as least squares gives them.
func (c *curve) errors() map[string]float64 {
	if !c.double {
		if c.fixed != nil {
			return map[string]float64{"t0": 0, "t_inf": c.sol.SE[0], "tau_s": c.sol.SE[1]}
		}
		return map[string]float64{"t0": c.sol.SE[0], "t_inf": c.sol.SE[1], "tau_s": c.sol.SE[2]}
	}
	slow, fast := c.slowFast()
	out := map[string]float64{"t0": 0, "t_inf": c.sol.SE[0], "tau_s": c.sol.SE[slow], "tau2_s": c.sol.SE[fast]}
	if c.fixed == nil {
		out["t0"] = math.Sqrt(c.variance([]float64{1, 1, 0, 1, 0}))
	}
	return out
}

// slowFast are the places of the two time constants among the parameters.
func (c *curve) slowFast() (slow, fast int) {
	slow, fast = 2, len(c.sol.B)-1
	if c.sol.B[slow] < c.sol.B[fast] {
		slow, fast = fast, slow
	}
	return slow, fast
}

func singleCurve(s Solution, fixed *float64) *curve {
	c := &curve{sol: s, fixed: fixed}
	if fixed != nil {
		c.t0, c.tInf, c.tau = *fixed, s.B[0], s.B[1]
	} else {
		c.t0, c.tInf, c.tau = s.B[0], s.B[1], s.B[2]
	}
	return c
}

// fitLoad fits the loaded part of a log, whose time begins at the load, and
// judges the fit. The curve returned may be one that does not describe it.
func fitLoad(l Log, o Options) (*curve, Reason, string) {
	n := len(l.Time)
	if n < 8 {
		return nil, TooFew, fmt.Sprintf("%d readings under load are too few for a curve of three parameters; 8 is the least", n)
	}
	span := l.Time[n-1] - l.Time[0]
	at, m := stretchMeans(l.Time, l.Temp, min(20, n/2))
	rough := roughness(l.Temp)
	first := m[0]
	if o.Start != nil {
		first = *o.Start
	}
	seen := math.Max(slices.Max(m)-math.Min(first, m[0]), math.Abs(m[len(m)-1]-first))
	if need := math.Max(math.Max(3*l.Resolution, 3*rough/math.Sqrt(float64(n)/float64(len(at)))), 0.5); !(span > 0) || seen < need {
		return nil, NoRise, fmt.Sprintf("the temperature moves by %.1f °C only, too little to see a curve in (%.1f °C is needed with this sensor)", seen, need)
	}
	s, err := FitRise(l.Time, l.Temp, o.Start)
	if err != nil {
		if over, at, ok := overshoot(l, m[len(m)-1]-m[0], rough); ok {
			return nil, Overshoot, fmt.Sprintf("the temperature overshoots by %.1f °C at %.0f s and then falls: fan or clock control stepping in", over, at)
		}
		return nil, TooShort, "no saturating curve settles on these readings: they rise almost in a straight line, or not in one piece"
	}
	c := singleCurve(s, o.Start)
	c.res = examine(l.Time, l.Temp, c.at, l.Resolution, c.tInf-c.t0)
	c.rho = c.res.rho
	reason, why := c.judge(l, o, span)
	if two := fitDouble(l, c, o, span); two != nil {
		return two, Described, ""
	}
	return c, reason, why
}

// judge says whether a curve describes the log.
func (c *curve) judge(l Log, o Options, span float64) (Reason, string) {
	seen := slices.Max(l.Temp) - slices.Min(l.Temp)
	u := math.Sqrt(c.inflation()) * c.errors()["t_inf"]
	if c.tau > 0.95*span {
		if c.tau > 5*span {
			return TooShort, "the temperature rises almost in a straight line to the end of the log: where it would end cannot be known; log for longer"
		}
		return TooShort, fmt.Sprintf("the time constant would be %.3g s but the log covers %.3g s under load: where it would end cannot be known; log at least %.3g s", c.tau, span, 3*c.tau)
	}
	if reason, why := c.res.explain(l, c.tInf-c.t0, o.U); reason != Described {
		return reason, why
	}
	if u > math.Max(0.1*math.Abs(c.tInf-c.t0), l.Resolution) || math.Abs(c.tInf-c.t0) > 4*seen {
		return TooShort, fmt.Sprintf("the final temperature is known to ±%.1f °C only; a longer log is needed", 2*u)
	}
	return Described, ""
}

// fitDouble tries two time constants, on means of neighbours when the log is
// long, and returns them only when they are clearly better: AICc lower by more
// than 10 (counting readings as autocorrelation leaves them), the two at least
// a factor 3 apart and each known to 50 %, both shares above the display step,
// 3 % of the rise and three standard errors, the slower one within the log, the
// curves visibly different, and nothing systematic left. nil otherwise.
func fitDouble(l Log, one *curve, o Options, span float64) *curve {
	t, y := thinned(l.Time, l.Temp, 200)
	if len(t) < 12 {
		return nil
	}
	rise := one.tInf - one.t0
	if !finite(rise) || math.Abs(rise) > 1e4 {
		return nil
	}
	var best *curve
	for _, k := range [...][3]float64{{1.3, 0.15, 0.7}, {3, 0.3, 0.5}} {
		start := []float64{one.tInf, -rise * k[2], one.tau * k[0], -rise * (1 - k[2]), one.tau * k[1]}
		model := Model(doubleModel)
		if o.Start != nil {
			start, model = []float64{start[0], start[1], start[2], start[4]}, fixedDoubleModel(*o.Start)
		}
		s, err := fit(model, t, y, start, 60, []float64{1e-2})
		if err == nil && (best == nil || s.RSS < best.sol.RSS) {
			best = &curve{double: true, sol: s, fixed: o.Start}
		}
	}
	if best == nil {
		return nil
	}
	best.read()
	rise = best.tInf - best.t0
	best.res = examine(l.Time, l.Temp, best.at, l.Resolution, rise)
	if !best.clearlyBetter(one, t, y, l.Resolution, span) {
		return nil
	}
	if reason, _ := best.judge(l, o, span); reason != Described {
		return nil
	}
	best.sol.RSS = square(best.res.sd) * float64(len(l.Time))
	best.sol.DF = len(l.Time) - len(best.sol.B)
	best.sol.Sigma = math.Sqrt(best.sol.RSS / float64(best.sol.DF))
	return best
}

// read takes the physical quantities out of the parameters.
func (c *curve) read() {
	b := c.sol.B
	c.tInf = b[0]
	slow, fast := c.slowFast()
	c.tau, c.tau2 = b[slow], b[fast]
	a1 := b[1]
	var a2 float64
	if c.fixed != nil {
		c.t0 = *c.fixed
		a2 = c.t0 - c.tInf - a1
	} else {
		a2 = b[3]
		c.t0 = c.tInf + a1 + a2
	}
	quick := a2
	if fast == 2 {
		quick = a1
	}
	c.share2 = quick / (a1 + a2)
}

func (c *curve) clearlyBetter(one *curve, t, y []float64, q, span float64) bool {
	rise := c.tInf - c.t0
	least := math.Max(0.03*math.Abs(rise), q)
	quick, slowPart := math.Abs(c.share2*rise), math.Abs((1-c.share2)*rise)
	if !(c.share2 > 0 && c.share2 < 1) || quick < least || slowPart < least || c.tau < 3*c.tau2 || c.tau > span {
		return false
	}
	var rss1, rss2, apart, r float64
	res := make([]float64, len(t))
	for i := range t {
		a, b := one.at(t[i]), c.at(t[i])
		rss1 += square(y[i] - a)
		res[i] = y[i] - b
		rss2 += square(res[i])
		apart = math.Max(apart, math.Abs(a-b))
	}
	r = lagOne(res)
	c.rho = r
	slow, fast := c.slowFast()
	wide := math.Sqrt((1 + r) / (1 - r))
	for _, k := range []int{slow, fast} {
		if !(c.sol.SE[k]*wide < 0.5*c.sol.B[k]) {
			return false
		}
	}
	if !(math.Abs(c.sol.B[1]) > 3*wide*c.sol.SE[1]) || (c.fixed == nil && !(math.Abs(c.sol.B[3]) > 3*wide*c.sol.SE[3])) {
		return false
	}
	n := float64(len(t)) * (1 - r) / (1 + r)
	k1, k2 := float64(len(one.sol.B)+1), float64(len(c.sol.B)+1)
	if n <= k2+1 {
		return false
	}
	aicc := func(rss, k float64) float64 {
		return n*math.Log(rss+1e-12*rise*rise*n) + 2*k + 2*k*(k+1)/(n-k-1)
	}
	visible := math.Max(0.25*q, 0.005*math.Abs(rise))
	return aicc(rss1, k1)-aicc(rss2, k2) > 10 && apart > visible
}
