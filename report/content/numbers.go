package content

import (
	"math"
	"strconv"

	"proveout/plans/quantity"
	"proveout/report/words"
	"proveout/scoring/outcome"
)

// gap stands between a number and its unit, so that they stay on one line.
const gap = "\u00a0"

// Measured writes a value with its expanded uncertainty, both to the same
// digit: U to two significant digits, the value rounded to match (JCGM
// 100:2008, 7.2.6). Without a U it is the text of the check.
func Measured(c *outcome.Check, w *words.Catalogue) string {
	if c.Value == nil {
		return orDash(w.Tell(c.Text))
	}
	v := *c.Value
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return orDash(w.Tell(c.Text))
	}
	unit := ""
	if c.Unit != "" && c.Unit != "1" {
		unit = gap + c.Unit
	}
	if c.U == nil || !(*c.U > 0) || math.IsInf(*c.U, 0) {
		if !c.Text.IsZero() {
			return w.Tell(c.Text)
		}
		return w.Decimal(strconv.FormatFloat(v, 'g', 6, 64)) + unit
	}
	value, u := quantity.Rounded(v, *c.U)
	return w.Decimal(value) + gap + "±" + gap + w.Decimal(u) + unit
}

// probability writes a probability of conformance in per cent.
func probability(p *float64, w *words.Catalogue) string {
	if p == nil || math.IsNaN(*p) {
		return "–"
	}
	switch pc := *p * 100; {
	case pc > 99.9:
		return ">" + gap + w.Decimal("99.9") + gap + "%"
	case pc < 0.1:
		return "<" + gap + w.Decimal("0.1") + gap + "%"
	default:
		return w.Decimal(strconv.FormatFloat(pc, 'f', 1, 64)) + gap + "%"
	}
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}
