package thermal

import (
	"fmt"
	"math"

	"proveout/scoring/conformity"
)

// Options are what the plan, the family and the technician state. The zero
// value is usable: what is not stated is not computed.
type Options struct {
	Start     *float64 // °C, T0 when it is known; fitted when nil
	LoadStart *float64 // s, in the log's time; found when nil
	LoadEnd   *float64 // s, in the log's time; found when nil

	Ambient  *float64 // °C, when the log has no ambient column
	AmbientU float64  // °C, standard uncertainty of the ambient temperature

	U     float64 // °C, standard uncertainty of the sensor, without its display step
	Place Place   // where the sensor sits

	Limit        *float64 // °C
	LimitPlace   Place
	Offset       *Offset  // from Place to LimitPlace
	RatedAmbient *float64 // °C, at which the limit holds

	Drift  Drift   // limit of stability; 2 °C in 3600 s when zero
	Window float64 // s, for the last slope; chosen when zero
}

// A Report is everything that follows from one log. Fields that are not known
// are nil. Times are the log's own, except tau.
type Report struct {
	Model        *string            `json:"model"` // "exponential", "two exponentials"; nil when none describes the log
	T0           *float64           `json:"t0"`
	TInf         *float64           `json:"t_inf"`
	Tau          *float64           `json:"tau_s"` // the longer of two
	Tau2         *float64           `json:"tau2_s,omitempty"`
	Share2       *float64           `json:"share2,omitempty"` // of the rise that goes with tau2
	SE           map[string]float64 `json:"se"`               // as least squares states them
	U            map[string]float64 `json:"u"`                // standard uncertainty: widened for autocorrelation, with the display step
	ResidualSD   *float64           `json:"residual_sd"`
	RSS          *float64           `json:"rss"`
	Systematic   *float64           `json:"residual_systematic,omitempty"` // °C
	Allowed      *float64           `json:"residual_allowed,omitempty"`    // °C
	DescribesLog bool               `json:"describes_log"`
	Reason       Reason             `json:"reason,omitempty"`
	Why          string             `json:"why"`

	Stable       *bool       `json:"stable"` // nil: cannot tell
	Settling     Settling    `json:"settling"`
	StableSince  *float64    `json:"stable_since_s"`
	SinceBasis   string      `json:"stable_since_basis,omitempty"` // "fit" or "windows"
	SlopePerHour *float64    `json:"slope_per_hour"`
	SlopeCI      *[2]float64 `json:"slope_ci"`
	SlopeWindow  *float64    `json:"slope_window_s"`
	SlopeLimit   float64     `json:"slope_limit_per_hour"`
	ModelSlope   *float64    `json:"model_slope_per_hour,omitempty"`

	Peak         float64  `json:"peak"` // °C, at the sensor's place
	PeakU        float64  `json:"peak_u"`
	PeakAt       float64  `json:"peak_at_s"`
	PeakIsolated bool     `json:"peak_isolated"` // one reading far above its neighbours
	Place        Place    `json:"place"`
	Second       *float64 `json:"second_peak,omitempty"`

	Ambient  *float64 `json:"ambient"`
	AmbientU *float64 `json:"ambient_u,omitempty"`
	Rise     *float64 `json:"rise"` // °C over ambient: of the fitted end, else of the last window when stable
	RiseU    *float64 `json:"rise_u,omitempty"`
	Power    *float64 `json:"power"`
	Theta    *float64 `json:"theta"` // °C/W
	ThetaU   *float64 `json:"theta_u,omitempty"`
	ThetaIs  string   `json:"theta_name,omitempty"`

	Predicted      *float64 `json:"predicted_peak"` // °C at the rated ambient, at the limit's place when a limit is stated
	PredictedU     *float64 `json:"predicted_peak_u,omitempty"`
	PredictedBasis string   `json:"predicted_basis,omitempty"`
	Margin         *float64 `json:"margin"` // °C, limit minus predicted peak
	MarginU        *float64 `json:"margin_u,omitempty"`
	MarginAsLogged *float64 `json:"margin_as_logged,omitempty"` // limit minus the peak as it was
	PlaceProblem   string   `json:"place_problem,omitempty"`

	// Verdict on the limit: at the rated ambient temperature when one is given,
	// as logged when not; not run without a limit.
	Verdict     conformity.Verdict `json:"verdict"`
	Assumptions []string           `json:"assumptions"`

	Cooling    *Cooling     `json:"cooling,omitempty"`
	Throttling []Throttling `json:"throttling"`

	Readings   int      `json:"readings"`
	Dropped    int      `json:"dropped"` // rows without time or temperature
	Decimated  bool     `json:"decimated"`
	Resolution float64  `json:"resolution"` // °C; 0: none seen
	LoadStart  float64  `json:"load_start_s"`
	LoadEnd    float64  `json:"load_end_s"`
	Gaps       []Gap    `json:"gaps"`
	Sentences  []string `json:"sentences"`
	Settle     []string `json:"settle"` // what would settle what is open

	Curve []CurvePoint `json:"curve,omitempty"`
}

// A CurvePoint is one point of the figure. Fit, Low and High are nil where no
// curve is drawn; the band is where a reading is expected (95 %).
type CurvePoint struct {
	Time float64  `json:"t"`
	Temp float64  `json:"temp"`
	Min  float64  `json:"min"`
	Max  float64  `json:"max"`
	Fit  *float64 `json:"fit,omitempty"`
	Low  *float64 `json:"low"`
	High *float64 `json:"high"`
}

// Cooling is the curve after the load, a cross-check of the time constant.
type Cooling struct {
	Tau          *float64 `json:"tau_s"`
	SE           *float64 `json:"se,omitempty"`
	TInf         *float64 `json:"t_inf"`
	DescribesLog bool     `json:"describes_log"`
	Why          string   `json:"why"`
	Agrees       *bool    `json:"agrees"` // nil when there are not two to compare
	Ratio        *float64 `json:"ratio,omitempty"`
}

// Analyse judges one log.
func Analyse(l Log, o Options) (Report, error) {
	clean, dropped, err := l.clean()
	if err != nil {
		return Report{}, err
	}
	if clean.Resolution == 0 {
		clean.Resolution = Resolution(clean.Temp)
	}
	at, peak := 0, clean.Temp[0]
	for i, v := range clean.Temp {
		if v > peak {
			at, peak = i, v
		}
	}
	seen := extent{peak: peak, peakAt: clean.Time[at], rows: len(clean.Time), dropped: dropped, gaps: gaps(clean.Time)}
	return analyse(clean, nil, nil, seen, o), nil
}

// extent is what is known of every row, also when the log was decimated.
type extent struct {
	peak, peakAt  float64
	rows, dropped int
	gaps          []Gap
	decimated     bool
}

func analyse(l Log, low, high []float64, seen extent, o Options) Report {
	if o.Drift.Change <= 0 || o.Drift.Per <= 0 {
		o.Drift = Drift{Change: 2, Per: 3600}
	}
	r := Report{
		Readings: seen.rows, Dropped: seen.dropped, Decimated: seen.decimated, Gaps: seen.gaps,
		Resolution: l.Resolution, Place: o.Place, SE: map[string]float64{}, U: map[string]float64{},
		Assumptions: []string{}, Settle: []string{}, Sentences: []string{},
		SlopeLimit: o.Drift.PerHour(),
	}
	p := findPhases(l, o)
	r.LoadStart, r.LoadEnd = p.start, p.end
	if p.guessed {
		r.Assumptions = append(r.Assumptions, fmt.Sprintf("the load is taken to last from %.0f s to %.0f s, by the temperature alone; state start and end if that is wrong", p.start, p.end))
	}
	load := l.between(p.start, p.end)
	if len(load.Time) == 0 {
		load = l
		r.LoadStart, r.LoadEnd = l.Time[0], l.Time[len(l.Time)-1]
	}
	shifted := load
	shifted.Time = make([]float64, len(load.Time))
	for i, t := range load.Time {
		shifted.Time[i] = t - r.LoadStart
	}
	c, reason, why := fitLoad(shifted, o)
	r.takeFit(c, reason, why)
	r.takePeak(l, seen, o)
	r.takeStability(load, c, o)
	r.takeHeat(load, c, o)
	r.takePrediction(o)
	if p.endSeen {
		r.takeCooling(l, o)
	}
	r.Throttling = throttling(load)
	r.takeCurve(l, low, high, c)
	r.tell(o)
	return r
}

func (r *Report) takeFit(c *curve, reason Reason, why string) {
	r.Reason, r.Why = reason, why
	r.DescribesLog = reason == Described && c != nil
	if c == nil {
		return
	}
	r.ResidualSD, r.RSS = new(c.sol.Sigma), new(c.sol.RSS)
	r.Systematic, r.Allowed = new(c.res.systematic), new(c.res.allowed)
	if !r.DescribesLog {
		return
	}
	r.T0, r.TInf, r.Tau = new(c.t0), new(c.tInf), new(c.tau)
	r.Model = new("exponential")
	r.Why = fmt.Sprintf("the readings lie within %.2f °C of the curve in every stretch, %.2f °C being what rounding and scatter explain", c.res.systematic, c.res.allowed)
	if c.double {
		r.Model = new("two exponentials")
		r.Tau2, r.Share2 = new(c.tau2), new(c.share2)
	}
	r.SE = c.errors()
	for k, v := range r.SE {
		r.U[k] = v * math.Sqrt(c.inflation())
	}
	r.U["t0"] = math.Hypot(r.U["t0"], c.res.hidden)
	r.U["t_inf"] = math.Hypot(r.U["t_inf"], c.res.hidden)
}

func (r *Report) takePeak(l Log, seen extent, o Options) {
	r.Peak, r.PeakAt = seen.peak, seen.peakAt
	r.PeakU = math.Hypot(o.U, l.Resolution/math.Sqrt(12))
	if v := finiteOf(l.Second); len(v) > 0 {
		top := v[0]
		for _, x := range v {
			top = math.Max(top, x)
		}
		r.Second = &top
	}
	// One reading that stands out from its neighbours on both sides.
	if seen.decimated {
		return
	}
	for i, t := range l.Time {
		if t == seen.peakAt && l.Temp[i] == seen.peak && i > 0 && i+1 < len(l.Time) {
			beside := math.Max(l.Temp[i-1], l.Temp[i+1])
			r.PeakIsolated = seen.peak-beside > math.Max(3*l.Resolution, 5*typicalStep(l.Temp))
			return
		}
	}
}

// typicalStep is the median change from reading to reading.
func typicalStep(y []float64) float64 {
	d := make([]float64, 0, len(y))
	for i := 1; i < len(y); i++ {
		d = append(d, math.Abs(y[i]-y[i-1]))
	}
	return median(d)
}

func (r *Report) takeStability(load Log, c *curve, o Options) {
	s, v := settled(load, o.Window, o.Drift)
	r.Settling = v
	if s.N > 0 {
		r.SlopePerHour, r.SlopeCI, r.SlopeWindow = new(s.PerHour), &[2]float64{s.Low, s.High}, new(s.Window)
	}
	if v != CannotTell {
		r.Stable = new(v == Stable)
	}
	if r.DescribesLog {
		r.ModelSlope = new(c.slope(r.LoadEnd-r.LoadStart) * 3600)
	}
	if v != Stable {
		return
	}
	if r.DescribesLog {
		if at := r.LoadStart + c.since(o.Drift.Change/o.Drift.Per); at <= r.LoadEnd {
			r.StableSince, r.SinceBasis = &at, "fit"
			return
		}
	}
	if at, ok := stableSince(load, s.Window, o.Drift); ok {
		r.StableSince, r.SinceBasis = &at, "windows"
	}
}

// takeHeat works out ambient, rise and thermal resistance.
func (r *Report) takeHeat(load Log, c *curve, o Options) {
	end := load.Time[len(load.Time)-1]
	window := 600.0
	if r.SlopeWindow != nil {
		window = math.Min(window, *r.SlopeWindow)
	}
	last := load.between(end-window, end)
	if v := finiteOf(last.Ambient); len(v) > 0 {
		r.Ambient = new(mean(v))
		r.AmbientU = new(math.Hypot(o.AmbientU, Resolution(v)/math.Sqrt(12)))
	} else if o.Ambient != nil {
		r.Ambient, r.AmbientU = new(*o.Ambient), new(o.AmbientU)
	}
	var warm, u float64
	switch {
	case r.DescribesLog:
		warm = c.tInf
		u = math.Hypot(o.U, r.U["t_inf"])
	case r.Settling == Stable:
		warm = mean(last.Temp)
		u = r.PeakU
	default:
		return
	}
	if r.Ambient == nil {
		return
	}
	r.Rise = new(warm - *r.Ambient)
	r.RiseU = new(math.Hypot(u, *r.AmbientU))
	if v := finiteOf(last.Power); len(v) > 0 {
		r.Power = new(mean(v))
		if *r.Power > 0 {
			r.Theta = new(*r.Rise / *r.Power)
			r.ThetaU = new(*r.RiseU / *r.Power)
			r.ThetaIs = o.Place.Theta()
		}
	}
}

// takePrediction carries the rise over to the rated ambient temperature and
// holds it against the limit.
func (r *Report) takePrediction(o Options) {
	if o.Limit != nil {
		value, _, err := AtPlace(r.Peak, r.PeakU, o.Place, o.LimitPlace, o.Offset)
		if err != nil {
			r.PlaceProblem = err.Error()
		} else {
			r.MarginAsLogged = new(*o.Limit - value)
		}
	}
	r.Verdict = r.verdictAsLogged(o)
	if o.RatedAmbient == nil || r.Ambient == nil || !r.mayPredict() {
		return
	}
	warm, u := r.Peak, r.PeakU
	r.PredictedBasis = "peak"
	if r.DescribesLog && *r.TInf > warm+r.PeakU {
		warm, u = *r.TInf, math.Hypot(o.U, r.U["t_inf"])
		r.PredictedBasis = "fitted end"
	}
	warm += *o.RatedAmbient - *r.Ambient
	u = math.Hypot(u, *r.AmbientU)
	if o.Limit != nil && r.PlaceProblem == "" {
		warm, u, _ = AtPlace(warm, u, o.Place, o.LimitPlace, o.Offset)
	}
	r.Predicted, r.PredictedU = &warm, &u
	r.Assumptions = append(r.Assumptions, "the rise over ambient is the same at the rated ambient temperature: same power, same fan, same air flow")
	if o.Limit != nil && r.PlaceProblem == "" {
		r.Margin, r.MarginU = new(*o.Limit-warm), new(u)
		r.Verdict = Judge(*r.Margin, *r.MarginU)
	}
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
	v := Judge(*r.MarginAsLogged, r.PeakU)
	if v == conformity.Pass && o.RatedAmbient != nil {
		return conformity.Inconclusive
	}
	return v
}

// mayPredict: from a curve that describes the log, or from a level that did
// not move during the whole log and is stable.
func (r *Report) mayPredict() bool {
	return r.DescribesLog || r.Reason == NoRise && r.Settling == Stable
}

func (r *Report) takeCooling(l Log, o Options) {
	after := l.between(r.LoadEnd, l.Time[len(l.Time)-1])
	shifted := after
	shifted.Time = make([]float64, len(after.Time))
	for i, t := range after.Time {
		shifted.Time[i] = t - r.LoadEnd
	}
	// A reading or two of delay before the fall is not part of the curve.
	for len(shifted.Time) > 8 && shifted.Temp[1] >= shifted.Temp[0] {
		shifted.Time, shifted.Temp = shifted.Time[1:], shifted.Temp[1:]
	}
	shifted.Power = nil
	free := o
	free.Start = nil
	c, reason, why := fitLoad(shifted, free)
	k := &Cooling{DescribesLog: reason == Described && c != nil, Why: why}
	r.Cooling = k
	if !k.DescribesLog {
		return
	}
	k.Tau, k.TInf = new(c.tau), new(c.tInf)
	k.SE = new(c.errors()["tau_s"] * math.Sqrt(c.inflation()))
	if r.DescribesLog {
		k.Ratio = new(c.tau / *r.Tau)
		apart := math.Abs(c.tau - *r.Tau)
		k.Agrees = new(apart <= math.Max(0.15**r.Tau, 2*math.Hypot(*k.SE, r.U["tau_s"])))
	}
}

// takeCurve thins the whole log for the figure and adds the fit and its band.
func (r *Report) takeCurve(l Log, low, high []float64, c *curve) {
	const most = 400
	n := len(l.Time)
	count := min(n, most)
	for k := range count {
		from, to := k*n/count, (k+1)*n/count
		p := CurvePoint{Time: mean(l.Time[from:to]), Temp: mean(l.Temp[from:to]), Min: math.Inf(1), Max: math.Inf(-1)}
		for i := from; i < to; i++ {
			a, b := l.Temp[i], l.Temp[i]
			if low != nil {
				a, b = low[i], high[i]
			}
			p.Min, p.Max = math.Min(p.Min, a), math.Max(p.Max, b)
		}
		if r.DescribesLog && p.Time >= r.LoadStart && p.Time <= r.LoadEnd {
			t := p.Time - r.LoadStart
			f := c.at(t)
			half := 2 * math.Hypot(c.sol.Sigma, math.Hypot(c.u(t), c.res.hidden))
			p.Fit, p.Low, p.High = new(f), new(f-half), new(f+half)
		}
		r.Curve = append(r.Curve, p)
	}
}
