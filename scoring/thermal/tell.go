package thermal

import (
	"math"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/holes"
)

// tell says what the report holds, and what would settle an open question.
func (r *Report) tell(o Options) {
	if !r.Doubt.IsZero() {
		r.say(fact.New("thermal.in-doubt", "why", r.Doubt))
		r.Settle = append(r.Settle, r.Look...)
		r.tellReadings()
		return
	}
	r.tellReadings()
	r.say(r.tellPeak(o))
	if !r.PlaceProblem.IsZero() {
		r.say(fact.New("thermal.no-judgement", "why", r.PlaceProblem))
	}
	r.say(r.tellFit())
	r.say(r.tellStability())
	r.settleStability(o)
	switch {
	case r.Theta != nil:
		r.say(fact.New("thermal.resistance",
			"name", r.ThetaIs, "theta", within(fact.In(*r.Theta, "°C/W"), 2**r.ThetaU),
			"rise", fact.In(*r.Rise, "°C").To(0.1), "power", fact.In(*r.Power, "W")))
	case r.Rise != nil:
		r.say(fact.New("thermal.rise", "rise", within(fact.In(*r.Rise, "°C"), 2**r.RiseU)))
	}
	if r.Cooling != nil {
		r.say(r.Cooling.Sentence)
	}
	for _, t := range r.Throttling {
		r.say(t.Sentence)
	}
	if r.PeakIsolated {
		r.say(fact.New("thermal.peak-stands-alone", "at", fact.In(r.PeakAt, "s").To(1)))
	}
}

// tellReadings says what the recording holds beside one load.
func (r *Report) tellReadings() {
	if n := len(r.Loads); n > 0 {
		r.say(fact.New("thermal.loads", "n", n, "from", inMinutes(r.LoadStart), "to", inMinutes(r.LoadEnd)))
	}
	if c := r.Cycling; c != nil {
		r.say(fact.New("thermal.cycles",
			"period", fact.In(c.Period, "s").Digits(2), "swing", fact.In(c.PeakToPeak, "°C").To(0.1)))
	}
	if r.Impossible > 0 && len(r.Odd) > 0 {
		r.say(fact.New("thermal.impossible", "n", r.Impossible,
			"temp", fact.In(r.Odd[0].Temp, "°C"), "at", inMinutes(r.Odd[0].Time)))
	}
	if told := holes.Told(r.Gaps); !told.IsZero() {
		r.say(told)
	}
}

func (r *Report) say(f fact.Fact) { r.Sentences = append(r.Sentences, f) }

func (r *Report) settle(f fact.Fact) { r.Settle = append(r.Settle, f) }

// within is an amount with its expanded uncertainty, unless that is so small that
// it comes from a log without any noise.
func within(a fact.Amount, u float64) fact.Amount {
	if u > 1e-6*math.Abs(a.Value) {
		return a.Within(u)
	}
	return a
}

func (r *Report) tellPeak(o Options) fact.Fact {
	peak := r.peakReached()
	switch {
	case r.Margin != nil:
		return fact.New("thermal.peak-expected-margin", "peak", peak, "rated", fact.In(*o.RatedAmbient, "°C").Whole(),
			"expected", fact.In(*r.Predicted, "°C").To(0.1), "margin", r.tellMargin(o))
	case r.Predicted != nil:
		return fact.New("thermal.peak-expected", "peak", peak, "rated", fact.In(*o.RatedAmbient, "°C").Whole(),
			"expected", fact.In(*r.Predicted, "°C").To(0.1))
	case o.RatedAmbient != nil && !r.MayPredict():
		return fact.New("thermal.peak-without-curve", "peak", peak)
	case o.RatedAmbient != nil:
		r.settle(fact.New("thermal.log-ambient"))
		return fact.New("thermal.peak-without-ambient", "peak", peak)
	case r.MarginAsLogged != nil:
		return fact.New("thermal.peak-as-logged", "peak", peak, "margin", underOver(*r.MarginAsLogged))
	}
	return fact.New("thermal.peak", "peak", peak)
}

// peakReached is the peak with where it was read and in which surroundings, as
// far as that is known.
func (r *Report) peakReached() fact.Arg {
	peak := fact.In(r.Peak, "°C").To(math.Max(0.1, r.Resolution))
	if r.SensorU > 0 { // else only the display would be stated
		peak = fact.In(r.Peak, "°C").Within(2 * r.PeakU)
	}
	if r.Ambient == nil {
		if r.Place == Unknown {
			return peak
		}
		return fact.New("thermal.at-place", "temp", peak, "place", r.Place.said())
	}
	ambient := fact.In(*r.Ambient, "°C").To(0.1)
	if r.Place == Unknown {
		return fact.New("thermal.in-ambient", "temp", peak, "ambient", ambient)
	}
	return fact.New("thermal.at-place-in-ambient", "temp", peak, "place", r.Place.said(), "ambient", ambient)
}

// tellMargin says whether the predicted peak keeps the limit, and how small the
// uncertainty would have to be where that is open.
func (r *Report) tellMargin(o Options) fact.Fact {
	margin := underOver(*r.Margin)
	switch r.Verdict {
	case conformity.Pass:
		return fact.New("thermal.margin-passes", "margin", margin)
	case conformity.Fail:
		return fact.New("thermal.margin-fails", "margin", margin)
	}
	u := fact.In(2**r.PredictedU, "°C").To(0.1)
	if needed := math.Abs(*r.Margin); needed < 0.1 {
		r.settle(fact.New("thermal.on-the-limit"))
	} else {
		r.settle(fact.New("thermal.smaller-uncertainty", "needed", fact.In(needed, "°C").To(0.1), "now", u,
			"rated", fact.In(*o.RatedAmbient, "°C").Whole()))
	}
	return fact.New("thermal.margin-open", "margin", margin, "u", u)
}

func underOver(margin float64) fact.Fact {
	by := fact.In(math.Abs(margin), "°C").To(0.1)
	if margin < 0 {
		return fact.New("thermal.over-limit", "by", by)
	}
	return fact.New("thermal.under-limit", "by", by)
}

func (r *Report) tellFit() fact.Fact {
	if !r.DescribesLog {
		return fact.New("thermal.no-curve", "why", r.Why)
	}
	end, endU := fact.In(*r.TInf, "°C").To(0.1), atLeast(0.1, 2*r.TInfU, "°C")
	if r.Tau2 != nil {
		return fact.New("thermal.two-curves", "to", end, "u", endU,
			"slow", fact.In(*r.Tau, "s").To(1), "quick", fact.In(*r.Tau2, "s").To(1),
			"share", fact.In(100**r.Share2, "%").To(1))
	}
	return fact.New("thermal.one-curve", "from", fact.In(*r.T0, "°C").To(0.1), "to", end, "u", endU,
		"tau", fact.In(*r.Tau, "s").To(1), "tau-u", atLeast(1, 2*r.TauU, "s"))
}

// atLeast is an uncertainty that a fit states, told in steps of step and never as a
// bare zero: many readings make it smaller than any sensor is good for.
func atLeast(step, u float64, unit string) fact.Arg {
	if u < step/2 {
		return fact.New("thermal.less-than", "limit", fact.In(step, unit).Whole())
	}
	return fact.In(u, unit).To(step)
}

func (r *Report) tellStability() fact.Fact {
	if r.SlopePerHour == nil {
		return fact.New("thermal.no-slope")
	}
	moves := fact.New("thermal.moves", "window", span(*r.SlopeWindow), "slope", r.Slope(),
		"limit", fact.In(r.SlopeLimit, "K/h"))
	switch r.Settling {
	case Stable:
		if r.StableSince != nil {
			return fact.New("thermal.stable-since", "moves", moves, "since", span(*r.StableSince))
		}
		return fact.New("thermal.stable", "moves", moves)
	case StillRising:
		return fact.New("thermal.still-rising", "moves", moves)
	case StillFalling:
		return fact.New("thermal.still-falling", "moves", moves)
	}
	if r.ModelSlope != nil {
		var slope fact.Arg = fact.In(*r.ModelSlope, "K/h").To(0.1).WithSign()
		if math.Abs(*r.ModelSlope) < 0.05 {
			slope = fact.New("thermal.less-than", "limit", fact.In(0.1, "K/h"))
		}
		return fact.New("thermal.cannot-tell-but-curve", "moves", moves, "slope", slope)
	}
	return fact.New("thermal.cannot-tell", "moves", moves)
}

// span is a time as it is told of a run.
func span(seconds float64) fact.Amount {
	switch {
	case seconds < 120:
		return fact.In(seconds, "s").To(1)
	case seconds < 600:
		return fact.In(seconds/60, "min").To(0.1)
	}
	return fact.In(seconds/60, "min").To(1)
}

// Slope is the slope over the last window with its uncertainty, 95 %. A slope that is
// as good as none has no sign. It must be known.
func (r *Report) Slope() fact.Amount {
	slope := within(fact.In(*r.SlopePerHour, "K/h"), r.slopeU())
	if math.Abs(*r.SlopePerHour) > r.slopeU()/20 {
		return slope.WithSign()
	}
	return slope
}

// slopeU is half of the slope's 95 % interval.
func (r *Report) slopeU() float64 { return (r.SlopeCI[1] - r.SlopeCI[0]) / 2 }

// settleStability says how much longer a log would tell.
func (r *Report) settleStability(o Options) {
	switch {
	case r.SlopePerHour == nil:
		r.settle(fact.New("thermal.longer-log"))
	case r.Settling == CannotTell:
		r.settleSlope(o)
	case r.Settling != Stable && r.DescribesLog:
		// The slope of the curve falls by the factor e in each time constant.
		if over := math.Abs(*r.ModelSlope) / r.SlopeLimit; over > 1 {
			r.settle(fact.New("thermal.more-load", "time", fact.In(math.Ceil(*r.Tau*math.Log(over)/60), "min").To(1)))
		}
	}
}

// settleSlope says what would narrow the interval of the slope enough: a longer level
// stretch while it is one that people wait for, a finer display where the step hides
// the slope, and less scatter where noise does.
func (r *Report) settleSlope(o Options) {
	slope, half := *r.SlopePerHour, r.slopeU()
	if r.ModelSlope != nil {
		slope = *r.ModelSlope
	}
	if half <= 0 || math.IsInf(half, 0) {
		return
	}
	least := 600.0
	if o.Window > 0 {
		least = o.Window
	}
	room := math.Max(r.SlopeLimit/2, r.SlopeLimit-math.Abs(slope))
	// Rounding narrows with the window, scatter faster: the slower law is safe.
	needed := max(least, *r.SlopeWindow*math.Max(1, half/room))
	finer := StepFor(least, r.SlopeLimit)
	if level := LevelFor(r.Resolution, r.SlopeLimit); finer > 0 && finer < r.Resolution && level > least {
		r.settle(fact.New("thermal.longer-level-or-finer-display", "time", fact.In(level/60, "min").To(1),
			"step", fact.In(finer, "°C").Whole(), "step-now", fact.In(r.Resolution, "°C").Whole()))
		return
	}
	if needed > longestWait {
		r.settle(fact.New("thermal.less-scatter"))
		return
	}
	r.settle(fact.New("thermal.longer-level", "time", fact.In(needed/60, "min").To(1),
		"now", fact.In(*r.SlopeWindow/60, "min").To(1)))
}

const longestWait = 4 * 3600 // s

// LevelFor is how long, in seconds, a temperature must stay level until a quiet display
// with a step in °C shows that it moves by no more than a rate in °C per hour: a slope of
// step/√3 over that time is one standard uncertainty of what the display hides.
func LevelFor(step, perHour float64) float64 { return 2 * step / math.Sqrt(3) / perHour * 3600 }

// StepFor is the coarsest usual display step in °C that shows a rate in °C per hour
// over a window in seconds; 0 when none does.
func StepFor(window, perHour float64) float64 {
	for _, step := range [...]float64{1, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01} {
		if LevelFor(step, perHour) <= window {
			return step
		}
	}
	return 0
}
