package thermal

import (
	"math"

	"gonum.org/v1/gonum/stat"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// A Throttling is a clock that fell under load when the card had grown warm, or a
// frame rate that fell while the temperature rose.
type Throttling struct {
	Quantity string    `json:"quantity"` // "clock" or "frame rate"
	From     float64   `json:"from"`     // Hz or frames per second, while cooler
	To       float64   `json:"to"`       // the same, at the end
	Drop     float64   `json:"drop"`     // share of From, 0 … 1
	Since    float64   `json:"since_s"`  // when it first went below half way
	Temp     float64   `json:"temp"`     // °C there
	Sentence fact.Fact `json:"sentence"`
}

// throttlings looks at clock and frame rate of the loaded log.
func throttlings(log samples) []Throttling {
	out := []Throttling{}
	if t, ok := throttled(log, Clock); ok {
		t.Quantity = "clock"
		t.Sentence = fact.New("thermal.clock-throttled",
			"from", fact.In(t.From/1e6, "MHz"), "to", fact.In(t.To/1e6, "MHz"), "share", fact.In(100*t.Drop, "%").To(0.1),
			"at", fact.In(t.Since, "s").To(1), "temp", fact.In(t.Temp, "°C").To(0.1))
		out = append(out, t)
	}
	if t, ok := throttled(log, FrameRate); ok {
		t.Quantity = "frame rate"
		t.Sentence = fact.New("thermal.frame-rate-throttled",
			"from", fact.In(t.From, ""), "to", fact.In(t.To, ""), "share", fact.In(100*t.Drop, "%").To(0.1),
			"at", fact.In(t.Since, "s").To(1), "temp", fact.In(t.Temp, "°C").To(0.1))
		out = append(out, t)
	}
	return out
}

// throttled compares parts of the loaded log. It needs a fall of the quantity by
// 2 % and by three times its own scatter, a temperature that rose by three
// display steps or 2 °C, and a rank correlation of −0.5 or below between the
// two (thresholds: common practice, no source). A clock that falls takes the
// temperature down with it: there it is enough that the card had grown so warm
// before. A frame rate may fall with what is drawn.
func throttled(log samples, q Quantity) (Throttling, bool) {
	column := log.other[q]
	var times, temps, values []float64
	for i, v := range column {
		if finite(v) {
			times, temps, values = append(times, log.time[i]), append(temps, log.temp[i]), append(values, v)
		}
	}
	n := len(values)
	if n < 12 || times[n-1] <= times[0] {
		return Throttling{}, false
	}
	parts := min(20, n/3)
	begins, levels, warm := make([]float64, parts), make([]float64, parts), make([]float64, parts)
	for k := range parts {
		from, to := k*n/parts, (k+1)*n/parts
		begins[k], levels[k], warm[k] = times[from], conformity.Median(values[from:to]), stat.Mean(temps[from:to], nil)
	}
	fifth := max(1, parts/5)
	// The best level held for a fifth of the log before the end: a load that
	// takes a moment to come up must not hide the fall.
	best, from := 0.0, 0
	for k := 0; k+fifth <= parts-fifth; k++ {
		if level := conformity.Median(levels[k : k+fifth]); level > best*1.001 {
			best, from = level, k
		}
	}
	end := conformity.Median(levels[parts-fifth:])
	t := Throttling{From: best, To: end, Drop: 1 - end/best}
	rank := rankCorrelation(warm[from:], levels[from:])
	for k := from; k < parts; k++ {
		if levels[k] < (best+end)/2 {
			t.Since, t.Temp = begins[k], warm[k]
			break
		}
	}
	warmed := q == Clock && t.Temp-temps[0] >= math.Max(3*log.resolution, 2)
	rise := stat.Mean(warm[parts-fifth:], nil) - stat.Mean(warm[from:from+fifth], nil)
	scatter := roughness(values) / math.Sqrt(float64(n/parts*fifth))
	fell := t.Drop > 0.02 && best-end >= 3*scatter
	// A rise that is too small for the display counts when the two go together closely.
	rose := rise >= math.Max(3*log.resolution, 2) || rise > 0.5 && rank < -0.8 || warmed
	return t, fell && rose && (rank <= -0.5 || warmed)
}

// rankCorrelation is Spearman's: the correlation of ranks, with mean ranks for
// ties. It is 0 where one of the two does not change.
func rankCorrelation(a, b []float64) float64 {
	r := stat.Correlation(ranks(a), ranks(b), nil)
	if math.IsNaN(r) {
		return 0
	}
	return r
}

// ranks counts for each value those below it, and half of those equal to it.
func ranks(values []float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		for _, other := range values {
			if other < v {
				out[i]++
			} else if other == v {
				out[i] += 0.5
			}
		}
	}
	return out
}
