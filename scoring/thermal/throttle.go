package thermal

import (
	"fmt"
	"math"
	"slices"
)

// A Throttling is a clock or frame rate that fell while the temperature rose.
type Throttling struct {
	Quantity string  `json:"quantity"` // "clock" or "frame rate"
	From     float64 `json:"from"`     // Hz or frames per second, while cooler
	To       float64 `json:"to"`       // the same, at the end
	Drop     float64 `json:"drop"`     // share of From, 0 … 1
	Since    float64 `json:"since_s"`  // when it first went below half way
	Temp     float64 `json:"temp"`     // °C there
	Rank     float64 `json:"rank_correlation"`
	Sentence string  `json:"sentence"`
}

// throttling compares stretches of the loaded log. It needs a fall of the
// quantity by 2 % and by three times its own scatter, a temperature that rose by three
// display steps or 2 °C, and a rank correlation of −0.5 or below between the
// two (thresholds: common practice, no source).
func throttling(l Log) []Throttling {
	out := []Throttling{}
	for _, q := range [...]struct {
		name, unit string
		scale      float64
		v          []float64
	}{{"clock", "MHz", 1e-6, l.Clock}, {"frame rate", "frames per second", 1, l.FPS}} {
		if t, ok := throttled(l, q.v); ok {
			t.Quantity = q.name
			t.Sentence = fmt.Sprintf("Throttling: the %s fell from %.4g to %.4g %s (%.1f %%) while the temperature rose; it went down at %.0f s and %.1f °C.",
				q.name, t.From*q.scale, t.To*q.scale, q.unit, 100*t.Drop, t.Since, t.Temp)
			out = append(out, t)
		}
	}
	return out
}

func throttled(l Log, v []float64) (Throttling, bool) {
	var time, temp, val []float64
	for i := range v {
		if finite(v[i]) {
			time, temp, val = append(time, l.Time[i]), append(temp, l.Temp[i]), append(val, v[i])
		}
	}
	n := len(val)
	if n < 12 || time[n-1] <= time[0] {
		return Throttling{}, false
	}
	count := min(20, n/3)
	at, m := make([]float64, count), make([]float64, count)
	warm := make([]float64, count)
	for k := range count {
		from, to := k*n/count, (k+1)*n/count
		at[k] = time[from]
		m[k] = median(append([]float64(nil), val[from:to]...))
		warm[k] = mean(temp[from:to])
	}
	fifth := max(1, count/5)
	// The best level held for a fifth of the log before the end: a load that
	// takes a moment to come up must not hide the fall.
	from, begin := 0.0, 0
	for k := 0; k+fifth <= count-fifth; k++ {
		if level := median(append([]float64(nil), m[k:k+fifth]...)); level > from*1.001 {
			from, begin = level, k
		}
	}
	to := median(append([]float64(nil), m[count-fifth:]...))
	t := Throttling{From: from, To: to, Drop: 1 - to/from}
	rise := mean(warm[count-fifth:]) - mean(warm[begin:begin+fifth])
	scatter := roughness(val) / math.Sqrt(float64(n/count*fifth))
	t.Rank = rankCorrelation(warm[begin:], m[begin:])
	if !(t.Drop > 0.02) || from-to < 3*scatter || rise < math.Max(3*l.Resolution, 2) && !(rise > 0.5 && t.Rank < -0.8) || t.Rank > -0.5 {
		return Throttling{}, false
	}
	for k := begin; k < count; k++ {
		if m[k] < (from+to)/2 {
			t.Since, t.Temp = at[k], warm[k]
			break
		}
	}
	return t, true
}

// rankCorrelation is Spearman's, with mean ranks for ties.
func rankCorrelation(a, b []float64) float64 {
	x, y := ranks(a), ranks(b)
	mx, my := mean(x), mean(y)
	var sxy, sxx, syy float64
	for i := range x {
		sxy += (x[i] - mx) * (y[i] - my)
		sxx += square(x[i] - mx)
		syy += square(y[i] - my)
	}
	if sxx == 0 || syy == 0 {
		return 0
	}
	return sxy / math.Sqrt(sxx*syy)
}

func ranks(v []float64) []float64 {
	order := make([]int, len(v))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		switch {
		case v[a] < v[b]:
			return -1
		case v[a] > v[b]:
			return 1
		}
		return 0
	})
	r := make([]float64, len(v))
	for i := 0; i < len(order); {
		j := i
		for j < len(order) && v[order[j]] == v[order[i]] {
			j++
		}
		for k := i; k < j; k++ {
			r[order[k]] = float64(i+j-1) / 2
		}
		i = j
	}
	return r
}
