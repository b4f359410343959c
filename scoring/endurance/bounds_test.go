package endurance

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.10g, want %.10g ± %g", what, got, want, tol)
	}
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 8.3.1.1, test length guide
// (from memory, two or three digits as printed); the rows for two and more
// failures are χ² quantiles of common tables, halved.
func TestFactorTable(t *testing.T) {
	confidences := []float64{0.50, 0.60, 0.75, 0.80, 0.90, 0.95}
	for r, row := range [][]float64{
		{0.693, 0.916, 1.39, 1.61, 2.30, 3.00},
		{1.68, 2.02, 2.69, 2.99, 3.89, 4.74},
	} {
		for i, want := range row {
			near(t, "factor", factor(confidences[i], r), want, 0.0051)
		}
	}
	// χ² quantiles, computed with an independent library to 10 digits; the
	// degrees of freedom are 2r+2.
	for _, row := range []struct {
		dof       int
		p, chi2   float64
		precision float64
	}{
		{4, 0.9, 7.77944034, 1e-8}, {4, 0.95, 9.487729037, 1e-8}, {6, 0.95, 12.59158724, 1e-7},
		{10, 0.99, 23.20925116, 1e-7}, {20, 0.9, 28.41198058, 1e-7}, {30, 0.95, 43.77297183, 1e-7},
		{40, 0.995, 66.76596183, 1e-7}, {6, 0.01, 0.8720903302, 1e-9},
		{42, 0.01, 23.650, 0.0005}, // as printed in e-Handbook 7.2.6.3
	} {
		near(t, "χ²", 2*factor(row.p, row.dof/2-1), row.chi2, row.precision)
	}
}

// e-Handbook 8.3.1.1 example, from memory: 200 h to be shown with 90 %, no
// failure, takes 461 h and with one failure allowed 778 h.
func TestNeededTime(t *testing.T) {
	for allowed, want := range []float64{461, 778} {
		near(t, "hours", neededTime(200*3600, 0.90, allowed)/3600, want, 0.6)
	}
}

// Success run ln(1−C)/ln R; 29 for 90 %/95 % and 59 for 95 %/95 % seen in print,
// the others computed with an independent program.
func TestSuccessRun(t *testing.T) {
	for _, row := range []struct {
		r, c float64
		n    int
	}{
		{0.80, 0.50, 4}, {0.80, 0.60, 5}, {0.80, 0.90, 11}, {0.80, 0.95, 14},
		{0.90, 0.50, 7}, {0.90, 0.60, 9}, {0.90, 0.90, 22}, {0.90, 0.95, 29},
		{0.95, 0.50, 14}, {0.95, 0.60, 18}, {0.95, 0.90, 45}, {0.95, 0.95, 59},
		{0.97, 0.50, 23}, {0.97, 0.60, 31}, {0.97, 0.90, 76}, {0.97, 0.95, 99},
		{0.99, 0.50, 69}, {0.99, 0.60, 92}, {0.99, 0.90, 230}, {0.99, 0.95, 299},
		{0.50, 0.75, 2}, {0.50, 0.875, 3}, {0.10, 0.90, 1}, {0.90, 0.19, 2}, // exact by hand
	} {
		n, err := NeededPasses(row.r, row.c, 0)
		if err != nil || n != row.n {
			t.Errorf("R %g, C %g: %d, %v, want %d", row.r, row.c, n, err, row.n)
		}
	}
	// One spoilt pass allowed at 95 %/95 %: 93; the same number as the
	// distribution-free tolerance interval of Wilks, 1941. Two: 124 (from memory).
	for allowed, want := range []int{59, 93, 124} {
		if n, err := NeededPasses(0.95, 0.95, allowed); err != nil || n != want {
			t.Errorf("%d allowed: %d, %v, want %d", allowed, n, err, want)
		}
	}
}

// Clopper–Pearson: 0 of 10 at 95 % one-sided is 0.05^(1/10) = 0.7411 (by hand);
// 1 of 10 is 0.6058 and 2 of 20 is 0.7174 (from memory of binomial tables,
// confirmed by the binomial sum below).
func TestShownReliability(t *testing.T) {
	for _, row := range []struct {
		n, f int
		want float64
	}{{10, 0, 0.7411}, {10, 1, 0.6058}, {20, 2, 0.7174}, {5, 5, 0}} {
		got, err := ShownReliability(row.n, row.f, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "reliability", got, row.want, 0.00006)
		if got == 0 {
			continue
		}
		var tail float64 // P(at most f spoilt) at the bound is 1 − C
		for k := 0; k <= row.f; k++ {
			tail += binomial(row.n, k) * math.Pow(1-got, float64(k)) * math.Pow(got, float64(row.n-k))
		}
		near(t, "tail", tail, 0.05, 1e-10)
	}
	for _, bad := range [][2]int{{0, 0}, {3, 4}, {3, -1}} {
		if _, err := ShownReliability(bad[0], bad[1], 0.9); err == nil {
			t.Errorf("%v: no error", bad)
		}
	}
}

func binomial(n, k int) float64 {
	c := 1.0
	for i := range k {
		c = c * float64(n-i) / float64(i+1)
	}
	return c
}

// JEDEC dictionary entry on the Arrhenius equation, second hand: 0.7 eV from
// 55 °C to 125 °C, printed 78 (77.6 worked out). 0.9 eV from 110 °C to 300 °C,
// about 8400, in a public text applying e-Handbook 8.1.5.1.
func TestArrhenius(t *testing.T) {
	for _, row := range []struct{ ea, use, soak, want, tol float64 }{
		{0.7, 55, 125, 78, 0.5},
		{0.7, 55, 125, 77.6453820553027, 1e-9},
		{0.9, 110, 300, 8400, 50},
		{0, 20, 90, 1, 0},
		{0.7, 60, 60, 1, 0},
	} {
		near(t, "factor", arrheniusFactor(row.ea, row.use, row.soak), row.want, row.tol)
	}
}

// What is needed, once run, shows exactly what was asked.
func TestNeededShows(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		goal := rapid.Float64Range(1, 1e7).Draw(rt, "goal")
		confidence := rapid.Float64Range(0.01, 0.999).Draw(rt, "confidence")
		failures := rapid.IntRange(0, 30).Draw(rt, "failures")
		needed := neededTime(goal, confidence, failures)
		if mtbf := shownMTBF(needed, failures, confidence); math.Abs(mtbf/goal-1) > 1e-9 {
			rt.Fatalf("shown %g", mtbf)
		}
		if more := neededTime(goal, confidence, failures+1); more <= needed {
			rt.Fatalf("one more failure allowed needs %g, not more than %g", more, needed)
		}
	})
}

func TestNeededPassesShow(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := rapid.Float64Range(0.05, 0.995).Draw(rt, "reliability")
		c := rapid.Float64Range(0.05, 0.995).Draw(rt, "confidence")
		f := rapid.IntRange(0, 5).Draw(rt, "failures")
		n, err := NeededPasses(r, c, f)
		if err != nil {
			rt.Fatal(err)
		}
		at, err := ShownReliability(n, f, c)
		if err != nil || at < r-1e-9 {
			rt.Fatalf("%d passes show %g, %v", n, at, err)
		}
		if n-1 > f {
			if below, err := ShownReliability(n-1, f, c); err != nil || below > r+1e-9 {
				rt.Fatalf("%d passes already show %g, %v", n-1, below, err)
			}
		}
	})
}

// Poisson's law with a mean of 5: none 0.0067, one at the most 0.0404, two at the most
// 0.1247 (tables of the cumulative distribution, from memory).
func TestQuietByLuck(t *testing.T) {
	for allowed, want := range []float64{0.0067, 0.0404, 0.1247} {
		if got := quietByLuck(5*3600, 3600, allowed); math.Abs(got-want) > 5e-5 {
			t.Errorf("%d allowed: %.6f, want %.4f", allowed, got, want)
		}
	}
}
