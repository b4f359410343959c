package scoring

import (
	"math"
	"slices"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

var _ = judges(plans.ClockKind, (*judge).clock)

// clock judges each named clock against the family's value and tolerance, and
// says what a clock that is off turned out to be: the nearest setting of its
// synthesizer, the clock of another variant, drift, or another setting.
func (j *judge) clock(spec *plans.Clock) {
	reports := map[string]bus.ClockReport{}
	for _, name := range spec.Clocks {
		if !slices.ContainsFunc(j.in.Family.Clocks, func(c plans.FamilyClock) bool { return c.Name == name }) {
			j.check(
				outcome.Check{Name: name, Title: clockTitle(name), Reason: fact.New("clock.unknown", "clock", name)},
			)
		}
	}
	for _, c := range j.in.Family.Clocks {
		if len(spec.Clocks) > 0 && !slices.Contains(spec.Clocks, c.Name) {
			continue
		}
		m := measurand{
			name:      c.Name,
			title:     clockTitle(c.Name),
			dimension: quantity.Frequency,
			unit:      c.Value.Unit,
			limits:    tolerated(c.Value),
			source:    c.Source,
		}
		readings := j.attempt.All(c.Name)
		check := j.measure(m, readings)
		if check.Value != nil && c.Value.Value > 0 && !check.Informative {
			if report, ok := j.recogniseClock(&check, c, readings); ok {
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

// clockNamed is a clock inside a sentence.
func clockNamed(name string) fact.Fact {
	switch name {
	case "core":
		return fact.New("clock.core")
	case "memory":
		return fact.New("clock.memory")
	case "reference":
		return fact.New("clock.reference")
	}
	return fact.New("clock.named", "name", fact.Phrase(name))
}

func clockTitle(name string) fact.Fact { return fact.New("clock.title", "clock", clockNamed(name)) }

// recogniseClock says what the readings of a clock are. A clock outside its
// tolerance passes when it is the setting nearest to nominal that the family's
// synthesizer can make.
func (j *judge) recogniseClock(
	check *outcome.Check, c plans.FamilyClock, readings []reading.Reading,
) (report bus.ClockReport, ok bool) {
	scale := scaleOf(quantity.Frequency, check.Unit)
	r := clockExpected(c)
	r.ReadHz = *check.Value * scale
	if check.Verdict != conformity.Pass { // a clock that is right needs no other explanation
		r.Variants = variantClocks(j.in.Family, c.Name)
	}
	if check.U != nil { // all of it as a rectangular limit, so that u stays what the budget says
		r.InstrumentPPM = *check.U * scale / 2 * math.Sqrt(3) / r.ReadHz * 1e6
	} else {
		_, r.ResolutionHz = valuesOf(readings)
	}
	report, err := bus.JudgeClock(r)
	if err != nil {
		return report, false
	}
	name := clockNamed(c.Name)
	switch {
	case check.Verdict == conformity.Pass:
		near := report.Nearest
		if near != nil && math.Abs(near.PPM) > 50 && math.Abs(r.ReadHz-near.Hz) < math.Abs(r.ReadHz-r.NominalHz) {
			j.finding(fact.New("clock.cannot-make",
				"title", check.Title,
				"nominal", c.Value,
				"hz", fact.In(near.Hz/1e6, "MHz").To(1e-3),
				"setting", near.Fact()))
		}
	case report.Kind == bus.ClockSetting && report.Verdict == conformity.Pass && check.U != nil:
		check.Verdict = conformity.Pass
		check.Reason = fact.New("clock.is", "title", check.Title, "value", check.Text, "what", report.Text)
		check.Settle = fact.Fact{}
	case report.Kind == bus.ClockOfVariant:
		check.Reason = fact.Text(fact.Sentences(check.Reason, sentence(report.Text)))
		j.suspect(0.7,
			fact.New("clock.of-variant", "clock", name, "variant", report.Variant, "value", check.Text),
			fact.New("clock.look-variant"))
	case check.Verdict == conformity.Fail:
		off := fact.In(report.DeviationPPM, "ppm").To(1).WithSign()
		j.suspect(0.4, fact.New("clock.off", "clock", name, "off", off, "value", check.Text), clockLook(report.Kind))
		j.finding(fact.New("outcome.says", "of", check.Title, "what", report.Text))
	}
	return report, true
}

func clockLook(kind bus.ClockKind) fact.Fact {
	if kind == bus.ClockDrift {
		return fact.New("clock.look-crystal")
	}
	return fact.New("clock.look-setting")
}

// ClockExpected is what a family says of a clock before it is read; without a
// clock of the name, the names that there are.
func ClockExpected(family *plans.Family, name string) (expected bus.ClockReading, names []string) {
	for _, c := range family.Clocks {
		if c.Name == name {
			expected = clockExpected(c)
			expected.Variants = variantClocks(family, name)
			return expected, nil
		}
		names = append(names, c.Name)
	}
	return expected, names
}

func clockExpected(c plans.FamilyClock) bus.ClockReading {
	return bus.ClockReading{
		NominalHz:    c.Value.Value,
		TolerancePPM: math.Max(c.Value.Plus, c.Value.Minus) / c.Value.Value * 1e6,
		Synthesizer:  c.Synthesizer,
	}
}

// variantClocks returns what the other variants of a family run a clock at.
func variantClocks(family *plans.Family, name string) []bus.ClockVariant {
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
	if coupled, err := bus.CompareClocks(pairs); err == nil {
		j.finding(sentence(coupled))
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

// clockMean returns the mean of readings of one clock and half of its expanded
// uncertainty: what two means may differ by is told by twice the two together.
func (j *judge) clockMean(readings []reading.Reading) (value, u float64) {
	values, step := valuesOf(readings)
	lines, _ := j.contributionsOf(readings[0], quantity.Frequency, values, step)
	if budget, err := conformity.Combine(lines...); err == nil {
		u = budget.Expanded / 2
	}
	return mean(values), u
}
