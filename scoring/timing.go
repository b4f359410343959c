package scoring

import (
	"fmt"
	"math"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

var _ = judges(plans.TimingKind, (*judge).timing)

// modeRatePPM is how far a mode's refresh rate may lie from the rate that a
// plan names in whole hertz: 60 Hz is 59.94 Hz in one standard and 60.32 Hz in
// another. Common practice, no source.
const modeRatePPM = 15000

// timing compares line and frame rate at the monitor connector with the
// standard modes.
func (j *judge) timing(spec *plans.Timing) {
	reports := map[string]bus.TimingReport{}
	for _, text := range spec.Modes.On(j.in.Family) {
		c := Check{Name: text, Title: english("Timing at " + text), Limits: &Limits{Text: english(text)}, Rule: string(j.step.Rule)}
		line, okLine := j.attempt.Latest(text + ".line")
		frame, okFrame := j.attempt.Latest(text + ".frame")
		mode, err := plans.ParseMode(text)
		switch {
		case !okLine && !okFrame:
			c.Reason = english("Line and frame rate at " + text + " were not read.")
		case !okLine || !okFrame:
			c.Reason = english("At " + text + " only one of line and frame rate was read; both are needed.")
		case err != nil:
			c.Verdict, c.Reason = conformity.Inconclusive, english(endSentence(err.Error()))
		default:
			report, err := j.modeTiming(&c, mode, line, frame)
			if err != nil {
				c.Verdict, c.Reason = conformity.Inconclusive, english(endSentence(err.Error()))
			} else {
				reports[text] = report
			}
		}
		j.check(c)
	}
	if len(reports) > 0 {
		j.out.Detail = map[string]any{"timing": reports}
	}
}

func (j *judge) modeTiming(c *Check, mode plans.Mode, line, frame reading.Reading) (bus.TimingReport, error) {
	r := bus.TimingReading{LineHz: line.Number(), LineResolution: line.Resolution, RefreshHz: frame.Number(), RefreshResolution: frame.Resolution}
	ppm, known := j.timeBase(line)
	r.InstrumentPPM = ppm
	r.Mode = mode
	sized, err := bus.MatchTiming(r)
	if err != nil {
		return sized, err
	}
	c.Value, c.Unit = number(line.Number()/1e3), "kHz"
	c.Text = english(quantity.Format(line.Number(), line.Resolution, quantity.Frequency) + ", " + quantity.Format(frame.Number(), frame.Resolution, quantity.Frequency))
	for _, m := range sized.Matches {
		if rateFits(mode.Rate, m.Timing.RefreshHz()) {
			j.matched(c, m, known)
			return sized, nil
		}
	}
	// Not the mode that was asked for: which one is it?
	r.Mode = plans.Mode{}
	any, err := bus.MatchTiming(r)
	if err != nil {
		return any, err
	}
	c.Verdict = conformity.Fail
	c.Reason = english(fmt.Sprintf("At %s: %s is not this mode.", mode.Text, said(c.Text)))
	if best := append(sized.Matches, any.Matches...); len(best) > 0 && best[0].Verdict != bus.TimingOther {
		c.Reason = english(said(c.Reason) + fmt.Sprintf(" It is %s (%s).", said(best[0].Mode), best[0].Standard))
		j.cause(0.4, fmt.Sprintf("at %s the card puts out %s", mode.Text, said(best[0].Mode)), "The mode that was really set; the driver's list of modes and what the monitor says of itself; then the firmware's table of modes.")
	} else {
		j.cause(0.4, "at "+mode.Text+" line and frame rate fit no known mode", "Read both rates again; then the clock generator, its crystal and the dividers that the firmware sets.")
	}
	return any, nil
}

func rateFits(wanted, is float64) bool {
	return wanted == 0 || math.Abs(is/wanted-1)*1e6 <= modeRatePPM
}

// matched judges the mode that was asked for by how the reading lies to it.
func (j *judge) matched(c *Check, m bus.TimingMatch, known bool) {
	c.Source = english(m.Standard)
	name := said(m.Mode)
	c.Limits.Text = english(fmt.Sprintf("%s (%s): %.3f kHz, %.3f Hz", name, m.Standard, m.Timing.LineHz()/1e3, m.Timing.RefreshHz()))
	what := fmt.Sprintf("At %s: %s", c.Name, said(c.Text))
	switch m.Verdict {
	case bus.TimingAgrees:
		c.Verdict, c.Reason = conformity.Pass, english(what+" agrees with "+name+".")
	case bus.TimingRounded:
		c.Verdict, c.Reason = conformity.Pass, english(what+" agrees with "+name+"; the monitor rounds.")
		j.remark("At %s line and frame rate differ by no more than the monitor's last digit: it rounds, the clock is not off.", c.Name)
	case bus.TimingSmall:
		c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("%s: the pixel clock is off by %+.0f ppm, inside the ±0.5 %% of the mode.", what, m.DeviationPPM))
	case bus.TimingClockOff:
		c.Verdict = conformity.Fail
		c.Reason = english(fmt.Sprintf("%s: line and frame rate deviate together by %+.0f ppm from %s: the pixel clock is off.", what, m.DeviationPPM, name))
		j.cause(0.6, fmt.Sprintf("the pixel clock is off by %+.0f ppm at %s", m.DeviationPPM, c.Name), "The reference crystal and its load capacitors, then the clock generator and the setting that the firmware gives it.")
		if !known {
			c.Verdict, c.Settle = conformity.Inconclusive, english("State the counter and its limits in the shop file, or name it with the reading.")
			c.Reason = english(said(c.Reason) + " Without the uncertainty of the instrument this decides nothing.")
		}
	default:
		c.Verdict = conformity.Inconclusive
		c.Reason = english(fmt.Sprintf("%s: line rate is off by %+.0f ppm and frame rate by %+.0f ppm from %s: they do not fit together.", what, m.LinePPM, m.RefreshPPM, name))
		c.Settle = english("Read both rates again at the same moment; a counter at the sync lines settles it.")
	}
}

// timeBase returns the standard uncertainty of the instrument in ppm. An
// instrument whose limits are coarser than a percent of the line rate is made
// for other frequencies and not taken for the one that read these.
func (j *judge) timeBase(r reading.Reading) (ppm float64, known bool) {
	inst, ok := j.instrument(r, quantity.Frequency)
	if ok {
		half := instrumentLimits(inst, quantity.Frequency, r.Number())
		if half > 0 && half < 0.01*r.Number() {
			u := half / math.Sqrt(3)
			if inst.Coverage > 0 {
				u = half / inst.Coverage
			}
			return u / r.Number() * 1e6, true
		}
	}
	j.doubt("no instrument for line rates is stated for %s; only the last digit shown is taken into account", r.Name)
	return 0, false
}
