package thermal

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/holes"
)

// Options are what the plan, the family and the technician state. The zero
// value is usable: what is not stated is not computed.
type Options struct {
	Start *float64 // °C, T0 when it is known; fitted when nil

	Ambient  *float64 // °C, when the log has no ambient column
	AmbientU float64  // °C, standard uncertainty of the ambient temperature

	U     float64 // °C, standard uncertainty of the sensor, without its display step
	Place Place   // where the sensor sits

	Limit        *float64 // °C
	LimitPlace   Place
	RatedAmbient *float64 // °C, at which the limit holds

	Every    float64 // s, interval at which readings were asked for; 0 when nobody asked
	GoodRise float64 // °C, least rise over ambient of known-good cards; 0 when not known

	Drift  float64 // °C per hour, limit of stability; 2 when zero
	Window float64 // s, for the last slope; chosen when zero
}

// A Report is everything that follows from one log. Fields that are not known
// are nil. Times are the log's own, except time constants. Its JSON is flat.
type Report struct {
	Health
	Fit
	Stability
	Hottest
	Heat
	Prediction
	Assumptions []fact.Fact `json:"assumptions"`

	Cooling    *Cooling     `json:"cooling,omitempty"`
	Throttling []Throttling `json:"throttling"`

	Input
	Sentences []fact.Fact `json:"sentences"`
	Settle    []fact.Fact `json:"settle"` // what would settle what is open

	Curve []CurvePoint `json:"curve,omitempty"`
}

// A Fit is the curve that describes the log, or why none does.
type Fit struct {
	T0           *float64  `json:"t0"`
	TInf         *float64  `json:"t_inf"`
	TInfU        float64   `json:"t_inf_u,omitempty"` // standard uncertainty, with autocorrelation and display step
	Tau          *float64  `json:"tau_s"`             // the longer of two
	TauU         float64   `json:"tau_u_s,omitempty"`
	Tau2         *float64  `json:"tau2_s,omitempty"`
	Share2       *float64  `json:"share2,omitempty"` // of the rise that goes with tau2
	DescribesLog bool      `json:"describes_log"`
	Reason       Reason    `json:"reason,omitempty"`
	Why          fact.Fact `json:"why,omitzero"` // it does not describe the log
}

// A Stability says whether the temperature had settled at the end of the load.
type Stability struct {
	Settling     Settling    `json:"settling"`
	StableSince  *float64    `json:"stable_since_s"`
	SlopePerHour *float64    `json:"slope_per_hour"`
	SlopeCI      *[2]float64 `json:"slope_ci"` // 95 %
	SlopeWindow  *float64    `json:"slope_window_s"`
	SlopeLimit   float64     `json:"slope_limit_per_hour"`
	ModelSlope   *float64    `json:"model_slope_per_hour,omitempty"`
}

// Hottest is the highest temperature, at the sensor's place.
type Hottest struct {
	Peak         float64  `json:"peak"` // °C, without the noise of the readings
	PeakU        float64  `json:"peak_u"`
	PeakNoise    float64  `json:"peak_noise_u"`    // °C, the part of PeakU that comes from noise
	SensorU      float64  `json:"-"`               // °C, the part that comes from the sensor; 0 when not known
	Highest      float64  `json:"highest_reading"` // °C, of all rows
	PeakAt       float64  `json:"peak_at_s"`
	PeakIsolated bool     `json:"peak_isolated"` // one reading far above its neighbours
	Place        Place    `json:"place"`
	Second       *float64 `json:"second_peak,omitempty"`
}

// Heat is what the temperature says of the heat that the cooler takes away.
type Heat struct {
	Ambient  *float64 `json:"ambient"`
	AmbientU *float64 `json:"ambient_u,omitempty"`
	Rise     *float64 `json:"rise"` // °C over ambient: of the fitted end, else of the last window when stable
	RiseU    *float64 `json:"rise_u,omitempty"`
	Power    *float64 `json:"power"`
	Theta    *float64 `json:"theta"` // °C/W
	ThetaU   *float64 `json:"theta_u,omitempty"`
	ThetaIs  string   `json:"theta_name,omitempty"`
}

// A Prediction carries the rise over to the rated ambient temperature and holds
// it against the limit.
type Prediction struct {
	Predicted      *float64  `json:"predicted_peak"` // °C at the rated ambient
	PredictedU     *float64  `json:"predicted_peak_u,omitempty"`
	Margin         *float64  `json:"margin"`                     // °C, limit minus predicted peak
	MarginAsLogged *float64  `json:"margin_as_logged,omitempty"` // limit minus the peak as it was
	PlaceProblem   fact.Fact `json:"place_problem,omitzero"`

	// Verdict on the limit: at the rated ambient temperature when one is given,
	// as logged when not; not run without a limit.
	Verdict conformity.Verdict `json:"verdict"`
}

// Cooling is the curve after the load, a cross-check of the time constant.
type Cooling struct {
	Tau      *float64  `json:"tau_s"`  // nil when no curve describes it
	Agrees   *bool     `json:"agrees"` // nil when there are not two to compare
	Sentence fact.Fact `json:"sentence"`
}

// An Input says what was read, over all rows, and which part of it was under
// load.
type Input struct {
	Readings   int          `json:"readings"`
	Dropped    int          `json:"dropped"`    // rows without time or temperature
	Decimated  bool         `json:"decimated"`  // too many to be kept one by one
	Resolution float64      `json:"resolution"` // °C; 0: none seen
	LoadStart  float64      `json:"load_start_s"`
	LoadEnd    float64      `json:"load_end_s"`
	Gaps       []holes.Hole `json:"gaps"`
	Tested     float64      `json:"tested_s"` // of the load, without the gaps

	Impossible int          `json:"impossible,omitempty"` // readings that no card can give, left out
	Odd        []Reading    `json:"odd,omitempty"`        // the first of them
	Leaps      []holes.Hole `json:"leaps,omitempty"`      // from one level to another that no card reaches so fast
}

// A CurvePoint is one point of the figure. Fit, Low and High are nil where no
// curve is drawn; the band is where a reading is expected (95 %).
type CurvePoint struct {
	Time float64  `json:"t"`
	Temp float64  `json:"temp"`
	Fit  *float64 `json:"fit,omitempty"`
	Low  *float64 `json:"low"`
	High *float64 `json:"high"`
}

// analyse judges a log of which seen and hottest say what every row showed.
func analyse(log samples, seen Input, hottest Hottest, o Options) Report {
	if o.Drift <= 0 {
		o.Drift = usualDrift
	}
	cycling := findCycling(log)
	var loads []holes.Hole
	if cycling == nil || len(finiteOf(log.other[Power])) > 0 {
		loads = findLoads(log)
	}
	if len(loads) > 1 {
		log = longestLoad(log, loads)
		cycling = findCycling(log)
	}
	p := findPhases(log)
	load := log.between(p.start, p.end)
	seen.LoadStart, seen.LoadEnd = p.start, p.end
	seen.Tested = p.end - p.start
	for _, g := range seen.Gaps {
		seen.Tested -= g.Within(p.start, p.end)
	}
	r := Report{
		Input: seen, Hottest: hottest, Health: Health{Loads: loads, Cycling: cycling},
		Assumptions: []fact.Fact{}, Sentences: []fact.Fact{}, Settle: []fact.Fact{},
	}
	if p.guessed {
		r.Assumptions = append(r.Assumptions, fact.New("thermal.load-by-temperature",
			"from", fact.In(p.start, "s").To(1), "to", fact.In(p.end, "s").To(1)))
	}
	ambient := airOf(load)
	c, reason, why := fitLoad(ambient.over(load).from(p.start), o)
	if c != nil {
		c.ambient = ambient
	}
	r.takeFit(c, reason, why)
	r.takePeak(log, c, o)
	r.takeStability(load, c, o)
	r.takeHeat(load, c, o)
	r.takeHealth(log, load, o)
	r.takePrediction(c, o)
	if p.endSeen {
		r.takeCooling(log, o)
	}
	r.Throttling = throttlings(load)
	r.takeCurve(log, c)
	r.tell(o)
	return r
}

func (r *Report) takeFit(c *curve, reason Reason, why fact.Fact) {
	r.Reason, r.Why, r.DescribesLog = reason, why, reason == Described
	if !r.DescribesLog {
		return
	}
	r.T0, r.TInf, r.Tau = new(c.t0), new(c.tInf), new(c.tau)
	r.TInfU, r.TauU = c.uncertainties()
	// The card follows the air a time constant late; half of that is taken to be known.
	late := c.ambient.slope * c.tau
	*r.TInf += late
	r.TInfU = math.Hypot(r.TInfU, late/2)
	r.TauU = math.Hypot(r.TauU, c.tau*c.ambient.moved()/(c.tInf-c.t0)/4)
	if c.double {
		r.Tau2, r.Share2 = new(c.tau2), new(c.share2)
	}
}

// takePeak finds the highest temperature, which is not the highest of many readings
// with noise: the curve where it describes the log, else means over a minute or two,
// and beside either whatever stands out of the noise.
func (r *Report) takePeak(log samples, c *curve, o Options) {
	r.Place = o.Place
	if second := finiteOf(log.other[Second]); len(second) > 0 {
		r.Second = new(floats.Max(second))
	}
	base, u := r.smooth(log, c)
	above := bumps(log, base, r.DescribesLog)
	r.Peak = math.Inf(-1)
	for i, temp := range base {
		if temp+above[i] > r.Peak {
			r.Peak, r.PeakAt = temp+above[i], log.time[i]
		}
	}
	r.PeakNoise, r.SensorU = u, o.U
	r.PeakU = math.Hypot(math.Hypot(o.U, u), log.resolution/math.Sqrt(12)) // a display step is rectangular
	if r.Decimated {
		return // neighbours are no single readings
	}
	for i := 1; i+1 < len(log.time); i++ {
		if log.time[i] == r.PeakAt && above[i] > 0 {
			beside := math.Max(log.temp[i-1], log.temp[i+1])
			r.PeakIsolated = log.temp[i]-beside > math.Max(3*log.resolution, 5*usualStep(log.temp))
			return
		}
	}
}

func (r *Report) takeStability(load samples, c *curve, o Options) {
	r.SlopeLimit = o.Drift
	if r.Reason != Described && r.Reason != Residuals {
		c = nil
	}
	t, verdict := settled(load, c, o.Window, o.Drift)
	r.Settling = verdict
	if t.n > 0 {
		r.SlopePerHour, r.SlopeCI, r.SlopeWindow = new(t.perHour), &[2]float64{t.low, t.high}, new(t.window)
	}
	if r.DescribesLog {
		r.ModelSlope = new(c.slope(r.LoadEnd-r.LoadStart) * 3600)
	}
	if verdict != Stable {
		return
	}
	if r.DescribesLog {
		if at := r.LoadStart + c.since(o.Drift/3600); at <= r.LoadEnd {
			r.StableSince = &at
			return
		}
	}
	if at, ok := stableSince(load, t.window, o.Drift); ok {
		r.StableSince = &at
	}
}

// takeHeat works out ambient, rise and thermal resistance, θ = ΔT/P (JESD51-1,
// from memory).
func (r *Report) takeHeat(load samples, c *curve, o Options) {
	end := load.time[len(load.time)-1]
	window := 600.0
	if r.SlopeWindow != nil {
		window = math.Min(window, *r.SlopeWindow)
	}
	last := load.between(end-window, end)
	if ambient := finiteOf(last.other[Ambient]); len(ambient) > 0 {
		r.Ambient = new(stat.Mean(ambient, nil))
		if r.DescribesLog && len(c.ambient.times) > 0 {
			r.Ambient = new(c.ambient.last)
		}
		r.AmbientU = new(math.Hypot(o.AmbientU, resolutionOf(ambient)/math.Sqrt(12)))
	} else if o.Ambient != nil {
		r.Ambient, r.AmbientU = new(*o.Ambient), new(o.AmbientU)
	}
	var warm, u float64
	switch {
	case r.Ambient == nil:
		return
	case r.DescribesLog:
		warm, u = *r.TInf, math.Hypot(o.U, r.TInfU)
	case r.Settling == Stable:
		warm, u = stat.Mean(last.temp, nil), r.PeakU
	default:
		return
	}
	r.Rise = new(warm - *r.Ambient)
	r.RiseU = new(math.Hypot(u, *r.AmbientU))
	power := finiteOf(last.other[Power])
	if len(power) == 0 {
		return
	}
	r.Power = new(stat.Mean(power, nil))
	if *r.Power > 0 {
		r.Theta, r.ThetaU = new(*r.Rise / *r.Power), new(*r.RiseU / *r.Power)
		r.ThetaIs = o.Place.theta()
	}
}

// takePrediction carries the rise over to the rated ambient temperature and
// holds it against the limit.
func (r *Report) takePrediction(c *curve, o Options) {
	if !r.Doubt.IsZero() {
		if o.Limit != nil {
			r.Verdict = conformity.Inconclusive
		}
		return
	}
	if o.Limit != nil {
		if r.PlaceProblem = placeProblem(o.Place, o.LimitPlace); r.PlaceProblem.IsZero() {
			r.MarginAsLogged = new(*o.Limit - r.Peak)
		}
	}
	r.Verdict = r.verdictAsLogged(o)
	if o.RatedAmbient == nil || r.Ambient == nil || !r.MayPredict() {
		return
	}
	warm, u := r.Peak, r.PeakU
	if r.DescribesLog {
		end, endU := *r.TInf, math.Hypot(o.U, r.TInfU)
		if r.Settling == StillRising {
			endU = math.Max(endU, r.stillToCome(c)/2)
			r.Assumptions = append(r.Assumptions, fact.New("thermal.still-to-come", "time", fact.In(slowest/60, "min").To(1)))
		}
		if end > warm-2*endU { // else something stands out above the end
			warm, u = end, endU
		}
	}
	warm += *o.RatedAmbient - *r.Ambient
	u = math.Hypot(u, *r.AmbientU)
	r.Predicted, r.PredictedU = &warm, &u
	r.Assumptions = append(r.Assumptions, fact.New("thermal.same-rise"))
	if r.MarginAsLogged != nil {
		r.Margin = new(*o.Limit - warm)
		r.Verdict = guarded(*r.Margin, u)
	}
}

// slowest is the slowest plausible time constant of a card and the case around it, in
// seconds (common practice, no source).
const slowest = 1800

// stillToCome bounds by how much the temperature may end above the curve's end while
// it rises: by the steepest slope that the readings allow, kept up for the slowest
// plausible time constant, from where the curve is now.
func (r *Report) stillToCome(c *curve) float64 {
	now := c.at(r.LoadEnd - r.LoadStart)
	return now + r.SlopeCI[1]/3600*math.Max(slowest, 2*c.tau) - *r.TInf
}

// guarded is the verdict on a margin to a limit by the guarded rule with U = 2u.
func guarded(margin, u float64) conformity.Verdict {
	r, err := conformity.Judge(margin, conformity.StandardUncertainty(u), conformity.AtLeast(0), conformity.Guarded)
	if err != nil {
		return conformity.Inconclusive
	}
	return r.Verdict
}

// verdictAsLogged holds the peak as it was against the limit. Where a rated
// ambient temperature is asked for, a peak under the limit decides nothing.
func (r *Report) verdictAsLogged(o Options) conformity.Verdict {
	if o.Limit == nil {
		return conformity.NotRun
	}
	if r.MarginAsLogged == nil {
		return conformity.Inconclusive
	}
	v := guarded(*r.MarginAsLogged, r.PeakU)
	if v == conformity.Pass && o.RatedAmbient != nil {
		return conformity.Inconclusive
	}
	return v
}

// MayPredict says whether the log carries a prediction: from a curve that describes
// it, or from a level that did not move during the whole log and is stable.
func (r *Report) MayPredict() bool {
	return r.DescribesLog || r.Reason == NoRise && r.Settling == Stable
}

// takeCooling fits the fall after the load. The same card in the same air cools
// with the time constant of its rise.
func (r *Report) takeCooling(log samples, o Options) {
	after := log.between(r.LoadEnd, log.time[len(log.time)-1]).from(r.LoadEnd)
	// A reading or two of delay before the fall is not part of the curve.
	for len(after.time) > 8 && after.temp[1] >= after.temp[0] {
		after.time, after.temp = after.time[1:], after.temp[1:]
	}
	after.other[Power] = nil
	o.Start = nil
	c, reason, why := fitLoad(after, o)
	if reason != Described {
		r.Cooling = &Cooling{Sentence: fact.New("thermal.no-cooling-curve", "why", why)}
		return
	}
	_, tauU := c.uncertainties()
	k := &Cooling{Tau: new(c.tau)}
	r.Cooling = k
	tau, u := fact.In(c.tau, "s").To(1), atLeast(1, 2*tauU, "s")
	if !r.DescribesLog {
		k.Sentence = fact.New("thermal.cooling", "tau", tau, "u", u)
		return
	}
	k.Agrees = new(math.Abs(c.tau-*r.Tau) <= math.Max(0.15**r.Tau, 2*math.Hypot(tauU, r.TauU)))
	if *k.Agrees {
		k.Sentence = fact.New("thermal.cooling-agrees", "tau", tau, "u", u, "rise", fact.In(*r.Tau, "s").To(1))
	} else {
		ratio := fact.In(c.tau / *r.Tau, "").To(0.01)
		k.Sentence = fact.New("thermal.cooling-differs", "tau", tau, "u", u, "ratio", ratio)
	}
}

// takeCurve thins the whole log for the figure and adds the fit and its band.
func (r *Report) takeCurve(log samples, c *curve) {
	times, temps := thinned(log.time, log.temp, 400)
	for i, time := range times {
		p := CurvePoint{Time: time, Temp: temps[i]}
		if r.DescribesLog && p.Time >= r.LoadStart && p.Time <= r.LoadEnd {
			t := p.Time - r.LoadStart
			at := c.at(t) + c.ambient.at(p.Time)
			half := 2 * math.Hypot(c.fit.sigma, c.u(t))
			p.Fit, p.Low, p.High = new(at), new(at-half), new(at+half)
		}
		r.Curve = append(r.Curve, p)
	}
}
