package thermal

import (
	"fmt"
	"math"
	"strings"

	"proveout/scoring/conformity"
)

// tell writes the sentences and what would settle an open question.
func (r *Report) tell(o Options) {
	r.Sentences = append(r.Sentences, r.tellPeak(o))
	r.Sentences = append(r.Sentences, r.tellFit())
	r.Sentences = append(r.Sentences, r.tellStability(o))
	if r.Theta != nil {
		r.Sentences = append(r.Sentences, fmt.Sprintf("%s = %.3g °C/W ± %.2g °C/W: %.1f °C over ambient at %.4g W.", r.ThetaIs, *r.Theta, 2**r.ThetaU, *r.Rise, *r.Power))
	} else if r.Rise != nil {
		r.Sentences = append(r.Sentences, fmt.Sprintf("Rise over ambient %.1f °C ± %.1f °C; power not logged, so no thermal resistance.", *r.Rise, 2**r.RiseU))
	}
	if c := r.Cooling; c != nil {
		r.Sentences = append(r.Sentences, c.tell(r.Tau))
	}
	for _, t := range r.Throttling {
		r.Sentences = append(r.Sentences, t.Sentence)
	}
	if n := len(r.Gaps); n > 0 {
		r.Sentences = append(r.Sentences, fmt.Sprintf("The log has %d gap(s), the first from %.0f s to %.0f s; a peak in a gap is not seen.", n, r.Gaps[0].From, r.Gaps[0].To))
	}
	if r.PeakIsolated {
		r.Sentences = append(r.Sentences, fmt.Sprintf("The peak is one reading at %.0f s that stands alone above its neighbours; check whether it is real.", r.PeakAt))
	}
}

// Judge is the verdict on a margin under the guarded rule with U = 2u: pass
// when the whole interval is under the limit, fail when it is wholly above.
func Judge(margin, u float64) conformity.Verdict {
	switch {
	case !finite(margin) || !finite(u):
		return conformity.Inconclusive
	case margin >= 2*u:
		return conformity.Pass
	case margin < -2*u:
		return conformity.Fail
	}
	return conformity.Inconclusive
}

func (r *Report) tellPeak(o Options) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Peak %.1f °C ± %.1f °C", r.Peak, 2*r.PeakU)
	if o.Place != Unknown {
		fmt.Fprintf(&b, " on the %s", o.Place)
	}
	if r.Ambient != nil {
		fmt.Fprintf(&b, " at %.1f °C ambient", *r.Ambient)
	}
	switch {
	case r.Predicted != nil:
		fmt.Fprintf(&b, "; at %.3g °C it would reach about %.1f °C", *o.RatedAmbient, *r.Predicted)
		if r.Margin != nil {
			b.WriteString(", " + overUnder(*r.Margin))
			b.WriteString(map[conformity.Verdict]string{
				conformity.Pass: ": passes", conformity.Fail: ": fails",
				conformity.Inconclusive: fmt.Sprintf(": inconclusive with this thermometer (± %.1f °C)", 2**r.MarginU),
			}[Judge(*r.Margin, *r.MarginU)])
			if Judge(*r.Margin, *r.MarginU) == conformity.Inconclusive {
				r.settleMargin(o)
			}
		}
	case o.RatedAmbient != nil && !r.mayPredict():
		b.WriteString("; no prediction for the rated ambient temperature, because no curve describes this log")
	case o.RatedAmbient != nil:
		b.WriteString("; no prediction for the rated ambient temperature without the ambient temperature of the run")
		r.Settle = append(r.Settle, "log or type the ambient temperature")
	case r.MarginAsLogged != nil:
		b.WriteString(", " + overUnder(*r.MarginAsLogged) + " as logged")
	}
	b.WriteString(".")
	if r.PlaceProblem != "" {
		b.WriteString(" No judgement: " + r.PlaceProblem + ".")
	}
	return b.String()
}

func overUnder(margin float64) string {
	if margin < 0 {
		return fmt.Sprintf("%.1f °C over the limit", -margin)
	}
	return fmt.Sprintf("%.1f °C under the limit", margin)
}

// settleMargin says how small the uncertainty would have to be.
func (r *Report) settleMargin(o Options) {
	need := math.Abs(*r.Margin) / 2
	if need < 0.05 {
		r.Settle = append(r.Settle, "the prediction lies on the limit: no thermometer settles that; measure at the rated ambient temperature")
		return
	}
	r.Settle = append(r.Settle, fmt.Sprintf("a combined uncertainty of ±%.1f °C or better (now ±%.1f °C): a finer or calibrated thermometer, or a run at %.3g °C ambient", 2*need, 2**r.MarginU, *o.RatedAmbient))
}

func (r *Report) tellFit() string {
	if !r.DescribesLog {
		return "A saturating curve does not describe this log: " + r.Why + "."
	}
	if r.Tau2 != nil {
		return fmt.Sprintf("The temperature heads for %.1f °C (± %s °C) with time constants of %.0f s and %.0f s (the short one carries %.0f %% of the rise).",
			*r.TInf, smallest(2*r.U["t_inf"], 0.1), *r.Tau, *r.Tau2, 100**r.Share2)
	}
	return fmt.Sprintf("The temperature went from %.1f °C toward %.1f °C (± %s °C) with a time constant of %.0f s (± %s s).",
		*r.T0, *r.TInf, smallest(2*r.U["t_inf"], 0.1), *r.Tau, smallest(2*r.U["tau_s"], 1))
}

// smallest prints an uncertainty in steps of step (1 or 0.1), and never as a
// bare zero.
func smallest(u, step float64) string {
	decimals := 0
	if step < 1 {
		decimals = 1
	}
	if u < step/2 {
		return fmt.Sprintf("less than %.*f", decimals, step)
	}
	return fmt.Sprintf("%.*f", decimals, u)
}

func (r *Report) tellStability(o Options) string {
	if r.SlopePerHour == nil {
		r.Settle = append(r.Settle, "a longer log: there are too few readings for a slope")
		return "Whether the temperature has settled cannot be told: too few readings."
	}
	over := fmt.Sprintf("over the last %.0f s it moves by %+.1f °C per hour (95 %%: %+.1f to %+.1f), limit ±%.3g",
		*r.SlopeWindow, *r.SlopePerHour, r.SlopeCI[0], r.SlopeCI[1], r.SlopeLimit)
	switch r.Settling {
	case Stable:
		s := "Stable: " + over
		if r.StableSince != nil {
			s += fmt.Sprintf("; stable since %.0f s", *r.StableSince)
		}
		return s + "."
	case StillRising, StillFalling:
		if r.DescribesLog {
			c := math.Abs(*r.ModelSlope) / r.SlopeLimit
			if c > 1 {
				r.Settle = append(r.Settle, fmt.Sprintf("about %.0f s more under load: then the fitted curve is within the limit", *r.Tau*math.Log(c)))
			}
		}
		return strings.ToUpper(string(r.Settling[:1])) + string(r.Settling[1:]) + ": " + over + "."
	}
	r.settleSlope(o)
	s := "Whether it has settled cannot be told: " + over
	if r.ModelSlope != nil {
		s += fmt.Sprintf("; by the fitted curve it moves by %+.1f °C per hour at the end", *r.ModelSlope)
	}
	return s + "."
}

// settleSlope computes the level stretch that would narrow the interval enough.
func (r *Report) settleSlope(o Options) {
	room := r.SlopeLimit - math.Abs(*r.SlopePerHour)
	if r.ModelSlope != nil {
		room = r.SlopeLimit - math.Abs(*r.ModelSlope)
	}
	half := (r.SlopeCI[1] - r.SlopeCI[0]) / 2
	if room <= 0.05*r.SlopeLimit {
		room = 0.5 * r.SlopeLimit
	}
	if half <= 0 {
		return
	}
	// Rounding narrows with the window, scatter faster: the slower law is safe.
	need := *r.SlopeWindow * math.Max(1, half/room)
	if o.Window > 0 {
		need = math.Max(need, o.Window)
	} else {
		need = math.Max(need, 600)
	}
	s := fmt.Sprintf("a level stretch of about %.0f s (now %.0f s)", need, *r.SlopeWindow)
	if r.Resolution > 0 && need > 1.2**r.SlopeWindow {
		s += fmt.Sprintf(", or a display step of %.2g °C instead of %.2g °C", r.Resolution**r.SlopeWindow/need, r.Resolution)
	}
	r.Settle = append(r.Settle, s)
}

func (c *Cooling) tell(tau *float64) string {
	switch {
	case !c.DescribesLog:
		return "The cooling after the load gives no second time constant: " + c.Why + "."
	case c.Agrees == nil:
		return fmt.Sprintf("Cooling after the load has a time constant of %.0f s ± %.0f s.", *c.Tau, 2**c.SE)
	case *c.Agrees:
		return fmt.Sprintf("Cooling after the load has a time constant of %.0f s ± %.0f s, in keeping with the %.0f s of the rise.", *c.Tau, 2**c.SE, *tau)
	}
	return fmt.Sprintf("Cooling after the load has a time constant of %.0f s ± %.0f s, %.2f times that of the rise: the air flow was not the same, or the load did not end at once.", *c.Tau, 2**c.SE, *c.Ratio)
}

// CompareRise holds a rise over ambient (°C) or a thermal resistance (°C/W)
// with standard uncertainty u against the range that good cards of the family
// keep. Lower than the range is no fault. The sentence says what to look at.
func CompareRise(value, u, low, high float64, unit string) (conformity.Verdict, string) {
	switch {
	case !(low <= high) || !finite(value) || !finite(u):
		return conformity.NotRun, "No range of good cards to compare with."
	case value-2*u > high:
		return conformity.Fail, fmt.Sprintf("%.3g %s ± %.2g is above the %.3g to %.3g of good cards: look at the heatsink's seating, the compound and the fan.", value, unit, 2*u, low, high)
	case value+2*u <= high && value < low:
		return conformity.Pass, fmt.Sprintf("%.3g %s ± %.2g is below the %.3g to %.3g of good cards: cooled better, or loaded less, than they were.", value, unit, 2*u, low, high)
	case value+2*u <= high:
		return conformity.Pass, fmt.Sprintf("%.3g %s ± %.2g is as good cards have it (%.3g to %.3g).", value, unit, 2*u, low, high)
	}
	return conformity.Inconclusive, fmt.Sprintf("%.3g %s ± %.2g reaches across the upper end of good cards (%.3g to %.3g): a finer reading is needed.", value, unit, 2*u, low, high)
}
