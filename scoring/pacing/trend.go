package pacing

import (
	"cmp"
	"math"
	"slices"

	"proveout/scoring/conformity"
)

// A Drift is the trend of the frame time over the run.
type Drift struct {
	PerMinute   float64 `json:"ms_per_minute"`
	Low         float64 `json:"low"` // 95 %
	High        float64 `json:"high"`
	Significant bool    `json:"significant"`
}

// A Change is a moment at which the frame time moved to another level.
type Change struct {
	At     float64 `json:"at_s"`
	Before float64 `json:"before_ms"`
	After  float64 `json:"after_ms"`
}

// theilSen returns the median of the slopes between all pairs of points and
// its 95 % confidence limits (Sen, Estimates of the regression coefficient
// based on Kendall's tau, 1968, from memory): it does not mind stalls. variance
// widens the interval: 1 for independent values, (1+ρ)/(1−ρ) for autocorrelated
// ones. x rises.
func theilSen(x, y []float64, variance float64) (slope, low, high float64, ok bool) {
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
	pairs := len(slopes)
	if pairs == 0 {
		return 0, 0, 0, false
	}
	slices.Sort(slopes)
	slope = (slopes[(pairs-1)/2] + slopes[pairs/2]) / 2
	// Kendall's S, the number of pairs that rise less those that fall, has this
	// variance when there is no trend.
	points := float64(n)
	sd := math.Sqrt(variance * points * (points - 1) * (2*points + 5) / 18)
	reach := 1.959963984540054 * sd
	at := func(rank float64) float64 { return slopes[max(0, min(pairs-1, int(rank)))] }
	low = at(math.Floor((float64(pairs) - reach) / 2))
	high = at(math.Ceil((float64(pairs) + reach) / 2))
	return slope, low, high, true
}

// pettitt is the approximate probability that a series without any change of
// level splits somewhere as clearly as this one does (Pettitt, A non-parametric
// approach to the change-point problem, 1979, from memory):
// p = 2 exp(−6K²/(n³+n²)), where K is the largest of the sums over all pairs
// across a split of 1 for a fall and −1 for a rise, divided by the root of
// variance, as in theilSen.
func pettitt(series []float64, variance float64) float64 {
	sum, most := 0, 0
	for _, v := range series {
		for _, other := range series {
			sum += cmp.Compare(v, other)
		}
		most = max(most, sum, -sum)
	}
	n, k := float64(len(series)), float64(most)
	return min(1, 2*math.Exp(-6*k*k/variance/(n*n*n+n*n)))
}

// widening is (1+ρ)/(1−ρ) for autocorrelated values: by how much less they tell
// than independent ones (common practice).
func widening(values []float64) float64 {
	rho := min(0.95, max(0, conformity.Autocorrelation(values)))
	return (1 + rho) / (1 - rho)
}

// driftOf judges the medians of stretches, at most 250 of them.
func driftOf(spans []span) (*Drift, *Change) {
	for len(spans) > 250 {
		spans = inPairs(spans)
	}
	n := len(spans)
	if n < 8 {
		return nil, nil
	}
	minutes, medians := make([]float64, n), make([]float64, n)
	for i, s := range spans {
		minutes[i], medians[i] = (s.start+s.time/2)/60000, s.median()
	}
	slope, _, _, ok := theilSen(minutes, medians, 1)
	if !ok {
		return nil, nil
	}
	aboutLine := make([]float64, n)
	for i := range aboutLine {
		aboutLine[i] = medians[i] - slope*minutes[i]
	}
	d := &Drift{}
	d.PerMinute, d.Low, d.High, _ = theilSen(minutes, medians, widening(aboutLine))
	d.Significant = d.Low > 0 || d.High < 0
	return d, changeOf(spans, medians)
}

// inPairs joins neighbours; spans stay as they are.
func inPairs(spans []span) []span {
	half := make([]span, 0, len(spans)/2+1)
	for pair := range slices.Chunk(spans, 2) {
		joined := pair[0]
		if len(pair) == 2 {
			joined = joined.with(pair[1])
		}
		half = append(half, joined)
	}
	return half
}

// split is where two means describe a series best in least squares: ranks
// tell whether there is a change, this tells better where.
func split(series []float64) int {
	total := 0.0
	for _, v := range series {
		total += v
	}
	n, sum, best, at := float64(len(series)), 0.0, -1.0, 0
	for k := 1; k < len(series); k++ {
		sum += series[k-1]
		left := float64(k)
		step := sum/left - (total-sum)/(n-left)
		if between := step * step * left * (n - left); between > best {
			best, at = between, k
		}
	}
	return at
}

// changeOf keeps a change of level only when it is improbable by chance
// (p < 0.01), both sides last at least five stretches, and the step exceeds
// 2 % and three times the scatter within the sides (thresholds: common practice,
// no source). The scatter is 1.4826 times the median distance from the level,
// the standard deviation of normal values.
func changeOf(spans []span, medians []float64) *Change {
	n := len(medians)
	k := split(medians)
	if k < 5 || n-k < 5 {
		return nil
	}
	before, after := conformity.Median(medians[:k]), conformity.Median(medians[k:])
	within, distance := make([]float64, n), make([]float64, n)
	for i, v := range medians {
		within[i] = v - before
		if i >= k {
			within[i] = v - after
		}
		distance[i] = math.Abs(within[i])
	}
	p := pettitt(medians, widening(within))
	step := math.Abs(after - before)
	if p > 0.01 || step < 0.02*before || step < 3*1.4826*conformity.Median(distance) {
		return nil
	}
	return &Change{At: spans[k].start / 1000, Before: before, After: after}
}
