package scoring

import (
	"fmt"
	"slices"
	"unicode"
	"unicode/utf8"

	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
)

// clock judges each named clock against the family's value and tolerance.
func (j *judge) clock() {
	for _, name := range j.step.Clocks {
		if !slices.ContainsFunc(j.in.Family.Clocks, func(c plans.FamilyClock) bool { return c.Name == name }) {
			j.check(Check{Name: name, Title: upperFirst(name) + " clock", Reason: fmt.Sprintf("The family has no clock %q.", name)})
		}
	}
	for _, c := range j.in.Family.Clocks {
		if len(j.step.Clocks) > 0 && !slices.Contains(j.step.Clocks, c.Name) {
			continue
		}
		m := measurand{name: c.Name, title: upperFirst(c.Name) + " clock", dimension: quantity.Frequency, unit: c.Value.Unit, limits: tolerated(c.Value), source: c.Source}
		check := j.measure(m, j.attempt.All(c.Name))
		if check.Value != nil && c.Value.Value > 0 {
			deviation := (float64(*check.Value)*scaleOf(quantity.Frequency, m.unit)/c.Value.Value - 1) * 1e6
			if check.Verdict == conformity.Fail {
				j.cause(0.4, fmt.Sprintf("the %s clock is off by %+.0f ppm (%s)", c.Name, deviation, check.Text), "Variant chosen, firmware fitted, strap resistors, the crystal and the clock generator.")
			}
		}
		j.check(check)
	}
}

func upperFirst(s string) string {
	r, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[size:]
}
