package thermal

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"proveout/scoring/conformity"
	"proveout/scoring/holes"
)

// A Cycling is a temperature that goes up and down by itself, as with a fan or a
// load that switches on and off.
type Cycling struct {
	Period     float64 `json:"period_s"`
	PeakToPeak float64 `json:"peak_to_peak"` // °C
	Cycles     int     `json:"cycles"`
}

// turns are the places at which values turn round by more than height, low and high
// ones in turn: the first is a low one that a rise follows.
func turns(values []float64, height float64) []int {
	var out []int
	at, rising := 0, false
	for i, v := range values {
		switch beyond := v - values[at]; {
		case rising && beyond > 0 || !rising && beyond < 0:
			at = i
		case rising && beyond < -height || !rising && beyond > height:
			out = append(out, at)
			at, rising = i, !rising
		}
	}
	return out
}

// findCycling looks for turns that come back regularly: three whole cycles at the
// least, of periods that differ by less than a quarter, each of more than noise and
// display explain (thresholds: common practice, no source).
func findCycling(load samples) *Cycling {
	times, temps := thinned(load.time, load.temp, 1000)
	if len(times) < 20 {
		return nil
	}
	around := slices.Max(temps) - slices.Min(temps)
	height := max(1.5*load.resolution, 5*math.Sqrt(jitter(temps)), 0.04*around, 0.5)
	at := turns(temps, height)
	if len(at) < 7 {
		return nil
	}
	at = at[1:] // the rise itself is none
	var periods, swings []float64
	for i := 2; i < len(at); i++ {
		periods = append(periods, times[at[i]]-times[at[i-2]])
	}
	for i := 1; i < len(at); i++ {
		swings = append(swings, math.Abs(temps[at[i]]-temps[at[i-1]]))
	}
	period, sd := stat.MeanStdDev(periods, nil)
	_, uneven := stat.MeanStdDev(swings, nil)
	swing := conformity.Median(swings)
	if sd > 0.25*period || uneven > 0.4*swing {
		return nil
	}
	return &Cycling{Period: period, PeakToPeak: swing, Cycles: (len(at) - 1) / 2}
}

// findLoads lists the loads of a recording that holds more than one: by the power
// when that goes off in between, else by a temperature that falls back by more than
// half of its rise and comes up again.
func findLoads(log samples) []holes.Hole {
	if on := poweredSpans(log); len(on) > 0 {
		if len(on) > 1 {
			return on
		}
		return nil
	}
	if len(finiteOf(log.other[Power])) >= 10 {
		return nil // steady power: one load
	}
	times, temps := thinned(log.time, log.temp, 300)
	if len(times) < 20 {
		return nil
	}
	around := slices.Max(temps) - slices.Min(temps)
	height := max(0.5*around, 5*max(log.resolution, 1.5*roughness(temps)), 3)
	at := turns(temps, height)
	if len(at) < 3 {
		return nil
	}
	var loads []holes.Hole
	for i := 0; i < len(at); i += 2 {
		end := times[len(times)-1]
		if i+1 < len(at) {
			end = times[at[i+1]]
		}
		loads = append(loads, holes.Hole{From: times[at[i]], To: end})
	}
	return loads
}

// longestLoad is the part of a recording that holds the longest of its loads, with
// what comes before and after it.
func longestLoad(log samples, loads []holes.Hole) samples {
	longest := 0
	for i, l := range loads {
		if l.To-l.From > loads[longest].To-loads[longest].From {
			longest = i
		}
	}
	from, to := log.time[0], log.time[len(log.time)-1]
	if longest > 0 {
		from = loads[longest].From
	}
	if longest+1 < len(loads) {
		to = math.Nextafter(loads[longest+1].From, math.Inf(-1))
	}
	return log.between(from, to)
}
