package scoring

import (
	"fmt"
	"math"
	"slices"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

var _ = judges(plans.ClockKind, (*judge).clock)

// clock judges each named clock against the family's value and tolerance, and
// says what a clock that is off turned out to be: the nearest setting of its
// synthesizer, the clock of another variant, drift, or another setting.
func (j *judge) clock(spec *plans.Clock) {
	reports := map[string]bus.ClockReport{}
	for _, name := range spec.Clocks {
		if !slices.ContainsFunc(j.in.Family.Clocks, func(c plans.FamilyClock) bool { return c.Name == name }) {
			j.check(Check{Name: name, Title: english(upperFirst(name) + " clock"), Reason: english(fmt.Sprintf("The family has no clock %q.", name))})
		}
	}
	for _, c := range j.in.Family.Clocks {
		if len(spec.Clocks) > 0 && !slices.Contains(spec.Clocks, c.Name) {
			continue
		}
		m := measurand{name: c.Name, title: english(upperFirst(c.Name) + " clock"), dimension: quantity.Frequency, unit: c.Value.Unit, limits: tolerated(c.Value), source: c.Source}
		readings := j.attempt.All(c.Name)
		check := j.measure(m, readings)
		if check.Value != nil && c.Value.Value > 0 && !check.Informative {
			step := 0.0
			for _, r := range readings {
				step = math.Max(step, r.Resolution)
			}
			if report, ok := j.recogniseClock(&check, c, step); ok {
				reports[c.Name] = report
			}
		}
		j.check(check)
	}
	if len(reports) > 0 {
		j.out.Detail = map[string]any{"clocks": reports}
	}
	j.coupling()
}

// recogniseClock says what the reading of a clock is. A clock outside its
// tolerance passes when it is the setting nearest to nominal that the family's
// synthesizer can make.
func (j *judge) recogniseClock(check *Check, c plans.FamilyClock, step float64) (bus.ClockReport, bool) {
	scale := scaleOf(quantity.Frequency, check.Unit)
	r := bus.ClockReading{NominalHz: c.Value.Value, ReadHz: float64(*check.Value) * scale}
	if check.Verdict != conformity.Pass { // a clock that is right needs no other explanation
		r.Variants = j.variantClocks(c.Name)
	}
	r.TolerancePPM = math.Max(c.Value.Plus, c.Value.Minus) / c.Value.Value * 1e6
	if check.U != nil { // all of it as a rectangular limit, so that u stays what the budget says
		r.InstrumentPPM = float64(*check.U) * scale / 2 * math.Sqrt(3) / r.ReadHz * 1e6
	} else {
		r.ResolutionHz = step
	}
	r.Synthesizer = c.Synthesizer
	report, err := bus.JudgeClock(r)
	if err != nil {
		return report, false
	}
	switch {
	case check.Verdict == conformity.Pass:
		if report.Nearest != nil && math.Abs(report.Nearest.PPM) > 50 && math.Abs(r.ReadHz-report.Nearest.Hz) < math.Abs(r.ReadHz-r.NominalHz) {
			j.remark("%s: the synthesizer cannot make %s; its nearest setting is %.6g MHz (N=%d, M=%d, K=%d).", said(check.Title), c.Value.Text, report.Nearest.Hz/1e6, report.Nearest.N, report.Nearest.M, report.Nearest.K)
		}
	case report.Kind == bus.ClockSetting && check.U != nil:
		check.Verdict = conformity.Pass
		check.Reason = english(fmt.Sprintf("%s: %s is %s.", said(check.Title), said(check.Text), said(report.Text)))
		check.Settle = fact.Fact{}
	case report.Kind == bus.ClockOfVariant:
		check.Reason = english(said(check.Reason) + fmt.Sprintf(" It is the clock of the variant %q, not drift.", report.Variant))
		j.cause(0.7, fmt.Sprintf("the %s clock is that of the variant %q (%s)", c.Name, report.Variant, said(check.Text)),
			"The variant chosen for the job, the marking of the main chip, the firmware fitted and the strap resistors.")
	case check.Verdict == conformity.Fail:
		j.cause(0.4, fmt.Sprintf("the %s clock is off by %+.0f ppm (%s)", c.Name, report.DeviationPPM, said(check.Text)), clockLook(report.Kind))
		j.remark("%s: %s", said(check.Title), endSentence(said(report.Text)))
	}
	return report, true
}

func clockLook(kind bus.ClockKind) string {
	if kind == bus.ClockDrift {
		return "The reference crystal and its load capacitors first, then the clock generator and its supply."
	}
	return "Variant chosen, firmware fitted, strap resistors, the crystal and the clock generator."
}

// variantClocks returns what the other variants of the family run a clock at.
func (j *judge) variantClocks(name string) []bus.ClockVariant {
	family := j.in.Family
	if len(family.Aliases) < 2 || family.Source == "" {
		return nil
	}
	file, problems := plans.ParseFamily(family.File, []byte(family.Source))
	if len(problems) > 0 {
		return nil
	}
	var out []bus.ClockVariant
	for _, v := range family.Aliases {
		other, err := file.Variant(v)
		if err != nil || v == family.Variant {
			continue
		}
		for _, c := range other.Clocks {
			if c.Name == name && c.Value.Value > 0 {
				out = append(out, bus.ClockVariant{Name: v, Hz: c.Value.Value})
			}
		}
	}
	return out
}

// coupling says whether core and memory share one clock, as far as the readings
// show it. Repeated readings of one setting are one pair, by their means; pairs
// read at different settings settle it.
func (j *judge) coupling() {
	core, memory := j.attempt.All("core"), j.attempt.All("memory")
	if len(core) == 0 || len(memory) == 0 {
		return
	}
	var pairs []bus.ClockPair
	if len(core) == len(memory) && !(oneSetting(core) && oneSetting(memory)) {
		for i := range core {
			pairs = append(pairs, j.clockPair(core[i:i+1], memory[i:i+1]))
		}
	} else {
		pairs = append(pairs, j.clockPair(core, memory))
	}
	if c, err := bus.CompareClocks(pairs); err == nil {
		j.remark("%s", upperFirst(endSentence(said(c.Text))))
	}
}

// oneSetting reports whether readings of a clock differ by no more than half a
// percent: less than any other setting would differ. Common practice, no source.
func oneSetting(readings []reading.Reading) bool {
	low, high := readings[0].Number(), readings[0].Number()
	for _, r := range readings {
		low, high = math.Min(low, r.Number()), math.Max(high, r.Number())
	}
	return high-low <= 0.005*high
}

func (j *judge) clockPair(core, memory []reading.Reading) bus.ClockPair {
	var p bus.ClockPair
	p.CoreHz, p.CoreU = j.clockMean(core)
	p.MemoryHz, p.MemoryU = j.clockMean(memory)
	return p
}

// clockMean returns the mean of readings of one clock and its standard
// uncertainty: half of the last digit and the instrument's limits, rectangular,
// and the scatter of the readings (JCGM 100:2008, 4.2 and 4.3.7).
func (j *judge) clockMean(readings []reading.Reading) (value, u float64) {
	values, step := make([]float64, len(readings)), 0.0
	for i, r := range readings {
		values[i] = r.Number()
		step = math.Max(step, r.Resolution)
	}
	value = mean(values)
	u = step / math.Sqrt(12)
	if inst, ok := j.instrument(readings[0], quantity.Frequency); ok {
		u = math.Hypot(u, instrumentLimits(inst, quantity.Frequency, value)/math.Sqrt(3))
	}
	for _, v := range values {
		u = math.Hypot(u, (v-value)/math.Sqrt(math.Max(1, float64(len(values)-1))))
	}
	return value, u
}
