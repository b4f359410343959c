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

var _ = judges(plans.RailsKind, (*judge).rails)

// rails judges each supply rail: first its resistance to ground without power,
// where a short stops everything, then its voltage.
func (j *judge) rails(spec *plans.Rails) {
	names := spec.Names(j.in.Family)
	shorted := ""
	for _, name := range names {
		rail, ok := j.in.Family.Rail(name)
		if !ok {
			j.check(outcome.Check{
				Name:   plans.OhmReading(name),
				Title:  phrase(name),
				Reason: fact.New("rails.unknown", "rail", name),
			})
			continue
		}
		c, short := j.resistance(rail)
		if short {
			shorted = name
		}
		if c != nil {
			j.check(*c)
		}
	}
	if shorted != "" {
		j.out.Reason = fact.New("rails.no-power", "rail", fact.Phrase(shorted))
	}
	for _, name := range names {
		if rail, ok := j.in.Family.Rail(name); ok {
			j.check(j.voltage(rail, shorted))
		}
	}
}

// voltage judges the voltage of a rail; shorted is the rail that keeps the card
// without power, if any.
func (j *judge) voltage(rail *plans.Rail, shorted string) outcome.Check {
	name := fact.Phrase(rail.Name)
	m := measurand{
		name:      plans.VoltReading(rail.Name),
		title:     fact.New("rails.voltage", "rail", name),
		dimension: quantity.Voltage,
		unit:      "V",
		limits:    tolerated(rail.Voltage),
		source:    rail.Source,
	}
	c := j.measure(m, j.attempt.All(m.name))
	switch {
	case c.Verdict == conformity.NotRun && shorted != "":
		c.Reason = fact.New("rails.not-measured", "rail", fact.Phrase(shorted))
	case c.Verdict == conformity.Fail:
		j.suspect(0.6,
			fact.New("rails.off", "rail", name, "value", c.Text, "limits", c.Limits.Text),
			fact.New("rails.look-regulator", "rail", name))
	}
	return c
}

// resistance judges the resistance of a rail to ground, and says whether it is
// a short. There is no check when the family states no value and none was read.
func (j *judge) resistance(rail *plans.Rail) (c *outcome.Check, short bool) {
	name := fact.Phrase(rail.Name)
	m := measurand{
		name:      plans.OhmReading(rail.Name),
		title:     fact.New("rails.resistance", "rail", name),
		dimension: quantity.Resistance,
		unit:      "Ω",
		source:    rail.Source,
	}
	readings := j.attempt.All(m.name)
	if rail.ShortBelow == nil && rail.OpenAbove == nil && rail.Resistance == nil && len(rail.Good) == 0 &&
		len(readings) == 0 {
		return nil, false
	}
	if rail.ShortBelow != nil {
		m.limits.Low = number(rail.ShortBelow.Value)
	}
	if rail.OpenAbove != nil {
		m.limits.High = number(rail.OpenAbove.Value)
	}
	if last := len(readings) - 1; last >= 0 && readings[last].Over {
		return j.overloaded(m, readings[last], rail), false
	}
	measured := j.measure(m, readings)
	c = &measured
	switch {
	case c.Verdict == conformity.Fail && rail.OpenAbove != nil &&
		*c.Value*scaleOf(m.dimension, m.unit) > rail.OpenAbove.Value:
		j.open(c, rail)
		return c, false
	case c.Verdict == conformity.Fail:
		c.Reason = fact.New("rails.shorted", "rail", name, "value", c.Text, "limit", rail.ShortBelow)
		j.suspect(0.85, fact.New("rails.short", "rail", name), fact.New("rails.look-bridges", "rail", name))
		return c, true
	case rail.Example: // what good cards show is invented
	case c.Value != nil && len(rail.Good) > 0:
		return c, j.knownGood(c, rail)
	case c.Value != nil && rail.Resistance != nil && rail.Resistance.Value > 0:
		j.farFromUsual(c, rail)
	}
	return c, false
}

// overloaded judges a resistance above the range of the meter: the rail is open,
// unless the range is known to end below what the family calls open.
func (j *judge) overloaded(m measurand, r reading.Reading, rail *plans.Rail) *outcome.Check {
	c := m.unread()
	c.Rule, c.Text = string(j.step.Rule), fact.Text(fact.Name(r.Shown()))
	if end := r.Number(); rail.OpenAbove != nil && end > 0 && end < rail.OpenAbove.Value {
		c.Verdict = conformity.Inconclusive
		c.Reason = fact.New("rails.over-range", "title", m.title, "value", c.Text)
		c.Settle = fact.New("rails.higher-range")
		return &c
	}
	j.open(&c, rail)
	return &c
}

// open says that nothing loads a rail.
func (j *judge) open(c *outcome.Check, rail *plans.Rail) {
	name := fact.Phrase(rail.Name)
	c.Verdict = conformity.Fail
	c.Reason = fact.New("rails.opened", "rail", name, "value", c.Text)
	if c.Value != nil {
		c.Reason = fact.New("rails.opened-above", "rail", name, "value", c.Text, "limit", rail.OpenAbove)
	}
	j.suspect(0.6, fact.New("rails.open", "rail", name), fact.New("rails.look-open", "rail", name))
}

// farFromUsual remarks on a resistance that is no short but a good deal off the
// one that the family states. One that is very far off is nothing that passes:
// above, most of what loads the rail is not connected; below, something leaks.
func (j *judge) farFromUsual(c *outcome.Check, rail *plans.Rail) {
	const far, veryFar = 3, 10 // times; common practice, no source
	ratio := *c.Value * scaleOf(quantity.Resistance, c.Unit) / rail.Resistance.Value
	name, usual := fact.Phrase(rail.Name), rail.Resistance
	if c.Verdict != conformity.Inconclusive && max(ratio, 1/ratio) > veryFar {
		c.Verdict, c.Informative, c.Probability = conformity.Inconclusive, false, nil
		c.Settle = fact.New("rails.measure-again", "rail", name)
	}
	switch {
	case ratio > far:
		factor := fact.In(ratio, "").To(0.1)
		j.finding(fact.New("rails.above-usual", "rail", name, "value", c.Text, "factor", factor, "usual", usual))
	case 1/ratio > far:
		factor := fact.In(1/ratio, "").To(0.1)
		j.finding(fact.New("rails.below-usual", "rail", name, "value", c.Text, "factor", factor, "usual", usual))
	}
}

// knownGood compares a resistance with those of known-good cards on a
// logarithmic scale, and says whether it is a short.
func (j *judge) knownGood(c *outcome.Check, rail *plans.Rail) (short bool) {
	shortOhms := 0.0
	if rail.ShortBelow != nil {
		shortOhms = rail.ShortBelow.Value
	}
	scale := scaleOf(quantity.Resistance, c.Unit)
	r, err := bus.CompareResistance(*c.Value*scale, rail.Good, shortOhms)
	if err != nil {
		c.Verdict, c.Informative, c.Reason = conformity.Inconclusive, false, because(err)
		return false
	}
	if !c.Informative && c.Verdict == conformity.Inconclusive {
		return false // too near to the limit of a short to say more
	}
	c.Informative, c.Verdict, c.Probability = false, r.Verdict, nil
	limits := conformity.Limits{Low: number(r.LowOhms / scale), High: number(r.HighOhms / scale)}
	limits.Text = limitsText(limits, c.Unit, asComputed)
	c.Limits, c.Source = &limits, r.Rule
	c.Reason = fact.New("rails.compared", "title", c.Title, "value", c.Text, "what", r.Text, "limits", limits.Text)
	name := fact.Phrase(rail.Name)
	switch {
	case r.Short:
		j.suspect(0.85, fact.New("rails.short", "rail", name), sentence(r.Text))
	case r.Verdict != conformity.Pass:
		times := fact.In(math.Pow(10, r.Decades), "").To(0.1)
		j.suspect(0.4, fact.New("rails.unlike-good", "rail", name, "value", c.Text, "times", times), sentence(r.Text))
	}
	if r.Verdict == conformity.Inconclusive {
		c.Settle = fact.New("rails.more-cards")
		if r.Enough {
			c.Settle = fact.New("rails.measure-again", "rail", name)
		}
	}
	return r.Short
}
