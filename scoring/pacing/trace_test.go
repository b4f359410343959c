package pacing

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// Copies of a run are known, whatever was cut off, put before or appended; runs
// that were made are not, also those that a coarse program wrote.
func TestTraceKnowsCopies(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 4))
	run := func(n int, step float64) []float64 {
		out := make([]float64, n)
		for i := range out {
			out[i] = math.Round((23+2*math.Sin(float64(i)/90)+r.NormFloat64())/step) * step
		}
		return out
	}
	fine := run(4000, 0.01)
	odd := slices.Clone(fine)
	for i := range odd {
		if i%200 == 0 {
			odd[i] += 0.5
		}
	}
	cadence := make([]float64, 6000) // a display that is waited for, in whole milliseconds
	for i := range cadence {
		cadence[i] = []float64{17, 17, 16}[i%3]
	}
	for _, c := range []struct {
		name string
		a, b []float64
		want bool
	}{
		{"itself", fine, fine, true},
		{"a row appended", fine, append(slices.Clone(fine), 23.1), true},
		{"its beginning cut off", fine, fine[1357:], true},
		{"its first half", fine, fine[:2000], true},
		{"single readings changed", fine, odd, true},
		{"another run", fine, run(4000, 0.01), false},
		{"another run in tenths", run(4000, 0.1), run(4000, 0.1), false},
		{"another run in whole milliseconds", run(9000, 1), run(9000, 1), false},
		{"a frame rate once a second", run(300, 0.1), run(300, 0.1), false},
		{"two runs held by the display", cadence, cadence[1:], false},
		{"too short to say", fine[:20], fine[:20], false},
	} {
		var a, b Trace
		for _, v := range c.a {
			a.Add(v)
		}
		for _, v := range c.b {
			b.Add(v)
		}
		if a.CopyOf(&b) != c.want || b.CopyOf(&a) != c.want {
			t.Errorf("%s: %v and %v, want %v", c.name, a.CopyOf(&b), b.CopyOf(&a), c.want)
		}
		if a.Still() {
			t.Errorf("%s stands still", c.name)
		}
	}
}

func TestTraceKnowsEqualReadings(t *testing.T) {
	for _, c := range []struct {
		name string
		n    int
		odd  int // every so many readings one differs; none if 0
		want bool
	}{
		{"all equal", 13000, 0, true},
		{"one in 200 differs", 13000, 200, true},
		{"one in 20 differs", 13000, 20, false},
		{"every other one differs", 13000, 2, false},
		{"few", 99, 0, false},
		{"none", 0, 0, false},
	} {
		var trace Trace
		for i := range c.n {
			v := 16.7
			if c.odd > 0 && i%c.odd == 0 {
				v = 16.8
			}
			trace.Add(v)
		}
		if trace.Still() != c.want {
			t.Errorf("%s: %v, want %v", c.name, trace.Still(), c.want)
		}
	}
}
