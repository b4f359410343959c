package conformity

import (
	"encoding/json"
	"math"
	"testing"

	"pgregory.net/rapid"
)

func mustJudge(t testing.TB, value float64, u Uncertainty, l Limits, rule Rule) Result {
	t.Helper()
	r, err := Judge(value, u, l, rule)
	if err != nil {
		t.Fatalf("Judge(%g, %+v): %v", value, u, err)
	}
	return r
}

// The four cases of a reading near an upper limit, ILAC-G8:09/2019 figure 3
// (from memory), and the ends of each interval.
func TestJudge(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, tt := range []struct {
		name    string
		value   float64
		u       float64
		limits  Limits
		guarded Verdict
		simple  Verdict
	}{
		{"well inside", 80, 0.5, AtMost(85), Pass, Pass},
		{"inside, interval across", 84.5, 0.5, AtMost(85), Inconclusive, Pass},
		{"outside, interval across", 85.5, 0.5, AtMost(85), Inconclusive, Fail},
		{"well outside", 87, 0.5, AtMost(85), Fail, Fail},
		{"interval ends on the limit", 84, 0.5, AtMost(85), Pass, Pass},
		{"interval begins on the limit", 86, 0.5, AtMost(85), Inconclusive, Fail},
		{"on the limit", 85, 0.5, AtMost(85), Inconclusive, Pass},
		{"on the limit, exact", 85, 0, AtMost(85), Pass, Pass},
		{"lower limit", 3.2, 0.01, AtLeast(3.135), Pass, Pass},
		{"under a lower limit", 3.0, 0.01, AtLeast(3.135), Fail, Fail},
		{"between", 3.3, 0.02, Between(3.135, 3.465), Pass, Pass},
		{"meets the limit on paper", 3.4, 0.0325, AtMost(3.465), Pass, Pass},
		{"limit from a percentage", 3.465, 0, Between(3.3*0.95, 3.3*1.05), Pass, Pass},
		{"limits narrower than 2U", 3.3, 0.1, Between(3.135, 3.465), Inconclusive, Pass},
		{"limits narrower than 2U, far off", 4, 0.1, Between(3.135, 3.465), Fail, Fail},
		{"no number", nan, 0.1, AtMost(1), Inconclusive, Inconclusive},
		{"infinite", inf, 0.1, AtMost(1), Inconclusive, Inconclusive},
		{"uncertainty unknown", 0, nan, AtMost(1), Inconclusive, Inconclusive},
		{"uncertainty without bound", 0, inf, AtMost(1), Inconclusive, Inconclusive},
	} {
		if r := mustJudge(t, tt.value, StandardUncertainty(tt.u), tt.limits, Guarded); r.Verdict != tt.guarded {
			t.Errorf("%s: guarded %v, want %v", tt.name, r.Verdict, tt.guarded)
		}
		if r := mustJudge(t, tt.value, StandardUncertainty(tt.u), tt.limits, Simple); r.Verdict != tt.simple {
			t.Errorf("%s: simple %v, want %v", tt.name, r.Verdict, tt.simple)
		}
	}
}

func TestJudgeRefuses(t *testing.T) {
	for name, f := range map[string]func() (Result, error){
		"no limit":     func() (Result, error) { return Judge(1, StandardUncertainty(0), Limits{}, Guarded) },
		"crossed":      func() (Result, error) { return Judge(1, StandardUncertainty(0), Between(2, 1), Guarded) },
		"nan limit":    func() (Result, error) { return Judge(1, StandardUncertainty(0), AtMost(math.NaN()), Guarded) },
		"negative u":   func() (Result, error) { return Judge(1, StandardUncertainty(-1), AtMost(2), Guarded) },
		"negative k":   func() (Result, error) { return Judge(1, Uncertainty{Standard: 1, K: -1}, AtMost(2), Guarded) },
		"negative dof": func() (Result, error) { return Judge(1, Uncertainty{Standard: 1, DoF: -1}, AtMost(2), Guarded) },
		"unknown rule": func() (Result, error) { return Judge(1, StandardUncertainty(0), AtMost(2), "lenient") },
	} {
		if r, err := f(); err == nil || r.Verdict != NotRun {
			t.Errorf("%s: %v, %v: want an error and no verdict", name, r.Verdict, err)
		}
	}
}

// JCGM 106:2012, 7.2.2 example (breakdown voltage of a Zener diode, −5.47 V
// with u 0.05 V, limit −5.40 V, printed 0.92) and table 1 (from memory); the
// grid is Φ at round places, computed with an independent library.
func TestProbability(t *testing.T) {
	near(t, "diode", Probability(-5.47, 0.05, AtMost(-5.40)), 0.92, 0.005)
	for _, row := range []struct{ p, z float64 }{{0.80, 0.84}, {0.90, 1.28}, {0.95, 1.64}, {0.99, 2.33}, {0.999, 3.09}} {
		near(t, "table 1", Probability(0, 1, AtMost(row.z)), row.p, 0.0016)
	}
	for _, row := range []struct{ z, p float64 }{
		{-3, 0.0013498980316300933}, {-2, 0.022750131948179195}, {-1, 0.15865525393145707}, {0, 0.5},
		{1, 0.8413447460685429}, {1.645, 0.9500150944608786}, {3, 0.9986501019683699},
	} {
		near(t, "upper", Probability(0, 1, AtMost(row.z)), row.p, 1e-15)
		near(t, "lower", Probability(0, 1, AtLeast(-row.z)), row.p, 1e-15)
	}
	near(t, "±1", Probability(0, 1, Between(-1, 1)), 0.6826894921370859, 1e-15)
	// Far tail: Φ(11) − Φ(10), which a difference of two ones would lose.
	near(t, "tail", Probability(0, 1, Between(10, 11))/7.619853024160525e-24, 1, 1e-3)
	if p := Probability(1, 0, AtMost(1)); p != 1 {
		t.Errorf("exact on the limit: %g", p)
	}
	if p := Probability(math.NaN(), 1, AtMost(1)); !math.IsNaN(p) {
		t.Errorf("NaN: %g", p)
	}
}

// Guard bands of ILAC-G8:09/2019, table 1 (from memory): a reading on the
// acceptance limit has this risk of not conforming.
func TestGuardBandRisk(t *testing.T) {
	for _, tt := range []struct{ w, risk, tol float64 }{
		{0, 0.5, 1e-12}, {1, 0.025, 0.0025}, {0.83, 0.05, 0.002}, {1.5, 0.00135, 1e-6},
	} {
		near(t, "risk", 1-Probability(10-2*tt.w, 1, AtMost(10)), tt.risk, tt.tol)
	}
}

func TestSettle(t *testing.T) {
	r := mustJudge(t, 84, ExpandedUncertainty(2, 2), AtMost(85), Guarded)
	if r.Verdict != Inconclusive || r.Settle == nil || r.Settle.Verdict != Pass || r.Settle.LargestExpanded != 1 {
		t.Fatalf("%+v", r)
	}
	r = mustJudge(t, 86.5, ExpandedUncertainty(2, 2), AtMost(85), Guarded)
	if r.Settle == nil || r.Settle.Verdict != Fail || r.Settle.LargestExpanded != 1.5 {
		t.Fatalf("%+v", r)
	}
	if again := mustJudge(t, 86.5, ExpandedUncertainty(1.49, 2), AtMost(85), Guarded); again.Verdict != Fail {
		t.Errorf("just below: %v", again.Verdict)
	}
	if again := mustJudge(t, 86.5, ExpandedUncertainty(1.5, 2), AtMost(85), Guarded); again.Verdict != Inconclusive {
		t.Errorf("at the figure: %v", again.Verdict)
	}
}

func TestResultJSON(t *testing.T) {
	for _, value := range []float64{1, math.NaN(), math.Inf(-1)} {
		r := mustJudge(t, value, StandardUncertainty(0.1), Between(0, 2), Guarded)
		out, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		var back map[string]any
		if err := json.Unmarshal(out, &back); err != nil {
			t.Fatal(err)
		}
		for _, field := range []string{"verdict", "probability", "guard_band", "acceptance"} {
			if _, ok := back[field]; !ok {
				t.Errorf("%g: no field %q in %s", value, field, out)
			}
		}
	}
}

var anyRule = rapid.SampledFrom([]Rule{Guarded, Simple})

func anyLimits(t *rapid.T) Limits {
	low := rapid.Float64Range(-1e6, 1e6).Draw(t, "low")
	high := low + rapid.Float64Range(0, 1e6).Draw(t, "width")
	switch rapid.IntRange(0, 2).Draw(t, "sides") {
	case 0:
		return AtLeast(low)
	case 1:
		return AtMost(high)
	}
	return Between(low, high)
}

// More uncertainty never turns undecided into pass or fail, pass into fail, or
// fail into pass.
func TestMoreUncertaintyNeverDecides(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		limits := anyLimits(rt)
		value := rapid.Float64Range(-3e6, 3e6).Draw(rt, "value")
		small := rapid.Float64Range(0, 1e6).Draw(rt, "u")
		large := small + rapid.Float64Range(0, 1e6).Draw(rt, "more")
		a := mustJudge(t, value, StandardUncertainty(small), limits, Guarded).Verdict
		b := mustJudge(t, value, StandardUncertainty(large), limits, Guarded).Verdict
		if b != a && b != Inconclusive {
			rt.Fatalf("u %g: %v; u %g: %v", small, a, large, b)
		}
	})
}

// Limits closer together than 2U can never be passed by the guarded rule.
func TestNarrowLimitsNeverPass(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		low := rapid.Float64Range(-1e6, 1e6).Draw(rt, "low")
		u := rapid.Float64Range(1e-3, 1e6).Draw(rt, "U")
		high := low + 2*u*rapid.Float64Range(0, 0.999999).Draw(rt, "fraction")
		value := low + (high-low)*rapid.Float64Range(-1, 2).Draw(rt, "place")
		r := mustJudge(t, value, ExpandedUncertainty(u, 2), Between(low, high), Guarded)
		if r.Verdict == Pass || !r.NoneCanPass {
			rt.Fatalf("%+v", r)
		}
	})
}

// A pass says at least 97.7 % probability on a one-sided limit with k = 2, a
// fail at most 2.3 %; and the settling figure settles.
func TestVerdictAgainstProbability(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		limits := anyLimits(rt)
		value := rapid.Float64Range(-3e6, 3e6).Draw(rt, "value")
		u := rapid.Float64Range(1e-3, 1e6).Draw(rt, "u")
		r := mustJudge(t, value, StandardUncertainty(u), limits, anyRule.Draw(rt, "rule"))
		if r.Probability < 0 || r.Probability > 1 {
			rt.Fatalf("probability %g", r.Probability)
		}
		if r.Rule == Simple {
			return
		}
		if r.Verdict == Pass && r.Probability < 0.954 || r.Verdict == Fail && r.Probability > 0.0228 {
			rt.Fatalf("%v with probability %g", r.Verdict, r.Probability)
		}
		if r.Settle != nil && r.Settle.LargestExpanded > 0 {
			finer := ExpandedUncertainty(r.Settle.LargestExpanded*0.999999, 2)
			if again := mustJudge(t, value, finer, limits, Guarded); again.Verdict != r.Settle.Verdict {
				rt.Fatalf("%+v: with the finer instrument %v", r, again.Verdict)
			}
		}
	})
}
