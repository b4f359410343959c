package endurance

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"proveout/scoring/conformity"
)

// A Run is one soak or load run of the job after the repair.
type Run struct {
	Seconds  float64 `json:"seconds"`  // from 0 up
	Failures int     `json:"failures"` // times the fault came back
}

// Combine adds the runs of a job up: times and failures simply add, because the
// fault is taken to strike at a constant rate. A run that is not possible is an
// error; no run gives zero.
func Combine(runs []Run) (Run, error) {
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

// A HotUse says what a hot soak may be used for.
type HotUse string

// The uses of a hot soak. The zero value only shows it.
const (
	HotShown   HotUse = ""        // shown beside the verdict, which goes by the clock
	HotCounted HotUse = "counted" // soak time counts by the factor; the verdict says so
)

// A HotSoak is the stated assumption under which time at a higher temperature
// counts for more.
type HotSoak struct {
	ActivationEnergy float64 `json:"activation_energy_ev"` // eV
	UseC             float64 `json:"use_c"`                // part in ordinary use, °C
	SoakC            float64 `json:"soak_c"`               // the same part in the soak, °C
	Use              HotUse  `json:"use"`
}

// A Question is what the runs are to show: that the mean time between failures
// is now at least Multiple times Interval, the interval at which the fault came
// back before the repair.
type Question struct {
	Interval   float64  // seconds, above 0
	Multiple   float64  // above 0; zero means 1
	Confidence float64  // zero means 0.95
	Allowed    int      // failures let pass, from 0
	Hot        *HotSoak // nil when no acceleration is claimed
}

// An Acceleration is the effect of a hot soak, always with its assumption.
type Acceleration struct {
	HotSoak
	Factor     float64 `json:"factor"`
	NeededHot  float64 `json:"needed_hot_s"` // soak time needed if the assumption holds
	Counted    bool    `json:"counted"`      // whether the verdict uses it
	Assumption string  `json:"assumption"`
}

// An Outcome says what was needed, what was shown, and the verdict.
type Outcome struct {
	Verdict    conformity.Verdict `json:"verdict"`
	Interval   float64            `json:"interval_s"`
	Multiple   float64            `json:"multiple"`
	Goal       float64            `json:"goal_mtbf_s"` // Multiple times Interval
	Confidence float64            `json:"confidence"`
	Allowed    int                `json:"allowed"`
	Needed     float64            `json:"needed_s"`     // by the clock, without any acceleration
	Ran        float64            `json:"ran_s"`        // by the clock
	Failures   int                `json:"failures"`     // over all runs
	ShownMTBF  float64            `json:"shown_mtbf_s"` // by the clock, at Confidence
	// ShownConfidence is the confidence with which the runs show Goal, by the
	// clock.
	ShownConfidence float64       `json:"shown_confidence"`
	QuietByLuck     float64       `json:"quiet_by_luck"` // of a card whose fault is still there
	Acceleration    *Acceleration `json:"acceleration,omitempty"`
	Missing         float64       `json:"missing_s"` // soak time still to run for a pass; 0 after a verdict
	Sentence        string        `json:"sentence"`
	Settle          string        `json:"settle,omitempty"`
}

// Judge decides whether runs show what q asks: Fail with more failures than
// allowed, Pass when they lasted long enough, Inconclusive, with the time still
// missing, when not, and NotRun without any run. Acceleration changes the
// verdict only when q counts it, and is then named in the sentence. Figures out
// of range are errors.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.3.1.1: the length
// is fixed for the allowed failures beforehand and not shortened by looking.
func Judge(q Question, runs []Run) (Outcome, error) {
	if q.Multiple == 0 {
		q.Multiple = 1
	}
	if q.Confidence == 0 {
		q.Confidence = 0.95
	}
	total, err := Combine(runs)
	if err != nil {
		return Outcome{}, err
	}
	o := Outcome{
		Interval: q.Interval, Multiple: q.Multiple, Goal: q.Multiple * q.Interval, Confidence: q.Confidence,
		Allowed: q.Allowed, Ran: total.Seconds, Failures: total.Failures,
	}
	if o.Needed, err = NeededTime(q.Interval, q.Multiple, q.Confidence, q.Allowed); err != nil {
		return Outcome{}, err
	}
	if o.ShownMTBF, err = ShownMTBF(total.Seconds, total.Failures, q.Confidence); err != nil {
		return Outcome{}, err
	}
	if o.ShownConfidence, err = ShownConfidence(total.Seconds, total.Failures, o.Goal); err != nil {
		return Outcome{}, err
	}
	if o.QuietByLuck, err = QuietByLuck(total.Seconds, q.Interval); err != nil {
		return Outcome{}, err
	}
	needed := o.Needed
	if q.Hot != nil {
		if o.Acceleration, err = accelerate(*q.Hot, o.Needed); err != nil {
			return Outcome{}, err
		}
		if o.Acceleration.Counted {
			needed = o.Acceleration.NeededHot
		}
	}
	switch {
	case total.Failures > q.Allowed:
		o.Verdict = conformity.Fail
	case len(runs) == 0:
		o.Verdict, o.Missing = conformity.NotRun, needed
	case total.Seconds >= needed*(1-1e-12):
		o.Verdict = conformity.Pass
	default:
		o.Verdict, o.Missing = conformity.Inconclusive, needed-total.Seconds
	}
	o.tell()
	return o, nil
}

func accelerate(hot HotSoak, needed float64) (*Acceleration, error) {
	if hot.Use != HotShown && hot.Use != HotCounted {
		return nil, fmt.Errorf("no such use of a hot soak: %q", string(hot.Use))
	}
	factor, err := ArrheniusFactor(hot.ActivationEnergy, hot.UseC, hot.SoakC)
	if err != nil {
		return nil, err
	}
	return &Acceleration{
		HotSoak: hot, Factor: factor, NeededHot: needed / factor, Counted: hot.Use == HotCounted,
		Assumption: fmt.Sprintf("Assumed, not measured: the fault follows the Arrhenius equation with %g eV, so that an hour at %g °C counts as %.3g h at %g °C. Cracked joints and loose contacts often do not.",
			hot.ActivationEnergy, hot.SoakC, factor, hot.UseC),
	}, nil
}

// tell writes the sentence and the remedy.
func (o *Outcome) tell() {
	claim := fmt.Sprintf("at least %s between failures with %s confidence", need(o.Goal), percent(o.Confidence))
	switch o.Verdict {
	case conformity.NotRun:
		o.Sentence = fmt.Sprintf("To show %s, the card must run %s %s: not run yet.",
			claim, need(o.Missing), atMost(o.Allowed))
	case conformity.Pass:
		o.Sentence = fmt.Sprintf("%s with %s shows %s: pass. A card that still fails every %s would stay quiet this long in %s of cases.",
			had(o.Ran), times(o.Failures, "failure"), claim, had(o.Interval), percent(o.QuietByLuck))
	case conformity.Fail:
		o.Sentence = fmt.Sprintf("The fault came back: %s in %s, %d allowed: fail.", times(o.Failures, "failure"), had(o.Ran), o.Allowed)
	default:
		o.Sentence = fmt.Sprintf("%s with %s shows only %s between failures with %s confidence, not yet %s: inconclusive.",
			had(o.Ran), times(o.Failures, "failure"), had(o.ShownMTBF), percent(o.Confidence), need(o.Goal))
		o.Settle = fmt.Sprintf("run %s more, %s in all", need(o.Missing), atMost(o.Allowed))
	}
	if a := o.Acceleration; a != nil {
		if a.Counted {
			o.Sentence += fmt.Sprintf(" The hot soak was counted %.3g-fold. %s", a.Factor, a.Assumption)
		} else {
			o.Sentence += fmt.Sprintf(" If the hot soak were counted %.3g-fold, %s would do; it is not counted. %s", a.Factor, need(a.NeededHot), a.Assumption)
		}
	}
}

func times(n int, what string) string {
	switch n {
	case 0:
		return "no " + what
	case 1:
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func atMost(failures int) string {
	if failures == 0 {
		return "without a failure"
	}
	return "with at most " + times(failures, "failure")
}

func percent(p float64) string { return strconv.FormatFloat(100*p, 'g', 3, 64) + " %" }

// need prints a time that must still be reached, and had one that was: the
// first is rounded up and the second down, because a run that is a second short
// is short.
func need(seconds float64) string { return spell(seconds, math.Ceil) }
func had(seconds float64) string  { return spell(seconds, math.Floor) }

// spell prints seconds, from 0 up, in the two largest of days, hours, minutes
// and seconds.
func spell(seconds float64, round func(float64) float64) string {
	if !(seconds >= 0) || seconds > 1e12 {
		return strconv.FormatFloat(seconds, 'g', 4, 64) + " s"
	}
	grain := 1.0
	if seconds >= 24*3600 {
		grain = 3600
	} else if seconds >= 3600 {
		grain = 60
	}
	whole := math.Round(seconds / grain)
	if math.Abs(seconds/grain-whole) > 1e-9*whole {
		whole = round(seconds / grain)
	}
	s := int64(whole * grain)
	var parts []string
	for _, unit := range []struct {
		size int64
		name string
	}{{24 * 3600, "d"}, {3600, "h"}, {60, "min"}, {1, "s"}} {
		if n := s / unit.size; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, unit.name))
			s -= n * unit.size
		}
	}
	if len(parts) == 0 {
		return "0 s"
	}
	return strings.Join(parts, " ")
}
