package thermal

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"proveout/scoring/conformity"
)

// smooth is the temperature of each row without noise, with its standard uncertainty
// near the top: by the curve while it describes the load, else by the mean of the rows
// within a minute on either side. Rows that are few stand for themselves.
func (r *Report) smooth(log samples, c *curve) (base []float64, u float64) {
	n := len(log.time)
	base = make([]float64, n)
	from, to := 0, 0
	sum := 0.0
	for i, t := range log.time {
		for ; to < n && log.time[to] <= t+60; to++ {
			sum += log.temp[to]
		}
		for ; log.time[from] < t-60; from++ {
			sum -= log.temp[from]
		}
		base[i] = sum / float64(to-from)
	}
	usual := usualStep(log.time)
	if r.DescribesLog {
		for i, t := range log.time {
			if t >= r.LoadStart && t <= r.LoadEnd {
				base[i] = c.at(t-r.LoadStart) + c.ambient.at(t)
			}
		}
		return base, c.u(r.LoadEnd - r.LoadStart)
	}
	if !(usual < 30) || n < 20 {
		copy(base, log.temp)
		return base, 0
	}
	within := math.Max(1, 120/math.Max(usual, 1e-9))
	return base, math.Sqrt(jitter(log.temp) / within)
}

// bumps are by how much the readings stay above a base for longer than noise does:
// of the means over 1, 4, 16 and 64 rows around each, the most that is left after what
// the largest of so many means shows by noise alone, √(2 ln n) standard deviations
// (from memory). About a curve that describes the log all scatter is taken for noise,
// with a standard deviation of 1.4826 times the median distance, which bumps do not
// make larger; about a mean only what changes from one reading to the next. What
// wanders by more than a degree, or two display steps, beside that is the card's own
// (common practice, no source), and about a mean half of it.
func bumps(log samples, base []float64, described bool) []float64 {
	n := len(base)
	sums, out := make([]float64, n+1), make([]float64, n)
	for i, b := range base {
		sums[i+1] = sums[i] + log.temp[i] - b
	}
	if n < 20 {
		return out
	}
	white := math.Sqrt(math.Max(0, jitter(log.temp)-square(log.resolution)/12))
	means, sizes := make([]float64, n), make([]float64, n)
	for length := 1; length <= 64 && length <= n/8; length *= 4 {
		for i := range means {
			from, to := max(0, i-length/2), min(n, i-length/2+length)
			means[i] = (sums[to] - sums[from]) / float64(to-from)
			sizes[i] = math.Abs(means[i])
		}
		largest := math.Sqrt(2 * math.Log(float64(n)/float64(length)))
		quick, wander := white/math.Sqrt(float64(length))*largest, math.Max(0.5, log.resolution)
		noise := math.Min(quick, wander)
		if described {
			noise = math.Min(1.4826*conformity.Median(sizes)*largest, quick+2*wander)
		}
		for i, m := range means {
			out[i] = math.Max(out[i], m-noise)
		}
	}
	return out
}

// An air is the ambient temperature of a log, by how much it differs from that at the
// end; the zero value is air that does not change.
type air struct {
	times, above []float64
	last         float64 // °C
	slope        float64 // °C/s, at the end
}

// airOf smooths the ambient temperature that was logged beside the load; one that
// moves no more than its display does is taken as steady.
func airOf(load samples) air {
	var times, temps []float64
	for i, v := range load.other[Ambient] {
		if finite(v) {
			times, temps = append(times, load.time[i]), append(temps, v)
		}
	}
	if len(times) < 8 || !(times[len(times)-1] > times[0]) {
		return air{}
	}
	a := air{}
	a.times, a.above = stretchMeans(times, temps, min(20, len(times)/2))
	n := len(a.above)
	if n < 4 || a.moved() <= math.Max(2*resolutionOf(temps), 0.3) { // less matters to no card
		return air{}
	}
	_, a.slope = stat.LinearRegression(a.times[n/2:], a.above[n/2:], nil, false)
	a.last = a.above[n-1] + a.slope*(times[len(times)-1]-a.times[n-1])
	for i := range a.above {
		a.above[i] -= a.last
	}
	return a
}

// moved is by how much the air changed in all, in °C.
func (a *air) moved() float64 {
	if len(a.above) == 0 {
		return 0
	}
	return slices.Max(a.above) - slices.Min(a.above)
}

// at is the ambient temperature at a time, above that at the end.
func (a *air) at(t float64) float64 {
	n := len(a.times)
	if n == 0 {
		return 0
	}
	i := 1
	for i < n-1 && a.times[i] < t {
		i++
	}
	share := (t - a.times[i-1]) / (a.times[i] - a.times[i-1])
	return a.above[i-1] + math.Min(math.Max(share, -0.5), 1.5)*(a.above[i]-a.above[i-1])
}

// over is a log as it would be in air that does not change.
func (a *air) over(load samples) samples {
	if len(a.times) == 0 {
		return load
	}
	temps := make([]float64, len(load.temp))
	for i, t := range load.time {
		temps[i] = load.temp[i] - a.at(t)
	}
	load.temp = temps
	return load
}
