package thermal

import (
	"fmt"
	"math"
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

// Residuals in numbers, the grounds of the judgement.
type residuals struct {
	sd         float64
	rough      float64 // scatter from reading to reading, °C
	systematic float64 // largest mean residual of a stretch of the log, °C
	allowed    float64 // what rounding, scatter and 1 % of the rise explain there, °C
	at         float64 // where that stretch is, s
	hidden     float64 // °C, standard uncertainty of a level from rounding that noise does not average out
	rho        float64 // lag-1 autocorrelation, 0 … 0.98
	runs       int     // runs of one sign, over stretches
	expected   float64
	stretches  int
}

// examine weighs the residuals of a curve over up to 16 stretches of equal
// time. Rounding to a step q lets a stretch of a true curve be off by q/2, and
// the fitted curve by as much as half of that again.
func examine(t, y []float64, curve func(float64) float64, q, rise float64) residuals {
	n := len(t)
	r := make([]float64, n)
	var x residuals
	for i := range t {
		r[i] = y[i] - curve(t[i])
		x.sd += r[i] * r[i]
	}
	x.sd = math.Sqrt(x.sd / float64(n))
	x.rough = roughness(r)
	x.rho = lagOne(r)
	x.hidden = q / math.Sqrt(12) * unsmoothed(r, q)
	count := min(16, max(4, n/8))
	var sum [16]float64
	var in [16]int
	span := t[n-1] - t[0]
	for i := range t {
		k := min(count-1, int(float64(count)*(t[i]-t[0])/span))
		sum[k] += r[i]
		in[k]++
	}
	worst, plus, before := -1.0, 0, 0.0
	for k := range count {
		if in[k] < 2 {
			continue
		}
		m := sum[k] / float64(in[k])
		allowed := 0.75*q + 3*x.rough/math.Sqrt(float64(in[k])) + 0.01*math.Abs(rise)
		if ratio := math.Abs(m) / allowed; ratio > worst {
			worst = ratio
			x.systematic, x.allowed = math.Abs(m), allowed
			x.at = t[0] + span*(float64(k)+0.5)/float64(count)
		}
		x.stretches++
		if m > 0 {
			plus++
		}
		if before == 0 || (m > 0) != (before > 0) {
			x.runs++
		}
		before = m
	}
	if s := float64(x.stretches); s > 0 {
		x.expected = 1 + 2*float64(plus)*(s-float64(plus))/s
	}
	return x
}

// explain decides whether the residuals are such as the sensor explains, and
// if not, what they look like. y is the log over which the curve was fitted.
func (x residuals) explain(l Log, rise, instrument float64) (Reason, string) {
	// Noise of a display step, of 4 % of the rise, or up to 0.75 °C on a small
	// rise is left to the sensor (common practice, no source).
	noise := math.Max(0.04*math.Abs(rise), math.Min(0.75, 0.08*math.Abs(rise)))
	scatter := math.Max(math.Max(l.Resolution, noise), 3*instrument)
	tooRough, tooSystematic := x.sd > scatter, x.systematic > x.allowed
	if !tooRough && !tooSystematic {
		return Described, ""
	}
	if from, to, ok := levelChange(l.Power, 0.10); ok {
		return PowerChanged, fmt.Sprintf("the power went from %.4g W to %.4g W during the log, and a curve for one step of power cannot follow", from, to)
	}
	if over, at, ok := overshoot(l, rise, x.rough); ok {
		return Overshoot, fmt.Sprintf("the temperature overshoots by %.1f °C at %.0f s and then falls: fan or clock control stepping in, or the load easing off", over, at)
	}
	if tooRough && x.sd > 2*x.rough/3 && x.rough > scatter/2 {
		return Wanders, fmt.Sprintf("the temperature wanders by ±%.1f °C (standard deviation) about the curve, where a display step of %s and a rise of %.1f °C leave room for %.1f °C: fan, clock or load changing in steps",
			x.sd, stepText(l.Resolution), rise, scatter)
	}
	return Residuals, fmt.Sprintf("the readings lie %.2f °C off the curve for a whole stretch around %.0f s, where rounding and scatter explain %.2f °C, and stay on one side in %d runs where %.1f would be usual: the cooling changed during the log",
		x.systematic, x.at, x.allowed, x.runs, x.expected)
}

func stepText(q float64) string {
	if q == 0 {
		return "no visible size"
	}
	return fmt.Sprintf("%g °C", q)
}

// stretchMeans returns the means over count stretches of equal time.
func stretchMeans(t, y []float64, count int) (at, m []float64) {
	n := len(t)
	span := t[n-1] - t[0]
	i := 0
	for k := range count {
		end := t[0] + span*float64(k+1)/float64(count)
		var st, sy, c float64
		for i < n && (t[i] <= end || k == count-1) {
			if finite(y[i]) {
				st, sy, c = st+t[i], sy+y[i], c+1
			}
			i++
		}
		if c > 0 {
			at, m = append(at, st/c), append(m, sy/c)
		}
	}
	return at, m
}

// overshoot looks for a hump: a stretch that is warmer than all that follows
// later on by more than rounding, scatter and 3 % of the rise.
func overshoot(l Log, rise, rough float64) (over, at float64, ok bool) {
	n := len(l.Time)
	if n < 16 || rise <= 0 {
		return 0, 0, false
	}
	count := min(20, n/4)
	times, m := stretchMeans(l.Time, l.Temp, count)
	top := 0
	for i := range m {
		if m[i] > m[top] {
			top = i
		}
	}
	tail := m[len(m)-max(1, len(m)/5):]
	over = m[top] - mean(tail)
	noise := 3 * rough / math.Sqrt(float64(n/count))
	need := math.Max(1.2*l.Resolution, 0.03*rise) + noise
	return over, times[top], over > need && top < len(m)-len(tail)
}

// levelChange compares the first with the last fifth of a column, leaving out
// the very beginning, and says whether the level moved by more than share.
func levelChange(v []float64, share float64) (from, to float64, ok bool) {
	v = finiteOf(v)
	n := len(v)
	if n < 20 {
		return 0, 0, false
	}
	from = median(append([]float64(nil), v[n/20:n/20+n/5]...))
	to = median(append([]float64(nil), v[n-n/5:]...))
	return from, to, math.Abs(to-from) > share*math.Max(math.Abs(from), math.Abs(to))
}
