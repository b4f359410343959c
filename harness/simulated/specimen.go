package simulated

import (
	"math"

	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring/picture/simulate"
)

// A specimen is one card as it really is, whatever a bench makes of it.
type specimen struct {
	of     *proof
	family *plans.Family

	flaws       map[string]bool    // points of the inspection that are not in order
	volts, ohms map[string]float64 // of the rails, V and Ω
	silent      bool               // nothing answers on the bus
	id          plans.DeviceID     // what the bus shows
	link        string             // rate that the link came up with
	offered     []string           // rates that the card offers
	features    []string           // of the bus
	bytes       map[string]float64 // memory that is found, by pool
	clocks      map[string]float64 // Hz that the settings say; crystal apart
	crystal     float64            // share by which the crystal is off, and all that counts against it
	memory      []memoryFault
	screen      []simulate.Fault  // behind the memory
	looks       map[string]string // what the eye sees, by mode, where it is not clean
	depth       int               // bit per pixel
	heat        heat
	pace        pace
}

// How far good cards of a family lie from each other, where the family's cards do
// not say. Common practice, no source.
const (
	clockSpread   = 0.0012 // of the value: the nearest setting of a synthesizer
	crystalSpread = 15e-6  // of a crystal sold with ±50 ppm
	voltSpread    = 0.005  // of the value
	ohmSpread     = 0.06   // of the value
	riseSpread    = 0.025  // of the rise
	scoreSpread   = 0.01   // of the score
	usualRise     = 25     // K
	usualScore    = 60     // fps
	usualPower    = 12     // W
)

// A spread is how a value lies among good cards.
type spread struct{ mean, sd float64 }

func (s spread) draw(d dice) float64 { return s.mean + d.normal(s.sd) }

// spreadOf is the spread of known cards, or of a family that shows none.
func spreadOf(known []float64, usual, share float64) spread {
	if len(known) < 2 {
		if len(known) == 1 {
			usual = known[0]
		}
		return spread{usual, usual * share}
	}
	mean, squares := 0.0, 0.0
	for _, v := range known {
		mean += v / float64(len(known))
	}
	for _, v := range known {
		squares += (v - mean) * (v - mean)
	}
	return spread{mean, math.Sqrt(squares / float64(len(known)-1))}
}

// goodCard makes a good card of a family: everything works, and every value is
// its own.
func goodCard(f *plans.Family, rise, score spread, d dice) *specimen {
	s := &specimen{
		family: f, flaws: map[string]bool{}, volts: map[string]float64{}, ohms: map[string]float64{},
		link: f.Bus.Expect, offered: f.Bus.Rates, features: f.Bus.Features,
		bytes: map[string]float64{}, clocks: map[string]float64{}, crystal: d.normal(crystalSpread),
		looks: map[string]string{}, depth: f.MaxDepth,
	}
	if len(f.IDs) > 0 {
		s.id = f.IDs[0]
	}
	for _, rail := range f.Rails {
		s.volts[rail.Name] = rail.Voltage.Value * (1 + d.normal(voltSpread))
		s.ohms[rail.Name] = usualOhms(&rail) * math.Exp(d.normal(ohmSpread))
	}
	for _, pool := range f.Memory {
		s.bytes[pool.Name] = pool.Total.Value
	}
	for _, c := range f.Clocks {
		share := clockSpread
		if tolerance := math.Max(c.Value.Plus, c.Value.Minus) / c.Value.Value; c.Value.Tolerated {
			share = math.Min(share, tolerance/4)
		}
		s.clocks[c.Name] = c.Value.Value * (1 + d.normal(share))
	}
	s.heat = goodHeat(f, rise.draw(d), d)
	s.pace = goodPace(score.draw(d))
	return s
}

// usualOhms is what a rail of a good card shows to ground.
func usualOhms(rail *plans.Rail) float64 {
	if len(rail.Good) > 0 {
		logs := 0.0
		for _, r := range rail.Good {
			logs += math.Log(r) / float64(len(rail.Good))
		}
		return math.Exp(logs)
	}
	if rail.Resistance != nil {
		return rail.Resistance.Value
	}
	if rail.ShortBelow != nil {
		return 15 * rail.ShortBelow.Value
	}
	return 100
}

// mode is the mode in which a technician captures pictures: the smallest one of
// true colour, else the smallest.
func captureMode(modes []string) string {
	best, least := "", math.Inf(1)
	for _, text := range modes {
		m, err := plans.ParseMode(text)
		if err != nil {
			continue
		}
		size := float64(m.Width * m.Height * max(m.Depth, 8))
		if m.Depth < 15 {
			size *= 100
		}
		if size < least {
			best, least = text, size
		}
	}
	return best
}

// unitOf is a unit that a reading is written in.
func unitOf(dim quantity.Dimension, name string) quantity.Unit {
	u, known := quantity.LookUp(dim, name)
	if !known {
		return quantity.Choose(dim)
	}
	return u
}
