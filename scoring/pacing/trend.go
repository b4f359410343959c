package pacing

import (
	"math"
	"slices"
)

// A Drift is the trend of the frame time over the run.
type Drift struct {
	PerMinute     float64 `json:"ms_per_minute"`
	Low           float64 `json:"low"` // 95 %
	High          float64 `json:"high"`
	PerHour       float64 `json:"share_per_hour"` // of the median frame time; above 0 is slower
	Significant   bool    `json:"significant"`
	Points        int     `json:"points"` // medians of so many stretches
	FramesEach    int64   `json:"frames_each"`
	AutoCorrected float64 `json:"variance_factor"`
}

// A Change is a moment at which the frame time moved to another level.
type Change struct {
	At     float64 `json:"at_s"`
	Before float64 `json:"before_ms"`
	After  float64 `json:"after_ms"`
	P      float64 `json:"p"`
}

// TheilSen returns the median of the slopes between all pairs of points and
// its 95 % confidence limits (Sen, Estimates of the regression coefficient
// based on Kendall's tau, 1968, from memory). variance widens the interval: 1
// for independent values, (1+ρ)/(1−ρ) for autocorrelated ones. x rises.
func TheilSen(x, y []float64, variance float64) (slope, low, high float64, ok bool) {
	n := len(x)
	if n < 4 || len(y) != n {
		return 0, 0, 0, false
	}
	slopes := make([]float64, 0, n*(n-1)/2)
	for i := range n {
		for j := i + 1; j < n; j++ {
			if dx := x[j] - x[i]; dx > 0 {
				slopes = append(slopes, (y[j]-y[i])/dx)
			}
		}
	}
	if len(slopes) == 0 {
		return 0, 0, 0, false
	}
	slices.Sort(slopes)
	m := len(slopes)
	slope = (slopes[(m-1)/2] + slopes[m/2]) / 2
	f := float64(n)
	sd := math.Sqrt(variance * f * (f - 1) * (2*f + 5) / 18)
	k := 1.959963984540054 * sd
	at := func(rank float64) float64 { return slopes[max(0, min(m-1, int(rank)))] }
	low = at(math.Floor((float64(m) - k) / 2))
	high = at(math.Ceil((float64(m) + k) / 2))
	return slope, low, high, true
}

// Pettitt finds the most likely change of level in a series and its
// approximate probability under no change (Pettitt, A non-parametric approach
// to the change-point problem, 1979, from memory): p = 2 exp(−6K²/(n³+n²)),
// with K divided by the root of variance, as in TheilSen. index is the first
// value after the change.
func Pettitt(y []float64, variance float64) (index int, p float64) {
	n := len(y)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		switch {
		case y[a] < y[b]:
			return -1
		case y[a] > y[b]:
			return 1
		}
		return 0
	})
	rank := make([]float64, n)
	for i := 0; i < n; {
		j := i
		for j < n && y[order[j]] == y[order[i]] {
			j++
		}
		for k := i; k < j; k++ {
			rank[order[k]] = float64(i+j+1) / 2
		}
		i = j
	}
	sum, most := 0.0, 0.0
	for t := 1; t < n; t++ {
		sum += rank[t-1]
		if u := math.Abs(2*sum - float64(t)*float64(n+1)); u > most {
			most, index = u, t
		}
	}
	f := float64(n)
	return index, min(1, 2*math.Exp(-6*most*most/variance/(f*f*f+f*f)))
}

// LagOne is the lag-1 autocorrelation coefficient as in the NIST/SEMATECH
// e-Handbook, section 1.3.5.12 (from memory).
func LagOne(y []float64) float64 {
	if len(y) < 2 {
		return math.NaN()
	}
	m := 0.0
	for _, v := range y {
		m += v
	}
	m /= float64(len(y))
	var c0, c1 float64
	for i, v := range y {
		c0 += (v - m) * (v - m)
		if i > 0 {
			c1 += (v - m) * (y[i-1] - m)
		}
	}
	if c0 == 0 {
		return 0
	}
	return c1 / c0
}

// widening is (1+ρ)/(1−ρ) for the residuals of y about a line.
func widening(x, y []float64, slope float64) float64 {
	r := make([]float64, len(y))
	for i := range y {
		r[i] = y[i] - slope*x[i]
	}
	rho := min(0.95, max(0, LagOne(r)))
	return (1 + rho) / (1 - rho)
}

// driftOf judges the medians of stretches, at most 250 of them.
func driftOf(spans []span, median float64) (*Drift, *Change) {
	for len(spans) > 250 {
		half := make([]span, 0, len(spans)/2+1)
		for i := 0; i < len(spans); i += 2 {
			s := spans[i]
			if i+1 < len(spans) {
				s.merge(spans[i+1])
			}
			half = append(half, s)
		}
		spans = half
	}
	n := len(spans)
	if n < 8 {
		return nil, nil
	}
	x, y := make([]float64, n), make([]float64, n)
	for i, s := range spans {
		x[i], y[i] = (s.start+s.time/2)/60000, s.median()
	}
	slope, _, _, ok := TheilSen(x, y, 1)
	if !ok {
		return nil, nil
	}
	wide := widening(x, y, slope)
	d := &Drift{Points: n, FramesEach: spans[0].frames, AutoCorrected: wide}
	d.PerMinute, d.Low, d.High, _ = TheilSen(x, y, wide)
	d.PerHour = d.PerMinute * 60 / median
	d.Significant = d.Low > 0 || d.High < 0
	return d, changeOf(spans, y)
}

// split is where two means describe a series best in least squares: the ranks
// tell whether there is a change, this tells better where.
func split(y []float64) int {
	total := 0.0
	for _, v := range y {
		total += v
	}
	n, sum, best, at := float64(len(y)), 0.0, -1.0, 0
	for k := 1; k < len(y); k++ {
		sum += y[k-1]
		left := float64(k)
		gap := sum/left - (total-sum)/(n-left)
		if between := gap * gap * left * (n - left); between > best {
			best, at = between, k
		}
	}
	return at
}

// changeOf keeps a change of level only when it is improbable by chance
// (p < 0.01), both sides last at least five stretches, and the step exceeds
// 2 % and three times the scatter within the sides.
func changeOf(spans []span, y []float64) *Change {
	n := len(y)
	k := split(y)
	if k < 5 || n-k < 5 {
		return nil
	}
	before, after := quickMedian(slices.Clone(y[:k])), quickMedian(slices.Clone(y[k:]))
	within := make([]float64, n)
	apart := make([]float64, n)
	for i := range y {
		within[i] = y[i] - before
		if i >= k {
			within[i] = y[i] - after
		}
		apart[i] = math.Abs(within[i])
	}
	rho := min(0.95, max(0, LagOne(within)))
	_, p := Pettitt(y, (1+rho)/(1-rho))
	step := math.Abs(after - before)
	if p > 0.01 || step < 0.02*before || step < 3*1.4826*quickMedian(apart) {
		return nil
	}
	return &Change{At: spans[k].start / 1000, Before: before, After: after, P: p}
}
