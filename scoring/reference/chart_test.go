package reference

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

func mustChart(t fataler, runs []float64) Chart {
	t.Helper()
	c, err := ControlChart(runs)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// NIST/SEMATECH e-Handbook, 6.3.2.2: mean 50.81, mean moving range 1.8778,
// limits 45.8159 and 55.8041.
func TestIndividualsHandbook(t *testing.T) {
	c := mustChart(t, []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1})
	near(t, "mean", c.Center, 50.81, 1e-9)
	near(t, "mean moving range", c.MeanMovingRange, 1.8778, 5e-5)
	near(t, "upper limit", c.High, 55.8041, 5.1e-5)
	near(t, "lower limit", c.Low, 45.8159, 5.1e-5)
	if len(c.Signals) != 0 {
		t.Errorf("signals %+v", c.Signals)
	}
	if len(c.Notes) != 1 {
		t.Errorf("ten runs are few: %q", c.Notes)
	}
}

// NIST/SEMATECH e-Handbook, 6.3.2.4: λ 0.3, start 50, s 2.0539, steady limits
// 52.5884 and 47.4115 (the lower one is cut off in print).
func TestEWMAHandbook(t *testing.T) {
	runs := []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
		49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	c := chartAround(runs, 50, d2*2.0539, 0.3)
	for i, want := range []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
		50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99} {
		near(t, "EWMA", c.EWMA[i], want, 0.0051)
	}
	last := len(runs) - 1
	near(t, "upper limit", c.EWMAHigh[last], 52.5884, 1e-4)
	near(t, "lower limit", c.EWMALow[last], 47.4115, 2e-4)
	// Exact limits: the first is 3·σ·λ by hand, the second 3·σ·λ·√(1+0.7²).
	near(t, "first limit", c.EWMAHigh[0], 50+3*2.0539*0.3, 1e-12)
	near(t, "second limit", c.EWMAHigh[1], 50+3*2.0539*0.3*math.Sqrt(1.49), 1e-12)
	if len(c.Signals) != 0 {
		t.Errorf("signals %+v", c.Signals)
	}
}

// A bench that loses one standard deviation and a half for good is caught by
// the EWMA although no single run leaves the individuals chart; a single wild
// run by the individuals chart and the moving ranges.
func TestSignals(t *testing.T) {
	quiet := []float64{100.3, 99.6, 100.1, 99.8, 100.4, 99.9}
	slow := append(append([]float64{}, quiet...), 98.5, 98.4, 98.6, 98.5, 98.3, 98.6)
	c := chartAround(slow, 100, d2, newestWeight)
	if len(c.Signals) == 0 || c.Signals[0].Chart != ewma || c.Signals[0].Index < 6 {
		t.Errorf("slow drift: %+v", c.Signals)
	}
	for _, s := range c.Signals {
		if s.Chart != ewma {
			t.Errorf("slow drift: %+v", s)
		}
	}
	wild := append(append([]float64{}, quiet...), 95)
	c = chartAround(wild, 100, d2, newestWeight)
	charts := map[string]bool{}
	for _, s := range c.Signals {
		charts[s.Chart] = true
		if s.Index != 6 || s.Why.IsZero() {
			t.Errorf("wild run: %+v", s)
		}
	}
	if !charts[individuals] || !charts[movingRanges] {
		t.Errorf("wild run: %v", charts)
	}
	c = chartAround([]float64{5, 5, 5, 5.1}, 5, 0, newestWeight)
	if len(c.Signals) == 0 || c.Signals[0].Index != 3 {
		t.Errorf("limits without width: %+v", c)
	}
	if c := mustChart(t, []float64{0.1, 0.1, 0.1}); len(c.Signals) != 0 {
		t.Errorf("equal runs are no signal: %+v", c.Signals)
	}
}

// Runs of a quiet bench leave the exact EWMA limits about as often at the
// beginning as later: 2 σ each time, of the 3 σ that the limits are.
func TestEWMALimitsFromTheStart(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	const charts = 20000
	var first, tenth float64
	for range charts {
		runs := make([]float64, 10)
		for i := range runs {
			runs[i] = rng.NormFloat64()
		}
		c := chartAround(runs, 0, d2, newestWeight)
		if math.Abs(c.EWMA[0]) > c.EWMAHigh[0]*2/3 {
			first++
		}
		if math.Abs(c.EWMA[9]) > c.EWMAHigh[9]*2/3 {
			tenth++
		}
	}
	near(t, "outside at the first run", first/charts, 0.0455, 0.006)
	near(t, "outside at the tenth run", tenth/charts, 0.0455, 0.006)
}

func TestControlChartRefuses(t *testing.T) {
	for name, runs := range map[string][]float64{
		"none": nil, "one": {1}, "nan": {1, math.NaN()}, "too large": {1e308, 1e308},
	} {
		if c, err := ControlChart(runs); err == nil {
			t.Errorf("%s: %+v", name, c)
		}
	}
}

// Turning the runs upside down turns the chart upside down.
func TestChartMirror(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		runs := rapid.SliceOfN(rapid.Float64Range(-100, 100), 2, 30).Draw(rt, "runs")
		mirror := make([]float64, len(runs))
		for i, x := range runs {
			mirror[i] = -x
		}
		a, b := mustChart(rt, runs), mustChart(rt, mirror)
		if len(a.Signals) != len(b.Signals) {
			rt.Fatalf("%d and %d signals", len(a.Signals), len(b.Signals))
		}
		for i := range runs {
			if math.Abs(a.EWMA[i]+b.EWMA[i]) > 1e-9 || math.Abs(a.EWMAHigh[i]+b.EWMALow[i]) > 1e-9 {
				rt.Fatalf("run %d", i)
			}
		}
	})
}

// A fataler is a test, plain or of a property.
type fataler interface {
	Helper()
	Fatal(args ...any)
}
