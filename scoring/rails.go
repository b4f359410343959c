package scoring

import (
	"fmt"
	"math"

	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

var _ = judges(plans.RailsKind, (*judge).rails)

// rails judges each supply rail: first its resistance to ground without power,
// where a short stops everything, then its voltage.
func (j *judge) rails(spec *plans.Rails) {
	shorted := ""
	names := spec.Names(j.in.Family)
	for _, name := range names {
		rail, ok := j.in.Family.Rail(name)
		if !ok {
			j.check(Check{Name: plans.OhmReading(name), Title: english(name), Reason: english(fmt.Sprintf("The family has no rail %q.", name))})
			continue
		}
		if c := j.resistance(rail); c != nil {
			j.check(*c)
			if c.Verdict == conformity.Fail {
				failed := name
				if rail.Good != nil && c.Value != nil && float64(*c.Value)*scaleOf(quantity.Resistance, c.Unit) >= shortLimit(rail) {
					failed = shorted // off, but no short
				}
				shorted = failed
			}
		}
	}
	if shorted != "" {
		j.out.Reason = english(fmt.Sprintf("The rail %s is shorted to ground: the card must not get power.", shorted))
	}
	for _, name := range names {
		rail, ok := j.in.Family.Rail(name)
		if !ok {
			continue
		}
		m := measurand{name: plans.VoltReading(name), title: english("Voltage of " + name), dimension: quantity.Voltage, unit: "V",
			limits: tolerated(rail.Voltage), source: rail.Source}
		c := j.measure(m, j.attempt.All(m.name))
		if c.Verdict == conformity.NotRun && shorted != "" {
			c.Reason = english("Not measured: the rail " + shorted + " is shorted and the card stays without power.")
		}
		if c.Verdict == conformity.Fail {
			j.cause(0.6, fmt.Sprintf("the rail %s is at %s, outside %s", name, said(c.Text), said(c.Limits.Text)), "The regulator of "+name+" and its resistors, then what loads it; capacitors beside it; the slot's own supply.")
		}
		j.check(c)
	}
}

// shortLimit is the resistance below which a rail counts as shorted.
func shortLimit(rail *plans.Rail) float64 {
	if rail.ShortBelow != nil {
		return rail.ShortBelow.Value
	}
	return bus.DefaultShortOhms
}

// knownGood compares a resistance with those of known-good cards on a
// logarithmic scale.
func (j *judge) knownGood(c *Check, rail *plans.Rail) {
	short := 0.0
	if rail.ShortBelow != nil {
		short = rail.ShortBelow.Value
	}
	scale := scaleOf(quantity.Resistance, c.Unit)
	r, ok := bus.CompareResistance(float64(*c.Value)*scale, rail.Good, short)
	if !ok {
		c.Verdict, c.Informative, c.Reason = conformity.Inconclusive, false, english(endSentence(said(r.Text)))
		return
	}
	if !c.Informative && c.Verdict == conformity.Inconclusive {
		return // too near to the limit of a short to say more
	}
	c.Informative, c.Verdict, c.Probability = false, r.Verdict, nil
	c.Limits = &Limits{Low: number(r.LowOhms / scale), High: number(r.HighOhms / scale),
		Text: english(significant(r.LowOhms/scale, 3) + " to " + withUnit(significant(r.HighOhms/scale, 3), c.Unit))}
	c.Source = english(said(r.Rule))
	c.Reason = english(fmt.Sprintf("%s: %s, %s (%s).", said(c.Title), said(c.Text), said(r.Text), said(c.Limits.Text)))
	switch {
	case r.Short:
		j.cause(0.85, "the rail "+rail.Name+" is shorted to ground", upperFirst(endSentence(said(r.Text))))
	case r.Verdict != conformity.Pass:
		j.cause(0.4, fmt.Sprintf("the rail %s reads %s to ground, %.1f times that of known-good cards", rail.Name, said(c.Text), math.Pow(10, r.Decades)), upperFirst(endSentence(said(r.Text))))
	}
	if r.Verdict == conformity.Inconclusive {
		c.Settle = english("Compare with more known-good cards: from five on, their spread decides.")
	}
}

// resistance judges the resistance of a rail to ground. It returns nil when
// the family states no value and none was read.
func (j *judge) resistance(rail *plans.Rail) *Check {
	m := measurand{name: plans.OhmReading(rail.Name), title: english("Resistance of " + rail.Name + " to ground"), dimension: quantity.Resistance, unit: "Ω", source: rail.Source}
	readings := j.attempt.All(m.name)
	if rail.ShortBelow == nil && rail.Resistance == nil && len(rail.Good) == 0 && len(readings) == 0 {
		return nil
	}
	if rail.ShortBelow != nil {
		m.limits = conformity.AtLeast(rail.ShortBelow.Value)
	}
	c := j.measure(m, readings)
	if len(rail.Good) > 0 && c.Value != nil && c.Verdict != conformity.Fail {
		j.knownGood(&c, rail)
		return &c
	}
	switch {
	case c.Verdict == conformity.Fail:
		c.Reason = english(fmt.Sprintf("%s is shorted: %s to ground, a short is anything below %s.", rail.Name, said(c.Text), rail.ShortBelow.Text))
		j.cause(0.85, "the rail "+rail.Name+" is shorted to ground", "A solder bridge at the pins of the chips on "+rail.Name+", a shorted ceramic capacitor, or a dead chip: lift the feed and measure both sides.")
	case c.Value != nil && rail.Resistance != nil && rail.Resistance.Value > 0:
		ratio := float64(*c.Value) * scaleOf(quantity.Resistance, c.Unit) / rail.Resistance.Value
		if factor := math.Max(ratio, 1/ratio); factor > 3 {
			side := "above"
			if ratio < 1 {
				side = "below"
			}
			j.remark("%s reads %s to ground, a factor of %.1f %s the usual %s: worth a look before power, though not a short.", rail.Name, said(c.Text), factor, side, rail.Resistance.Text)
		}
	}
	return &c
}
