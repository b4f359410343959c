package scoring

import (
	"math"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
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
		c := outcome.Check{
			Name:   text,
			Title:  fact.New("timing.title", "mode", text),
			Limits: &conformity.Limits{Text: fact.Text(fact.Name(text))},
			Rule:   string(j.step.Rule),
		}
		line, okLine := j.attempt.Latest(text + ".line")
		frame, okFrame := j.attempt.Latest(text + ".frame")
		switch {
		case !okLine && !okFrame:
			c.Reason = fact.New("timing.not-read", "mode", text)
		case !okLine || !okFrame:
			c.Reason = fact.New("timing.half-read", "mode", text)
		default:
			report, err := j.modeTiming(&c, line, frame)
			if err != nil {
				c.Verdict, c.Reason = conformity.Inconclusive, because(err)
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

// modeTiming judges the rates that were read at the mode of a check.
func (j *judge) modeTiming(c *outcome.Check, line, frame reading.Reading) (bus.TimingReport, error) {
	mode, err := plans.ParseMode(c.Name)
	if err != nil {
		return bus.TimingReport{}, err
	}
	r := bus.TimingReading{
		LineHz:            line.Number(),
		LineResolution:    line.Resolution,
		RefreshHz:         frame.Number(),
		RefreshResolution: frame.Resolution,
		Mode:              mode,
	}
	var known bool
	r.InstrumentPPM, known = j.timeBase(line)
	sized, err := bus.MatchTiming(r)
	if err != nil {
		return sized, err
	}
	c.Value, c.Unit = number(line.Number()/1e3), "kHz"
	c.Text = fact.New("timing.rates", "line", shownAs(line), "frame", shownAs(frame))
	for _, m := range sized.Matches {
		if rateFits(mode.Rate, m.Timing.RefreshHz()) {
			j.matched(c, m, known)
			return sized, nil
		}
	}
	// Not the mode that was asked for: which one is it?
	r.Mode = plans.Mode{}
	all, err := bus.MatchTiming(r)
	if err != nil {
		return all, err
	}
	c.Verdict, c.Reason = conformity.Fail, fact.New("timing.not-this-mode", "mode", mode.Text, "value", c.Text)
	best := append(sized.Matches, all.Matches...)
	if len(best) == 0 || best[0].Verdict == bus.TimingOther {
		j.suspect(0.4, fact.New("timing.no-known-mode", "mode", mode.Text), fact.New("timing.look-generator"))
		return all, nil
	}
	is := best[0]
	c.Reason = fact.Text(fact.Sentences(c.Reason, fact.New("timing.it-is", "is", is.Mode, "standard", is.Standard)))
	j.suspect(0.4, fact.New("timing.puts-out", "mode", mode.Text, "is", is.Mode), fact.New("timing.look-mode"))
	return all, nil
}

// shownAs is a frequency with the digits that it was read with.
func shownAs(r reading.Reading) fact.Amount {
	a := fact.In(quantity.ReadsWell(r.Number(), quantity.Frequency))
	if r.Resolution <= 0 {
		return a.Whole()
	}
	return a.To(r.Resolution / scaleOf(quantity.Frequency, a.Unit))
}

func rateFits(wanted, is float64) bool {
	return wanted == 0 || math.Abs(is/wanted-1)*1e6 <= modeRatePPM
}

// matched judges the mode that was asked for by how the reading lies to it.
func (j *judge) matched(c *outcome.Check, m bus.TimingMatch, known bool) {
	c.Source = fact.Text(fact.Name(m.Standard))
	c.Limits.Text = fact.New("timing.of-mode",
		"is", m.Mode,
		"standard", m.Standard,
		"line", fact.In(m.Timing.LineHz()/1e3, "kHz").To(0.001),
		"frame", fact.In(m.Timing.RefreshHz(), "Hz").To(0.001))
	off := func(ppm float64) fact.Amount { return fact.In(ppm, "ppm").To(1).WithSign() }
	switch m.Verdict {
	case bus.TimingAgrees:
		c.Verdict = conformity.Pass
		c.Reason = fact.New("timing.agrees", "mode", c.Name, "value", c.Text, "is", m.Mode)
	case bus.TimingRounded:
		c.Verdict = conformity.Pass
		c.Reason = fact.New("timing.rounded", "mode", c.Name, "value", c.Text, "is", m.Mode)
		j.finding(fact.New("timing.rounds", "mode", c.Name))
	case bus.TimingSmall:
		c.Verdict = conformity.Pass
		c.Reason = fact.New("timing.small", "mode", c.Name, "value", c.Text, "off", off(m.DeviationPPM))
	case bus.TimingClockOff:
		c.Verdict = conformity.Fail
		c.Reason = fact.New("timing.clock-off",
			"mode", c.Name,
			"value", c.Text,
			"off", off(m.DeviationPPM),
			"is", m.Mode)
		j.suspect(0.6,
			fact.New("timing.pixel-clock", "mode", c.Name, "off", off(m.DeviationPPM)),
			fact.New("timing.look-crystal"))
		if !known {
			c.Verdict, c.Settle = conformity.Inconclusive, fact.New("timing.state-counter")
			c.Reason = fact.Text(fact.Sentences(c.Reason, fact.New("timing.decides-nothing")))
		}
	default:
		c.Verdict = conformity.Inconclusive
		c.Reason = fact.New("timing.apart",
			"mode", c.Name,
			"value", c.Text,
			"line", off(m.LinePPM),
			"frame", off(m.RefreshPPM),
			"is", m.Mode)
		c.Settle = fact.New("timing.read-again")
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
			return standardLimits(inst, quantity.Frequency, r.Number()) / r.Number() * 1e6, true
		}
	}
	j.warning(fact.New("timing.no-instrument", "reading", r.Name))
	return 0, false
}
