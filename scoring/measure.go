package scoring

import (
	"math"
	"slices"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// A measurand is one quantity of a step, to be judged against limits. Limits
// and readings are in base units; Unit is what documents print.
type measurand struct {
	name      string
	title     fact.Fact
	dimension quantity.Dimension
	unit      string
	limits    conformity.Limits
	source    string  // of the limits
	digit     float64 // what the last digit of its readings is worth; 0 where that is not known
}

// unread is the check of a measurand before anything is known of its value.
func (m measurand) unread() outcome.Check {
	return outcome.Check{
		Name:   m.name,
		Title:  m.title,
		Unit:   m.unit,
		Limits: limitsIn(m),
		Source: phrase(m.source),
	}
}

// missing is the check of a measurand that nobody read.
func missing(m measurand) outcome.Check {
	c := m.unread()
	c.Reason = notRead(m.title)
	return c
}

func notRead(title fact.Fact) fact.Fact { return fact.New("measure.not-read", "title", title) }

// phrase is a text of a plan, a family or the shop; an empty one says nothing.
func phrase(text string) fact.Fact {
	if text == "" {
		return fact.Fact{}
	}
	return fact.Text(fact.Phrase(text))
}

// measure judges the readings of a measurand by the step's rule, with the
// uncertainty of the instrument, of its display and of the repeats combined in
// quadrature (JCGM 100:2008).
func (j *judge) measure(m measurand, readings []reading.Reading) outcome.Check {
	if len(readings) == 0 {
		return missing(m)
	}
	values, step := valuesOf(readings)
	m.digit = step
	value := mean(values)
	lines, known := j.contributionsOf(readings[len(readings)-1], m.dimension, values, step)
	if !known {
		j.warning(fact.New("measure.no-instrument", "reading", m.name))
	}
	c := j.judgeValue(m, value, lines, known)
	if len(values) > 1 {
		c.Reason = fact.Text(fact.Sentences(c.Reason, fact.New("measure.mean", "n", len(values))))
	}
	for _, r := range readings {
		if r.Source.Evidence != "" {
			c.Evidence = append(c.Evidence, r.Source.Evidence)
		}
	}
	return c
}

// judgeValue judges a value in base units against the limits of m. Without a
// known instrument the uncertainty is not known and nothing is decided.
func (j *judge) judgeValue(m measurand, value float64, lines []conformity.Contribution, known bool) outcome.Check {
	c := m.unread()
	c.Rule = string(j.step.Rule)
	scale := scaleOf(m.dimension, m.unit)
	c.Value = number(value / scale)
	undecided := func(err error) outcome.Check {
		c.Verdict = conformity.Inconclusive
		c.Reason = fact.New("measure.not-judged", "title", m.title, "why", fact.Why(err))
		return c
	}
	u := conformity.Uncertainty{Standard: math.NaN(), K: 2}
	shown := fact.In(value/scale, m.unit).To(m.digit / scale)
	if known {
		budget, err := conformity.Combine(lines...)
		if err != nil {
			return undecided(err)
		}
		u = budget.Uncertainty()
		c.U = number(u.Expanded() / scale)
		if u.K > 2.005 { // else it is 2 to the digits that are printed
			c.K = &u.K
		}
		shown = shown.Within(u.Expanded() / scale)
		for _, line := range budget.Contributions {
			c.Budget = append(c.Budget, line.Over(scale))
		}
	}
	c.Text = fact.Text(shown)
	if m.limits.None() {
		c.Informative, c.Verdict = true, conformity.NotApplicable
		c.Reason = fact.New("measure.no-limit", "title", m.title, "value", c.Text)
		return c
	}
	result, err := conformity.Judge(value, u, m.limits, conformity.Rule(j.step.Rule))
	if err != nil {
		return undecided(err)
	}
	c.Verdict = result.Verdict
	c.Probability = number(float64(result.Probability))
	c.Reason, c.Settle = m.explain(&c, result, known)
	return c
}

// explain says why the verdict on a value is what it is, and what would settle
// one that is open.
func (m measurand) explain(c *outcome.Check, r conformity.Result, known bool) (reason, settle fact.Fact) {
	switch {
	case r.Verdict == conformity.Pass:
		return fact.New("measure.inside", "title", m.title, "value", c.Text, "limits", c.Limits.Text), settle
	case r.Verdict == conformity.Fail:
		return fact.New("measure.outside", "title", m.title, "value", c.Text, "limits", c.Limits.Text), settle
	case !known:
		return fact.New("measure.unknown-uncertainty", "title", m.title, "value", c.Text),
			fact.New("measure.state-instrument")
	}
	// U has two digits beside its value (JCGM 100:2008, 7.2.6), so it has them alone.
	scale := scaleOf(m.dimension, m.unit)
	reason = fact.New("measure.too-near",
		"title", m.title,
		"value", c.Text,
		"limits", c.Limits.Text,
		"u", fact.In(float64(r.Expanded)/scale, m.unit).Digits(2))
	if r.Settle == nil {
		return reason, settle
	}
	needed := fact.In(r.Settle.LargestExpanded/scale, m.unit).Digits(2)
	switch {
	case r.Settle.LargestExpanded <= 0:
		settle = fact.New("measure.on-the-limit")
	case r.Settle.Verdict == conformity.Pass:
		settle = fact.New("measure.would-pass", "u", needed)
	default:
		settle = fact.New("measure.would-fail", "u", needed)
	}
	return reason, settle
}

// contributions returns the lines of a single reading: those of its instrument
// and of the display, whose last digit counts in step.
func (j *judge) contributions(
	r reading.Reading, dim quantity.Dimension, value, step float64,
) (lines []conformity.Contribution, known bool) {
	return j.contributionsOf(r, dim, []float64{value}, step)
}

// contributionsOf returns the lines of the mean of readings that were taken as r
// was: the instrument's, and what the readings leave open. known is false when
// the bench has no instrument for them: then nobody can state the uncertainty.
func (j *judge) contributionsOf(
	r reading.Reading, dim quantity.Dimension, values []float64, step float64,
) (lines []conformity.Contribution, known bool) {
	inst, known := j.instrument(r, dim)
	if known {
		half := instrumentLimits(inst, dim, mean(values))
		lines = append(lines, conformity.InstrumentLimits(phrase(inst.Title), half, inst.Coverage))
		if inst.Resolution != nil {
			step = math.Max(step, inst.Resolution.Value)
		}
	}
	scatter, display := fact.New("measure.repeatability"), fact.New("measure.display-resolution")
	own, err := conformity.Readings(scatter, display, values, step)
	if err != nil { // equal readings of a display whose step nobody states
		return lines, known && len(values) == 1
	}
	return append(lines, own...), known
}

// instrument returns what a reading was taken with: the instrument it names,
// or the only one of the bench that measures the dimension.
func (j *judge) instrument(r reading.Reading, dim quantity.Dimension) (*plans.Instrument, bool) {
	bench, ok := j.in.Shop.Bench(j.in.Job.Bench)
	if !ok {
		return nil, false
	}
	if r.Instrument == "" {
		return bench.Measuring(dim, r.Place)
	}
	inst, known := bench.Instrument(r.Instrument)
	if known && !slices.Contains(inst.Measures, dim) {
		j.warning(fact.New("measure.other-dimension",
			"instrument", phrase(inst.Title),
			"dimension", plans.DimensionSaid(dim),
			"reading", r.Name))
		return nil, false
	}
	return inst, known
}

// instrumentLimits returns the half-width ±a of the instrument's stated limits
// at a value, in the base unit of the dimension.
func instrumentLimits(inst *plans.Instrument, dim quantity.Dimension, value float64) float64 {
	half := inst.Limits.Value
	if inst.Limits.Dimension == quantity.Ratio && dim != quantity.Ratio {
		half = math.Abs(value) * inst.Limits.Value
	}
	if inst.Floor != nil {
		half += inst.Floor.Value
	}
	return half
}

// standardLimits is the standard uncertainty that these limits mean: rectangular,
// or with the coverage factor that is stated (JCGM 100:2008, 4.3.3 and 4.3.7).
func standardLimits(inst *plans.Instrument, dim quantity.Dimension, value float64) float64 {
	half := instrumentLimits(inst, dim, value)
	if inst.Coverage > 0 {
		return half / inst.Coverage
	}
	return half / math.Sqrt(3)
}

// limitsIn returns the limits of m in its unit, with words.
func limitsIn(m measurand) *conformity.Limits {
	if m.limits.None() {
		return nil
	}
	scale := scaleOf(m.dimension, m.unit)
	var l conformity.Limits
	if m.limits.Low != nil {
		l.Low = number(*m.limits.Low / scale)
	}
	if m.limits.High != nil {
		l.High = number(*m.limits.High / scale)
	}
	l.Text = limitsText(l, m.unit, asStated(l))
	return &l
}

// asStated gives limits the digits that somebody stated. Limits worked out from a
// tolerance of so many ppm have more than that: of these it keeps what a
// thousandth of the distance between them is worth.
func asStated(l conformity.Limits) func(fact.Amount) fact.Amount {
	if l.Low == nil || l.High == nil || *l.High <= *l.Low {
		return fact.Amount.Whole
	}
	step := math.Pow10(int(math.Floor(math.Log10(*l.High-*l.Low))) - 3)
	return func(a fact.Amount) fact.Amount {
		a.Value = math.Round(a.Value/step) * step
		return a.Whole()
	}
}

// asComputed leaves limits that were worked out the digits that words choose.
func asComputed(a fact.Amount) fact.Amount { return a }

// limitsText says limits in a unit, each with the digits that digits gives it.
func limitsText(l conformity.Limits, unit string, digits func(fact.Amount) fact.Amount) fact.Fact {
	switch {
	case l.Low != nil && l.High != nil:
		return fact.New("limits.between", "low", digits(fact.In(*l.Low, "")), "high", digits(fact.In(*l.High, unit)))
	case l.Low != nil:
		return fact.New("limits.at-least", "low", digits(fact.In(*l.Low, unit)))
	case l.High != nil:
		return fact.New("limits.at-most", "high", digits(fact.In(*l.High, unit)))
	}
	return fact.Fact{}
}

// tolerated returns the limits that a quantity with tolerance states.
func tolerated(q quantity.Quantity) conformity.Limits {
	if !q.Tolerated {
		return conformity.Limits{}
	}
	return conformity.Between(q.Low(), q.High())
}

// scaleOf returns how many base units of the dimension one unit is.
func scaleOf(dim quantity.Dimension, unit string) float64 {
	if u, ok := quantity.LookUp(dim, unit); ok {
		return u.Scale()
	}
	return 1
}

// number is a value as outcomes hold it: nil where it is not finite.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// valuesOf returns the values of readings, and what the last digit of the
// coarsest of them is worth.
func valuesOf(readings []reading.Reading) (values []float64, step float64) {
	for _, r := range readings {
		values = append(values, r.Number())
		step = math.Max(step, r.Resolution)
	}
	return values, step
}

func mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}

func axis(name fact.Fact, unit string) outcome.Axis[fact.Fact] {
	return outcome.Axis[fact.Fact]{Name: name, Unit: unit}
}
