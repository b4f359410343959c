package thermal

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// A Reason names why a saturating curve does not describe a log.
type Reason string

// The reasons.
const (
	Described    Reason = ""
	TooFew       Reason = "too few readings"
	NoRise       Reason = "no rise"
	TooShort     Reason = "log too short"
	Overshoot    Reason = "overshoot"
	PowerChanged Reason = "power changed"
	Wanders      Reason = "wanders"
	Residuals    Reason = "systematic residuals"
)

// residuals are what a curve leaves over, in numbers: the grounds of the
// judgement.
type residuals struct {
	sd         float64 // °C
	rough      float64 // °C, scatter from reading to reading
	systematic float64 // °C, mean residual of the stretch of the log that is worst for its allowance
	allowed    float64 // °C, what rounding, scatter and 1 % of the rise explain there
	at         float64 // s, where that stretch is
	runs       int     // runs of one sign, over stretches
	usualRuns  float64 // how many there would be by chance
}

// examine weighs the residuals of a curve over up to 16 stretches of equal time:
// scatter averages out over a stretch, a wrong shape does not. Rounding to a
// display step lets a stretch of a true curve be off by half of it, and the
// fitted curve by as much as half of that again.
func examine(times, temps []float64, curve func(float64) float64, resolution, height float64) residuals {
	left := make([]float64, len(times))
	for i, t := range times {
		left[i] = temps[i] - curve(t)
	}
	x := residuals{
		sd:    math.Sqrt(floats.Dot(left, left) / float64(len(left))),
		rough: roughness(left),
	}
	worst, above, before := -1.0, 0.0, 0.0
	stretches := stretchesOf(times, left)
	for _, s := range stretches {
		allowed := 0.75*resolution + 3*x.rough/math.Sqrt(s.readings) + 0.01*math.Abs(height)
		if ratio := math.Abs(s.mean) / allowed; ratio > worst {
			worst = ratio
			x.systematic, x.allowed, x.at = math.Abs(s.mean), allowed, s.middle
		}
		if s.mean > 0 {
			above++
		}
		if before == 0 || (s.mean > 0) != (before > 0) {
			x.runs++
		}
		before = s.mean
	}
	if all := float64(len(stretches)); all > 0 {
		// By chance 1 + 2·above·below/all runs are expected (Wald and Wolfowitz, as in
		// NIST/SEMATECH e-Handbook, 1.3.5.13, from memory).
		x.usualRuns = 1 + 2*above*(all-above)/all
	}
	return x
}

// A stretch is a part of a log.
type stretch struct{ mean, readings, middle float64 }

// stretchesOf parts a log into up to 16 stretches of equal time, and leaves out
// those with less than two readings.
func stretchesOf(times, values []float64) []stretch {
	n := len(times)
	count := min(16, max(4, n/8))
	span := times[n-1] - times[0]
	var sum, readings [16]float64
	for i, t := range times {
		k := min(count-1, int(float64(count)*(t-times[0])/span))
		sum[k] += values[i]
		readings[k]++
	}
	var out []stretch
	for k := range count {
		if readings[k] >= 2 {
			middle := times[0] + span*(float64(k)+0.5)/float64(count)
			out = append(out, stretch{sum[k] / readings[k], readings[k], middle})
		}
	}
	return out
}

// explain decides whether the residuals are such as the sensor explains, and if
// not, what they look like. log is what the curve was fitted to, height its rise,
// and u the standard uncertainty of the sensor.
func (x residuals) explain(log samples, height, u float64) (Reason, fact.Fact) {
	// Noise of a display step, of 4 % of the rise, or up to 0.75 °C on a small
	// rise is left to the sensor (common practice, no source).
	noise := math.Max(0.04*math.Abs(height), math.Min(0.75, 0.08*math.Abs(height)))
	room := max(log.resolution, noise, u)
	tooRough, tooSystematic := x.sd > room, x.systematic > x.allowed
	if !tooRough && !tooSystematic {
		return Described, fact.Fact{}
	}
	if from, to, ok := levelChange(log.other[Power], 0.10); ok {
		return PowerChanged, fact.New("thermal.power-changed", "from", fact.In(from, "W"), "to", fact.In(to, "W"))
	}
	if hump, ok := findHump(log, height, x.rough); ok {
		return Overshoot, hump.told(log)
	}
	if tooRough && x.sd > 2*x.rough/3 && x.rough > room/2 {
		var step fact.Arg = fact.New("thermal.no-visible-size")
		if log.resolution > 0 {
			step = fact.In(log.resolution, "°C").Whole()
		}
		return Wanders, fact.New("thermal.wanders",
			"sd", fact.In(x.sd, "°C").To(0.1), "step", step,
			"rise", fact.In(height, "°C").To(0.1), "room", fact.In(room, "°C").To(0.1),
			"cause", causeOf(log, x.at, fact.New("thermal.cause-steps")))
	}
	return Residuals, fact.New("thermal.off-the-curve",
		"by", fact.In(x.systematic, "°C").To(0.01), "at", fact.In(x.at, "s").To(1),
		"explained", fact.In(x.allowed, "°C").To(0.01),
		"n", x.runs, "usual", fact.In(x.usualRuns, "").To(0.1),
		"cause", causeOf(log, x.at, fact.New("thermal.cause-cooling")))
}

// A hump is a stretch that is warmer than what follows.
type hump struct{ height, at float64 }

func (h hump) told(log samples) fact.Fact {
	return fact.New("thermal.overshoots", "by", fact.In(h.height, "°C").To(0.1), "at", fact.In(h.at, "s").To(1),
		"cause", causeOf(log, h.at, fact.New("thermal.cause-control")))
}

// findHump looks for a stretch that is warmer than the end of the log by more
// than rounding, scatter and 3 % of the rise: the sign of a control that steps in.
func findHump(log samples, height, rough float64) (hump, bool) {
	n := len(log.time)
	if n < 16 || height <= 0 {
		return hump{}, false
	}
	count := min(20, n/4)
	centres, means := stretchMeans(log.time, log.temp, count)
	top := floats.MaxIdx(means)
	tail := means[len(means)-max(1, len(means)/5):]
	over := means[top] - stat.Mean(tail, nil)
	noise := 3 * rough / math.Sqrt(float64(n/count))
	need := math.Max(1.2*log.resolution, 0.03*height) + noise
	return hump{over, centres[top]}, over > need && top < len(means)-len(tail)
}

// levelChange compares the first with the last fifth of a column, leaving out
// the very beginning, and says whether the level moved by more than share.
func levelChange(column []float64, share float64) (from, to float64, ok bool) {
	column = finiteOf(column)
	n := len(column)
	if n < 20 {
		return 0, 0, false
	}
	from, to = conformity.Median(column[n/20:n/20+n/5]), conformity.Median(column[n-n/5:])
	return from, to, math.Abs(to-from) > share*math.Max(math.Abs(from), math.Abs(to))
}

// stretchMeans returns the means of times and values over count stretches of
// equal time; a stretch without readings is left out.
func stretchMeans(times, values []float64, count int) (centres, means []float64) {
	span := times[len(times)-1] - times[0]
	first := 0
	for k := range count {
		end := times[0] + span*float64(k+1)/float64(count)
		next := first
		for next < len(times) && (times[next] <= end || k == count-1) {
			next++
		}
		if next > first {
			centres = append(centres, stat.Mean(times[first:next], nil))
			means = append(means, stat.Mean(values[first:next], nil))
		}
		first = next
	}
	return centres, means
}

// thinned returns means of equal numbers of neighbours, at most most of them.
func thinned(times, values []float64, most int) (t, v []float64) {
	n := len(times)
	if n <= most {
		return times, values
	}
	t, v = make([]float64, most), make([]float64, most)
	for i := range most {
		from, to := i*n/most, (i+1)*n/most
		t[i], v[i] = stat.Mean(times[from:to], nil), stat.Mean(values[from:to], nil)
	}
	return t, v
}

// lagOne is the lag-1 autocorrelation, held to 0 … 0.98: negative correlation
// narrows nothing.
func lagOne(values []float64) float64 {
	return min(0.98, max(0, conformity.Autocorrelation(values)))
}

// roughness is the scatter from one reading to the next, free of any slow
// trend: the root of half the mean squared difference of neighbours (von Neumann,
// Annals of Mathematical Statistics 12, 1941, from memory).
func roughness(values []float64) float64 {
	if len(values) < 2 {
		return 0
	}
	sum := 0.0
	for i := 1; i < len(values); i++ {
		sum += square(values[i] - values[i-1])
	}
	return math.Sqrt(sum / 2 / float64(len(values)-1))
}

// unsmoothed is the share of the rounding error that noise does not average out:
// 1 for a display that hardly moves, near 0 when noise spans the step. For noise
// of standard deviation σ and a step q it is exp(−2π²(σ/q)²), the first harmonic
// of the rounding error (from memory). σ is the scatter without the q²/12 that
// rounding itself adds.
func unsmoothed(values []float64, step float64) float64 {
	if step <= 0 {
		return 0
	}
	return damped(math.Sqrt(max(0, square(roughness(values))-step*step/12)), step)
}

// damped is the share of the rounding error of a display step that is left beside
// noise of standard deviation sd.
func damped(sd, step float64) float64 {
	if step <= 0 {
		return 0
	}
	return math.Exp(-2 * square(math.Pi*sd/step))
}
