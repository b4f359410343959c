package simulated

import (
	"math"

	"proveout/plans"
)

// A heat is the heat of a card: a chip on a heatsink in moving air, as a network
// of two nodes, and a sensor that follows the heatsink.
//
//	C₁·dT₁/dt = P − (T₁ − T₂)/R₁₂
//	C₂·dT₂/dt = (T₁ − T₂)/R₁₂ − (T₂ − Tₐ)/R₂
//	τ·dTₛ/dt  = T₂ − Tₛ
//
// The thermal resistances and capacities are those of small heatsinks (common
// practice, no source).
type heat struct {
	power   float64 // W under load
	toAir   float64 // K/W from heatsink to air
	inside  float64 // K/W from chip to heatsink
	chip    float64 // J/K
	sink    float64 // J/K
	lag     float64 // s of the sensor
	climb   float64 // K/W and hour by which toAir goes on growing: compound that is pumped out
	stopsAt float64 // s into the run at which the load stops and stays away; 0: never
	cycle   float64 // s between throttling and going on; 0: steady
}

func goodHeat(f *plans.Family, rise float64, d dice) heat {
	power := float64(usualPower)
	if f.Thermal.Power != nil {
		power = f.Thermal.Power.Value
	}
	h := heat{power: power, toAir: rise / power, inside: 0.8, chip: 4, lag: d.between(4, 15)}
	h.sink = d.between(150, 300) / h.toAir
	return h
}

// A moment is what sits on a card at one time: the heatsink as its sensor has it,
// and the air.
type moment struct{ at, sensor, air float64 }

// soaked runs a card under load for so many seconds and looks every few seconds.
// The load begins at 0.
func (h heat) soaked(seconds, every, ambient float64, d dice) []moment {
	idle := d.between(0.03, 0.15)
	phase, sway := d.between(0, 2*math.Pi), d.between(0, 0.12)
	sink := ambient + idle*h.power*h.toAir
	chip, sensor := sink, sink
	var out []moment
	next := 0.0
	const step = 0.5 // s
	for t := 0.0; t <= seconds+step/2; t += step {
		air := ambient + sway*math.Sin(2*math.Pi*t/2700+phase)
		if t >= next-step/4 {
			out = append(out, moment{t, sensor, air})
			next += every
		}
		power := h.power
		switch {
		case h.stopsAt > 0 && t > h.stopsAt:
			power *= idle
		case h.cycle > 0 && math.Mod(t, h.cycle) > h.cycle/2 && t > seconds/4:
			power *= 0.45
		}
		toAir := h.toAir + h.climb*t/3600
		across, away := (chip-sink)/h.inside, (sink-air)/toAir
		chip += step * (power - across) / h.chip
		sink += step * (across - away) / h.sink
		sensor += step * (sink - sensor) / h.lag
	}
	return out
}

// A noise is that of a sensor: white, and draughts that last half a minute.
type noise struct {
	d       dice
	draught float64
}

func (n *noise) next(every float64) float64 {
	const lasts, white, slow = 30, 0.04, 0.06 // s, K, K
	keep := math.Exp(-every / lasts)
	n.draught = keep*n.draught + math.Sqrt(1-keep*keep)*n.d.normal(slow)
	return n.draught + n.d.normal(white)
}
