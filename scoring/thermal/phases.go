package thermal

import (
	"math"
	"slices"
)

// phases are the moments at which the load came on and went off.
type phases struct {
	start, end float64
	onsetSeen  bool // the load begins after the log does
	endSeen    bool // the log goes on after the load
	guessed    bool // from the temperature alone
}

// findPhases takes what the options state, else what the power column shows,
// else what the temperature itself shows.
func findPhases(l Log, o Options) phases {
	n := len(l.Time)
	p := phases{start: l.Time[0], end: l.Time[n-1]}
	if from, to, ok := poweredSpan(l); ok {
		p.start, p.end = from, to
		p.onsetSeen, p.endSeen = from > l.Time[0], to < l.Time[n-1]
	} else {
		// A steady power column says that the load did not end.
		if at, ok := coolingBegins(l); ok && o.LoadEnd == nil && len(finiteOf(l.Power)) < 10 {
			p.end, p.endSeen, p.guessed = at, true, true
		}
		if o.LoadStart == nil {
			if at, ok := riseBegins(l.between(p.start, p.end)); ok {
				p.start, p.onsetSeen, p.guessed = at, true, true
			}
		}
	}
	if o.LoadStart != nil {
		p.start, p.onsetSeen = *o.LoadStart, *o.LoadStart > l.Time[0]
	}
	if o.LoadEnd != nil {
		p.end, p.endSeen = *o.LoadEnd, *o.LoadEnd < l.Time[n-1]
	}
	return p
}

// poweredSpan finds load by power: two clearly separate levels, and the log
// from the first to the last reading on the upper side.
func poweredSpan(l Log) (from, to float64, ok bool) {
	v := finiteOf(l.Power)
	if len(v) < 10 {
		return 0, 0, false
	}
	slices.Sort(v)
	low, high := v[len(v)/50], v[len(v)-1-len(v)/10]
	if high <= 0 || low > 0.6*high {
		return 0, 0, false
	}
	middle := (low + high) / 2
	first, last := -1, -1
	for i, p := range l.Power {
		if p >= middle {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	if last-first < 4 {
		return 0, 0, false
	}
	return l.Time[first], l.Time[last], true
}

// coolingBegins finds the moment after which the temperature falls back by at
// least 60 % of what it rose, never to come back up: a fan that steps in takes
// less away.
func coolingBegins(l Log) (float64, bool) {
	n := len(l.Time)
	if n < 20 {
		return 0, false
	}
	at, m := stretchMeans(l.Time, l.Temp, min(60, n/4))
	top := 0
	for i := range m {
		if m[i] > m[top] {
			top = i
		}
	}
	rise, fall := m[top]-m[0], m[top]-m[len(m)-1]
	margin := math.Max(l.Resolution, 3*roughness(l.Temp)/2)
	if fall < math.Max(0.6*rise, 5*margin) || fall <= 0 || top == 0 {
		return 0, false
	}
	for i := top + 2; i < len(m); i++ { // no second rise
		if m[i]-m[i-1] > margin {
			return 0, false
		}
	}
	// The last reading still at the upper level.
	level := m[top] - math.Max(margin, 0.02*fall)
	last := 0
	for i := range l.Temp {
		if l.Temp[i] >= level {
			last = i
		}
	}
	if l.Time[last] < at[top]-(l.Time[n-1]-l.Time[0])/30 || n-last < 5 {
		return 0, false
	}
	return l.Time[last], true
}

// riseBegins finds a level stretch before the rise: it fits a curve that is
// level until a free moment and takes that moment when it is clearly after the
// first reading and the fit clearly better than without it.
func riseBegins(l Log) (float64, bool) {
	n := len(l.Time)
	if n < 12 {
		return 0, false
	}
	t, y := thinned(l.Time, l.Temp, 200)
	rough := roughness(y)
	k := max(2, len(y)/50)
	base, top := mean(y[:k]), mean(y[len(y)-len(y)/10-1:])
	rise := top - base
	if rise < math.Max(3*l.Resolution, 4*rough) {
		return 0, false
	}
	threshold := base + math.Max(math.Max(l.Resolution, 3*rough), 0.03*rise)
	first := 0
	for i := range y {
		if y[i] <= threshold {
			first = i
		}
		if y[i] > base+rise/2 {
			break
		}
	}
	step := usualStep(t)
	if t[first]-t[0] < 3*step {
		return 0, false
	}
	plain, err := FitRise(t, y, nil)
	if err != nil {
		plain.RSS = math.Inf(1)
	}
	var best Solution
	best.RSS = math.Inf(1)
	for _, back := range [...]float64{0, 0.1} {
		begin := t[first] - back*(t[first]-t[0])
		g := guessRise(t[first:], y[first:], nil)
		s, err := fit(hingeModel, t, y, []float64{base, g[1], g[2], begin}, 60, []float64{1e-2})
		if (err == nil || err == ErrNotConverged) && s.RSS < best.RSS && s.B[2] > 0 {
			best = s
		}
	}
	if math.IsInf(best.RSS, 1) {
		return 0, false
	}
	onset := best.B[3]
	if onset-t[0] < math.Max(2*step, 0.02*best.B[2]) || onset >= t[len(t)-1] {
		return 0, false
	}
	res := make([]float64, len(t))
	for i := range t {
		res[i] = y[i] - hingeModel(t[i], best.B, nil)
	}
	rho := lagOne(res)
	eff := float64(len(t)) * (1 - rho) / (1 + rho)
	floor := float64(len(t)) * 1e-12 * rise * rise
	gain := eff*math.Log((plain.RSS+floor)/(best.RSS+floor)) - 2
	return onset, gain > 10
}

// thinned returns means of equal numbers of neighbours, at most most of them.
func thinned(t, y []float64, most int) (tt, yy []float64) {
	n := len(t)
	if n <= most {
		return t, y
	}
	tt, yy = make([]float64, most), make([]float64, most)
	for i := range most {
		from, to := i*n/most, (i+1)*n/most
		tt[i], yy[i] = mean(t[from:to]), mean(y[from:to])
	}
	return tt, yy
}
