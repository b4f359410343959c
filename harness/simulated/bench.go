package simulated

import (
	"math"
	"strconv"

	"proveout/plans"
	"proveout/plans/quantity"
)

// A gauge is an instrument with the error that it has: fixed for a card's whole
// run, somewhere within the stated limits.
type gauge struct {
	*plans.Instrument
	part float64 // of the limits; −1 to 1 where they are limits, normal where k is stated
}

// A bench is the bench that a card is tested on, with the errors of its
// instruments on that day.
type bench struct {
	*plans.Bench
	gauges map[string]gauge
	air    float64 // °C in the room
}

func newBench(b *plans.Bench, air float64, d dice) *bench {
	out := &bench{Bench: b, gauges: map[string]gauge{}, air: air}
	for i := range b.Instruments {
		g := gauge{&b.Instruments[i], d.between(-1, 1)}
		if g.Coverage > 0 {
			g.part = d.normal(1 / g.Coverage)
		}
		out.gauges[g.ID] = g
	}
	return out
}

// gauge is the instrument that reads a quantity at a place: the only one, else the
// first. It is false where the bench has none.
func (b *bench) gauge(dim quantity.Dimension, place string) (gauge, bool) {
	if inst, ok := b.Measuring(dim, place); ok {
		return b.gauges[inst.ID], true
	}
	for _, inst := range b.Instruments {
		for _, measures := range inst.Measures {
			if measures == dim {
				return b.gauges[inst.ID], true
			}
		}
	}
	return gauge{}, false
}

// error is by how much the instrument is off at a value.
func (g gauge) error(value float64) float64 {
	if g.Instrument == nil {
		return 0
	}
	half := g.Limits.Value
	if g.Limits.Dimension == quantity.Ratio && g.Measures[0] != quantity.Ratio {
		half *= math.Abs(value)
	}
	if g.Floor != nil {
		half += g.Floor.Value
	}
	return half * g.part
}

// step is what the last digit of the display is worth; the usual one where nobody
// states it.
func (g gauge) step(usual float64) float64 {
	if g.Instrument != nil && g.Resolution != nil {
		return g.Resolution.Value
	}
	return usual
}

// read is what the display shows of a value, with so much noise.
func (g gauge) read(value, noise, usual float64, d dice) (shown, step float64) {
	step = g.step(usual)
	return math.Round((value+g.error(value)+d.normal(noise))/step) * step, step
}

// scored is the mean score of three runs, as the bench reads it.
func (b *bench) scored(score float64, d dice) float64 {
	counter, _ := b.gauge(quantity.FrameRate, "")
	return score + counter.error(score) + d.normal(0.0012*score)
}

// risen is a rise over ambient, as the bench reads it at a place.
func (b *bench) risen(rise float64, place string, d dice) float64 {
	sensor, _ := b.gauge(quantity.Temperature, place)
	air, _ := b.gauge(quantity.Temperature, "ambient")
	return rise + sensor.error(b.air+rise) - air.error(b.air) + d.normal(0.05)
}

// written is a value with its unit, with the digits that a step leaves it.
func written(value, step float64, unit quantity.Unit) string {
	return digits(unit.Of(value), step/unit.Scale()) + " " + unit.Name
}

// digits writes a number down to a step.
func digits(value, step float64) string {
	decimals := max(0, int(math.Ceil(-math.Log10(step)-1e-9)))
	return strconv.FormatFloat(value, 'f', decimals, 64)
}
