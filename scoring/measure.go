package scoring

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
)

// A measurand is one quantity of a step, to be judged against limits. Limits
// and readings are in base units; Unit is what documents print.
type measurand struct {
	name, title string
	dimension   quantity.Dimension
	unit        string
	limits      conformity.Limits
	source      string // of the limits
	// extra contributions beyond instrument, resolution and repeatability
	extra []conformity.Contribution
	// single takes the last reading alone instead of the mean of all.
	single bool
}

// missing is the check of a measurand that nobody read.
func missing(m measurand) Check {
	return Check{Name: m.name, Title: english(m.title), Unit: m.unit, Limits: limitsIn(m), Source: english(m.source),
		Reason: english(m.title + " was not read.")}
}

// measure judges the readings of a measurand by the step's rule, with the
// uncertainty of the instrument, of its display and of the repeats combined in
// quadrature (JCGM 100:2008).
func (j *judge) measure(m measurand, readings []reading.Reading) Check {
	if len(readings) == 0 {
		return missing(m)
	}
	if m.single {
		readings = readings[len(readings)-1:]
	}
	values, step := make([]float64, len(readings)), 0.0
	for i, r := range readings {
		values[i] = r.Number()
		step = math.Max(step, r.Resolution)
	}
	value := mean(values)
	lines, known := j.contributions(readings[len(readings)-1], m.dimension, value, step)
	if len(values) > 1 {
		if line, err := conformity.Repeatability("repeatability", values); err == nil {
			lines = append(lines, line)
		}
	}
	c := j.judgeValue(m, value, append(lines, m.extra...), known)
	if len(values) > 1 {
		c.Reason = english(strings.TrimSuffix(said(c.Reason), ".") + fmt.Sprintf(" (mean of %d readings).", len(values)))
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
func (j *judge) judgeValue(m measurand, value float64, lines []conformity.Contribution, known bool) Check {
	c := Check{Name: m.name, Title: english(m.title), Unit: m.unit, Source: english(m.source), Limits: limitsIn(m), Rule: string(j.step.Rule)}
	scale := scaleOf(m.dimension, m.unit)
	c.Value = number(value / scale)
	u := conformity.Uncertainty{Standard: math.NaN(), K: 2}
	if known {
		budget, err := conformity.Combine(lines...)
		if err != nil {
			c.Verdict, c.Reason = conformity.Inconclusive, english(endSentence(err.Error()))
			return c
		}
		u = budget.Uncertainty()
		c.U = number(u.Expanded() / scale)
		for _, line := range budget.Contributions {
			c.Budget = append(c.Budget, Contribution{Name: english(line.Name), HalfWidth: Number(line.Value / scale),
				Distribution: string(line.Distribution), Standard: Number(line.Standard / scale)})
		}
	}
	c.Text = english(showValue(value/scale, u.Expanded()/scale, m.unit))
	if m.limits.Low == nil && m.limits.High == nil {
		c.Informative, c.Verdict, c.Reason = true, conformity.NotApplicable, english(m.title+": "+said(c.Text)+"; no limit is stated.")
		return c
	}
	result, err := conformity.Judge(value, u, m.limits, conformity.Rule(j.step.Rule))
	if err != nil {
		c.Verdict, c.Reason = conformity.Inconclusive, english(endSentence(err.Error()))
		return c
	}
	c.Verdict = result.Verdict
	c.Probability = number(float64(result.Probability))
	reason, settle := verdictWords(m, c, result, known, scale)
	c.Reason, c.Settle = english(reason), english(settle)
	return c
}

// contributions returns the instrument's and the display's lines for a reading.
// known is false when the plan's bench has no instrument for it: then nobody
// can state the uncertainty.
func (j *judge) contributions(r reading.Reading, dim quantity.Dimension, value, step float64) (lines []conformity.Contribution, known bool) {
	inst, ok := j.instrument(r, dim)
	if !ok {
		j.doubt("no instrument is stated for %s, so its uncertainty is not known", r.Name)
		return nil, false
	}
	half := instrumentLimits(inst, dim, value)
	lines = append(lines, conformity.InstrumentLimits(inst.Title, half, inst.Coverage))
	if inst.Resolution != nil {
		step = math.Max(step, inst.Resolution.Value)
	}
	if step > 0 {
		lines = append(lines, conformity.Resolution("display resolution", step))
	}
	return lines, true
}

// instrument returns what a reading was taken with: the instrument it names,
// or the only one of the bench that measures the dimension.
func (j *judge) instrument(r reading.Reading, dim quantity.Dimension) (*plans.Instrument, bool) {
	bench, ok := j.in.Shop.Bench(j.in.Job.Bench)
	if !ok {
		return nil, false
	}
	if r.Instrument != "" {
		inst, known := bench.Instrument(r.Instrument)
		if known && !slices.Contains(inst.Measures, dim) {
			j.doubt("%s does not measure %s, so it says nothing of the uncertainty of %s", inst.Title, dim, r.Name)
			return nil, false
		}
		return inst, known
	}
	return bench.Measuring(dim, r.Place)
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

func verdictWords(m measurand, c Check, r conformity.Result, known bool, scale float64) (reason, settle string) {
	limits := said(c.Limits.Text)
	switch r.Verdict {
	case conformity.Pass:
		return fmt.Sprintf("%s: %s is inside the limits (%s).", m.title, said(c.Text), limits), ""
	case conformity.Fail:
		return fmt.Sprintf("%s: %s is outside the limits (%s).", m.title, said(c.Text), limits), ""
	}
	if !known {
		return fmt.Sprintf("%s: %s cannot be judged without the uncertainty of the instrument.", m.title, said(c.Text)),
			"State the instrument and its limits in the shop file, or name it with the reading."
	}
	reason = fmt.Sprintf("%s: %s is too near to a limit (%s) to decide with U = %s.", m.title, said(c.Text), limits, withUnit(significant(float64(r.Expanded)/scale, 2), m.unit))
	if r.Settle == nil {
		return reason, ""
	}
	if r.Settle.LargestExpanded <= 0 {
		return reason, "The value lies on the limit: no instrument settles it; repeat the measurement."
	}
	return reason, fmt.Sprintf("A repeat that shows the same value with U of at most %s would be a %s.",
		withUnit(significant(r.Settle.LargestExpanded/scale, 2), m.unit), r.Settle.Verdict)
}

// limitsIn returns the limits of m in its unit, with words.
func limitsIn(m measurand) *Limits {
	if m.limits.Low == nil && m.limits.High == nil {
		return nil
	}
	scale := scaleOf(m.dimension, m.unit)
	var l Limits
	show := func(v float64) string { return withUnit(trimmed(v/scale), m.unit) }
	switch {
	case m.limits.Low != nil && m.limits.High != nil:
		l.Low, l.High = number(*m.limits.Low/scale), number(*m.limits.High/scale)
		l.Text = english(trimmed(*m.limits.Low/scale) + " to " + show(*m.limits.High))
	case m.limits.Low != nil:
		l.Low = number(*m.limits.Low / scale)
		l.Text = english("at least " + show(*m.limits.Low))
	default:
		l.High = number(*m.limits.High / scale)
		l.Text = english("at most " + show(*m.limits.High))
	}
	return &l
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

func number(v float64) *Number {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	n := Number(v)
	return &n
}

func mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}

// showValue writes value ± U with U to two significant digits and the value to
// the same decimal place.
//
// Source: JCGM 100:2008, 7.2.6.
func showValue(value, expanded float64, unit string) string {
	if math.IsNaN(expanded) || expanded <= 0 || math.IsInf(expanded, 0) {
		return withUnit(trimmed(value), unit)
	}
	decimals := 1 - int(math.Floor(math.Log10(expanded)))
	if decimals < 0 {
		decimals = 0
	}
	if decimals > 9 {
		decimals = 9
	}
	return withUnit(strconv.FormatFloat(value, 'f', decimals, 64)+" ± "+strconv.FormatFloat(expanded, 'f', decimals, 64), unit)
}

func withUnit(number, unit string) string {
	switch unit {
	case "":
		return number
	}
	if strings.Contains(number, " ± ") {
		return "(" + number + ") " + unit
	}
	return number + " " + unit
}

// trimmed writes a number with up to six significant digits and no trailing zeros.
func trimmed(v float64) string { return strconv.FormatFloat(roundSignificant(v, 6), 'f', -1, 64) }

// significant writes a number with n significant digits.
func significant(v float64, n int) string {
	return strconv.FormatFloat(roundSignificant(v, n), 'f', -1, 64)
}

func roundSignificant(v float64, n int) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', n-1, 64), 64)
	if err != nil {
		return v
	}
	return r
}
