package endurance

import (
	"errors"
	"fmt"
	"math"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// A Run is one soak or load run of the job after the repair.
type Run struct {
	Seconds  float64 `json:"seconds"`  // from 0 up
	Failures int     `json:"failures"` // times the fault came back
}

// A HotSoak is the stated assumption under which time at a higher temperature
// counts for more.
type HotSoak struct {
	ActivationEnergy float64 `json:"activation_energy_ev"` // eV
	UseC             float64 `json:"use_c"`                // part in ordinary use, °C
	SoakC            float64 `json:"soak_c"`               // the same part in the soak, °C
}

// A Question is what the runs are to show: that the mean time between failures
// is now at least Multiple times Interval, the interval at which the fault came
// back before the repair.
type Question struct {
	Interval   float64  // seconds, above 0
	Multiple   float64  // above 0
	Confidence float64  // between 0 and 1
	Allowed    int      // failures let pass, from 0
	Hot        *HotSoak // nil when no acceleration is claimed
}

// An Acceleration is the effect of a hot soak, always with its assumption. It is
// shown beside the verdict, which goes by the clock.
type Acceleration struct {
	HotSoak
	Factor     float64   `json:"factor"`
	NeededHot  float64   `json:"needed_hot_s"` // soak time needed if the assumption holds
	Assumption fact.Fact `json:"assumption"`
}

// An Outcome says what was needed, what was shown, and the verdict.
type Outcome struct {
	Verdict      conformity.Verdict `json:"verdict"`
	Interval     float64            `json:"interval_s"`
	Multiple     float64            `json:"multiple"`
	Goal         float64            `json:"goal_mtbf_s"` // Multiple times Interval
	Confidence   float64            `json:"confidence"`
	Allowed      int                `json:"allowed"`
	Needed       float64            `json:"needed_s"`      // by the clock, without any acceleration
	Ran          float64            `json:"ran_s"`         // by the clock
	Failures     int                `json:"failures"`      // over all runs
	ShownMTBF    float64            `json:"shown_mtbf_s"`  // by the clock, at Confidence
	QuietByLuck  float64            `json:"quiet_by_luck"` // of a card whose fault is still there
	Acceleration *Acceleration      `json:"acceleration,omitempty"`
	Missing      float64            `json:"missing_s"` // soak time still to run for a pass; 0 after a verdict
	Sentence     fact.Fact          `json:"sentence"`
	Settle       fact.Fact          `json:"settle,omitzero"`
}

// Judge decides whether runs show what q asks: Fail with more failures than
// allowed, Pass when they lasted long enough, Inconclusive, with the time still
// missing, when not, and NotRun without any run. Acceleration never changes the
// verdict. Figures out of range are errors.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.3.1.1: the length
// is fixed for the allowed failures beforehand and not shortened by looking.
func Judge(q Question, runs []Run) (Outcome, error) {
	if err := q.check(); err != nil {
		return Outcome{}, err
	}
	total, err := combine(runs)
	if err != nil {
		return Outcome{}, err
	}
	goal := q.Multiple * q.Interval
	o := Outcome{
		Interval: q.Interval, Multiple: q.Multiple, Goal: goal, Confidence: q.Confidence,
		Allowed: q.Allowed, Ran: total.Seconds, Failures: total.Failures,
		Needed:      neededTime(goal, q.Confidence, q.Allowed),
		ShownMTBF:   shownMTBF(total.Seconds, total.Failures, q.Confidence),
		QuietByLuck: quietByLuck(total.Seconds, q.Interval, q.Allowed),
	}
	if q.Hot != nil {
		if o.Acceleration, err = accelerate(*q.Hot, o.Needed); err != nil {
			return Outcome{}, err
		}
	}
	switch {
	case total.Failures > q.Allowed:
		o.Verdict = conformity.Fail
	case len(runs) == 0:
		o.Verdict, o.Missing = conformity.NotRun, o.Needed
	case total.Seconds >= o.Needed*(1-1e-12):
		o.Verdict = conformity.Pass
	default:
		o.Verdict, o.Missing = conformity.Inconclusive, o.Needed-total.Seconds
	}
	o.tell()
	return o, nil
}

func (q Question) check() error {
	if !(q.Interval > 0) || math.IsInf(q.Interval, 0) {
		return fmt.Errorf("the complaint interval is above 0 s, not %g", q.Interval)
	}
	if !(q.Multiple > 0) || math.IsInf(q.Multiple, 0) {
		return fmt.Errorf("the multiple of the complaint interval is above 0, not %g", q.Multiple)
	}
	if q.Allowed < 0 {
		return fmt.Errorf("a number of failures is not below 0: %d", q.Allowed)
	}
	return checkConfidence(q.Confidence)
}

// combine adds the runs of a job up: times and failures simply add, because the
// fault is taken to strike at a constant rate. A run that is not possible is an
// error; no run gives zero.
func combine(runs []Run) (Run, error) {
	var total Run
	for i, r := range runs {
		if !(r.Seconds >= 0) || math.IsInf(r.Seconds, 0) {
			return Run{}, fmt.Errorf("run %d: a run lasts 0 s or more, not %g", i+1, r.Seconds)
		}
		if r.Failures < 0 {
			return Run{}, fmt.Errorf("run %d: a number of failures is not below 0: %d", i+1, r.Failures)
		}
		total.Seconds += r.Seconds
		total.Failures += r.Failures
	}
	if math.IsInf(total.Seconds, 0) {
		return Run{}, errors.New("the runs are too long to compute with")
	}
	return total, nil
}

func accelerate(hot HotSoak, needed float64) (*Acceleration, error) {
	if !(hot.ActivationEnergy >= 0) || math.IsInf(hot.ActivationEnergy, 0) {
		return nil, fmt.Errorf("an activation energy is 0 eV or more, not %g", hot.ActivationEnergy)
	}
	for _, t := range []float64{hot.UseC, hot.SoakC} {
		if !(t > absoluteZero) || math.IsInf(t, 0) {
			return nil, fmt.Errorf("a temperature is above %g °C, not %g", absoluteZero, t)
		}
	}
	faster := arrheniusFactor(hot.ActivationEnergy, hot.UseC, hot.SoakC)
	if math.IsInf(faster, 0) {
		return nil, errors.New("the acceleration is too large to compute")
	}
	return &Acceleration{
		HotSoak:   hot,
		Factor:    faster,
		NeededHot: needed / faster,
		Assumption: fact.New("endurance.arrhenius",
			"energy", fact.In(hot.ActivationEnergy, "eV").Whole(),
			"soak", fact.In(hot.SoakC, "°C").Whole(), "hours", fact.In(faster, "h").Digits(2),
			"use", fact.In(hot.UseC, "°C").Whole()),
	}, nil
}
