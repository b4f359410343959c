package thermal

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"proveout/scoring/holes"
)

// phases are the moments at which the load came on and went off.
type phases struct {
	start, end float64
	endSeen    bool // the log goes on after the load
	guessed    bool // from the temperature alone
}

// findPhases takes what the power column shows, else what the temperature itself
// shows.
func findPhases(log samples) phases {
	n := len(log.time)
	p := phases{start: log.time[0], end: log.time[n-1]}
	if on := poweredSpans(log); len(on) > 0 {
		p.start, p.end = on[0].From, on[len(on)-1].To
		p.endSeen = p.end < log.time[n-1]
		return p
	}
	// A steady power column says that the load did not end.
	if len(finiteOf(log.other[Power])) < 10 {
		if at, ok := coolingBegins(log); ok {
			p.end, p.endSeen, p.guessed = at, true, true
		}
	}
	if at, ok := riseBegins(log.between(p.start, p.end)); ok {
		p.start, p.guessed = at, true
	}
	return p
}

// poweredSpans finds loads by power: two clearly separate levels, and for each
// stay on the upper side the first and the last reading of it. A pause of less than
// half a minute, or of three readings, parts nothing.
func poweredSpans(log samples) []holes.Hole {
	power := finiteOf(log.other[Power])
	if len(power) < 10 {
		return nil
	}
	slices.Sort(power)
	// Not the very ends: a reading or two while the load changes belong to no level.
	low, high := power[len(power)/50], power[len(power)-1-len(power)/10]
	if high <= 0 || low > 0.6*high {
		return nil
	}
	middle := (low + high) / 2
	var spans []holes.Hole
	var count []int
	last, off := -1, 0
	for i, p := range log.other[Power] {
		if !(p >= middle) {
			if p < middle {
				off++
			}
			continue
		}
		if last < 0 || off > 3 && log.time[i]-log.time[last] > 30 {
			spans, count = append(spans, holes.Hole{From: log.time[i]}), append(count, 0)
		}
		spans[len(spans)-1].To = log.time[i]
		count[len(count)-1]++
		last, off = i, 0
	}
	loads := spans[:0]
	for i, s := range spans {
		if count[i] >= 5 {
			loads = append(loads, s)
		}
	}
	return loads
}

// coolingBegins finds the moment after which the temperature falls back by at
// least 60 % of what it rose, never to come back up: a fan that steps in takes
// less away.
func coolingBegins(log samples) (float64, bool) {
	n := len(log.time)
	if n < 20 {
		return 0, false
	}
	centres, means := stretchMeans(log.time, log.temp, min(60, n/4))
	top := floats.MaxIdx(means)
	rise, fall := means[top]-means[0], means[top]-means[len(means)-1]
	margin := math.Max(log.resolution, 3*roughness(log.temp)/2)
	if fall < math.Max(0.6*rise, 5*margin) || fall <= 0 || top == 0 {
		return 0, false
	}
	for i := top + 2; i < len(means); i++ { // no second rise
		if means[i]-means[i-1] > margin {
			return 0, false
		}
	}
	// The last reading still at the upper level.
	level := means[top] - math.Max(margin, 0.02*fall)
	last := 0
	for i, temp := range log.temp {
		if temp >= level {
			last = i
		}
	}
	if log.time[last] < centres[top]-(log.time[n-1]-log.time[0])/30 || n-last < 5 {
		return 0, false
	}
	return log.time[last], true
}

// riseBegins finds a level stretch before the rise: it fits a curve that is
// level until a free moment and takes that moment when it is clearly after the
// first reading and the fit clearly better than without it.
func riseBegins(log samples) (float64, bool) {
	if len(log.time) < 12 {
		return 0, false
	}
	times, temps := thinned(log.time, log.temp, 200)
	first, base, height, ok := lastLevel(times, temps, log.resolution)
	if !ok {
		return 0, false
	}
	step := usualStep(times)
	if times[first]-times[0] < 3*step {
		return 0, false
	}
	plain, err := fitRise(times, temps, nil)
	if err != nil {
		plain.rss = math.Inf(1)
	}
	hinge := solution{rss: math.Inf(1)}
	guess := guessRise(times[first:], temps[first:], nil)
	for _, back := range [...]float64{0, 0.1} { // the rise may be in the scatter for a while
		begin := times[first] - back*(times[first]-times[0])
		s, err := fit(hingeModel, times, temps, []float64{base, guess[1], guess[2], begin}, 0, brief)
		if (err == nil || err == errNotConverged) && s.rss < hinge.rss && s.b[2] > 0 {
			hinge = s
		}
	}
	if math.IsInf(hinge.rss, 1) {
		return 0, false
	}
	tau, onset := hinge.b[2], hinge.b[3]
	if onset-times[0] < math.Max(2*step, 0.02*tau) || onset >= times[len(times)-1] {
		return 0, false
	}
	left := make([]float64, len(times))
	for i, t := range times {
		left[i] = temps[i] - hingeModel(t, hinge.b, nil)
	}
	// Akaike's criterion, with readings counted as autocorrelation leaves them and one
	// parameter more; as in [curve.clearlyBetter] it must fall by more than 10.
	rho := lagOne(left)
	n := float64(len(times)) * (1 - rho) / (1 + rho)
	tiny := float64(len(times)) * 1e-12 * height * height
	gain := n*math.Log((plain.rss+tiny)/(hinge.rss+tiny)) - 2
	return onset, gain > 10
}

// lastLevel returns the last reading, before half of the rise, that is still at
// the level of the beginning, with that level and the height of the rise; false
// when nothing rises.
func lastLevel(times, temps []float64, resolution float64) (at int, base, height float64, ok bool) {
	rough := roughness(temps)
	head := max(2, len(temps)/50)
	base = stat.Mean(temps[:head], nil)
	height = stat.Mean(temps[len(temps)-len(temps)/10-1:], nil) - base
	if height < math.Max(3*resolution, 4*rough) {
		return 0, 0, 0, false
	}
	threshold := base + max(resolution, 3*rough, 0.03*height)
	for i, temp := range temps {
		if temp <= threshold {
			at = i
		}
		if temp > base+height/2 {
			break
		}
	}
	return at, base, height, true
}
