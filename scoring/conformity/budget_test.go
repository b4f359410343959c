package conformity

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"

	"proveout/plans/fact"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.12g, want %.12g ± %g", what, got, want, tol)
	}
}

// JCGM 100:2008, 4.4.3 and table 1: twenty temperature readings in °C; the
// guide prints mean 100.145, s 1.489, s/√n 0.333.
func TestRepeatabilityGUMTable1(t *testing.T) {
	readings := []float64{96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
		100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72}
	c, err := Repeatability(named("repeat"), readings)
	if err != nil {
		t.Fatal(err)
	}
	b, err := Combine(c)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "s", c.Value, 1.489, 0.0005)
	near(t, "s/√n", b.Standard, 0.333, 0.0005)
	if b.DoF == nil || math.Abs(*b.DoF-19) > 1e-9 {
		t.Errorf("degrees of freedom %v, want 19", b.DoF)
	}
}

// JCGM 100:2008, table H.1 (end gauge), in nm. The guide prints the lines 25,
// 9.7, 2.9 and 16.6 nm, u_c² = 1002 nm², u_c = 32 nm, ν_eff = 16.7 truncated to
// 16, t_99(16) = 2.92. Its own line of 16.6 nm comes from 0.05 °C/√3, which the
// table rounds to 0.029 °C; the half-width is used here.
func TestCombineGUMEndGauge(t *testing.T) {
	const length = 50.000623e6 // nm
	b, err := Combine(
		Contribution{Name: named("standard"), Distribution: Normal, Value: 75, K: 3, DoF: 18},
		Contribution{Name: named("difference"), Distribution: Normal, Value: 9.7, K: 1, DoF: 25.6},
		Contribution{Name: named("of expansions"), Distribution: Rectangular, Value: 1e-6 * length * 0.1, DoF: 50},
		Contribution{Name: named("of temperatures"), Distribution: Rectangular, Value: 0.05 * length * 11.5e-6, DoF: 2},
	)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{25, 9.7, 2.9, 16.6} {
		near(t, nameOf(b.Contributions[i]), b.Contributions[i].Standard, want, 0.05)
	}
	near(t, "u_c²", b.Standard*b.Standard, 1002, 1)
	near(t, "u_c", b.Standard, 32, 0.5)
	near(t, "ν_eff", *b.DoF, 16.7, 0.1)
	k := CoverageFactor(0.99, math.Floor(*b.DoF))
	near(t, "t_99", k, 2.92, 0.005)
	near(t, "U_99", k*b.Standard, 93, 1)
	var shares float64
	for _, c := range b.Contributions {
		shares += c.Share
	}
	near(t, "sum of shares", shares, 1, 1e-12)
	// Table G.2: 2.17 with 16 degrees of freedom, 2.16 with 17.
	near(t, "k", b.K, 2.165, 0.006)
	near(t, "U", b.Expanded, b.K*b.Standard, 1e-12)
}

// JCGM 100:2008, table G.2, column 95.45 %: the factor for the mean of ν+1 readings.
func TestFactorOfFewReadings(t *testing.T) {
	for dof, want := range map[int]float64{
		1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 6: 2.52, 7: 2.43, 8: 2.37, 9: 2.32, 10: 2.28, 20: 2.13,
	} {
		readings := make([]float64, dof+1)
		for i := range readings {
			readings[i] = float64(i % 2)
		}
		lines, err := Readings(named("scatter"), named("display"), readings, 0)
		if err != nil {
			t.Fatal(err)
		}
		b, err := Combine(lines...)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "k", b.K, want, 0.005)
	}
}

// Two readings, 1 and 2, say with t(1) that the true value lies below 5 in no more
// than 1/2 + atan(7)/π of cases, and whatever else is uncertain makes U no smaller.
func TestTwoReadings(t *testing.T) {
	least := CoverageFactor(math.Erf(math.Sqrt2), 1) / 2
	for _, step := range []float64{0, 0.01, 0.3, 1, 3, 30} {
		lines, err := Readings(named("scatter"), named("display"), []float64{1, 2}, step)
		if err != nil {
			t.Fatal(err)
		}
		b, err := Combine(lines...)
		if err != nil {
			t.Fatal(err)
		}
		if b.Expanded < least*(1-1e-6) || b.Expanded < 2*step/math.Sqrt(12) || b.K < 2 {
			t.Errorf("step %g: U = %g, k = %g", step, b.Expanded, b.K)
		}
		r := mustJudge(t, 1.5, b.Uncertainty(), AtMost(5), Guarded)
		if step <= 1 && (r.Verdict != Inconclusive || r.Probability > 0.9553) {
			t.Errorf("step %g: %v with probability %g", step, r.Verdict, r.Probability)
		}
		if step == 0 {
			near(t, "probability", float64(r.Probability), 0.5+math.Atan(7)/math.Pi, 1e-9)
		}
	}
}

// Equal readings of a display without a known step leave their uncertainty open;
// with it, half a step stands in (JCGM 100:2008, F.2.2.1: 0.29 of a step).
func TestEqualReadings(t *testing.T) {
	if lines, err := Readings(named("scatter"), named("display"), []float64{3, 3, 3}, 0); err == nil {
		t.Errorf("%+v", lines)
	}
	lines, err := Readings(named("scatter"), named("display"), []float64{3, 3, 3}, 1)
	if err != nil {
		t.Fatal(err)
	}
	b, err := Combine(lines...)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u", b.Standard, 0.29, 0.005)
	near(t, "k", b.K, 2, 0)
}

// Played out: U of 2 to 10 readings covers the true value in 95.45 % of cases, where
// k = 2 would in 70 % (n = 2).
func TestFewReadingsCover(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 4))
	for _, n := range []int{2, 3, 5, 10} {
		const sets = 20000
		covered := 0
		for range sets {
			readings := make([]float64, n)
			for i := range readings {
				readings[i] = rng.NormFloat64()
			}
			line, err := Repeatability(named("scatter"), readings)
			if err != nil {
				t.Fatal(err)
			}
			b, err := Combine(line)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(stat.Mean(readings, nil)) <= b.Expanded {
				covered++
			}
		}
		near(t, "coverage", float64(covered)/sets, 0.9545, 4*math.Sqrt(0.9545*0.0455/sets))
	}
}

// JCGM 100:2008: H.1.3.3 (rectangular 2e-6 gives 1.2e-6), H.1.3.2 (0.01 µm at
// 95 % with 5 degrees of freedom gives 3.9 nm), F.2.2.1 (step δx gives 0.29 δx).
func TestDivisors(t *testing.T) {
	k := CoverageFactor(0.95, 5)
	for _, tt := range []struct {
		c    Contribution
		want float64
		tol  float64
	}{
		{InstrumentLimits(named("α"), 2e-6, 0), 1.2e-6, 0.05e-6},
		{InstrumentLimits(named("comparator"), 10e-9, k), 3.9e-9, 0.05e-9},
		{Resolution(named("display"), 1), 0.29, 0.005},
	} {
		b, err := Combine(tt.c)
		if err != nil {
			t.Fatal(err)
		}
		near(t, nameOf(tt.c), b.Standard, tt.want, tt.tol)
	}
}

// JCGM 100:2008, table G.2: 16 degrees of freedom, 95 % and 95.45 %.
func TestCoverageFactor(t *testing.T) {
	for _, tt := range []struct{ p, dof, want, tol float64 }{
		{0.95, 16, 2.12, 0.005},
		{0.9545, 16, 2.17, 0.005},
		{0.95, 17, 2.110, 0.0005},
		{0.95, math.Inf(1), 1.960, 0.0005},
		{0.95, 1, 12.706, 0.0005},       // Student t table, two-sided 95 %
		{0.95, 100, 1.984, 0.0005},      // the same
		{0.9545, math.Inf(1), 2, 0.001}, // normal
	} {
		k := CoverageFactor(tt.p, tt.dof)
		near(t, "k", k, tt.want, tt.tol)
	}
	for _, bad := range [][2]float64{{0, 5}, {1, 5}, {math.NaN(), 5}, {0.9, 0}, {0.9, math.NaN()}} {
		if k := CoverageFactor(bad[0], bad[1]); !math.IsNaN(k) {
			t.Errorf("CoverageFactor(%g, %g) = %g", bad[0], bad[1], k)
		}
	}
}

// A meter of ±1.5 °C, a 1 °C display and three readings: what a person works
// out with a pocket calculator.
func TestBudgetOfAThermometer(t *testing.T) {
	repeat, err := Repeatability(named("three readings"), []float64{71, 72, 71})
	if err != nil {
		t.Fatal(err)
	}
	b, err := Combine(InstrumentLimits(named("probe"), 1.5, 0), Resolution(named("display"), 1), repeat)
	if err != nil {
		t.Fatal(err)
	}
	u := math.Sqrt(1.5*1.5/3 + 1.0/12 + (1.0/3)/3)
	near(t, "u", b.Standard, u, 1e-12)
	// ν = 2 u⁴/(1/3²)² = 141: table G.2 has 2.03 for 50 and 2.025 for 100 of them.
	near(t, "U", b.Expanded, 2.02*u, 0.01*u)
}

func TestCombineRefuses(t *testing.T) {
	for name, lines := range map[string][]Contribution{
		"nothing":         {},
		"negative":        {InstrumentLimits(named("x"), -1, 0)},
		"not a number":    {InstrumentLimits(named("x"), math.NaN(), 0)},
		"infinite":        {Resolution(named("x"), math.Inf(1))},
		"negative k":      {InstrumentLimits(named("x"), 1, -2)},
		"no distribution": {{Name: named("x"), Value: 1}},
		"no n":            {{Name: named("x"), Distribution: TypeA, Value: 1}},
		"negative dof":    {{Name: named("x"), Distribution: Rectangular, Value: 1, DoF: -1}},
	} {
		if b, err := Combine(lines...); err == nil || b.Standard != 0 {
			t.Errorf("%s: %v, %v: want an error and no budget", name, b, err)
		}
	}
	_, err := Combine(InstrumentLimits(named("good"), 1, 0), InstrumentLimits(named("bad"), -1, 0))
	if err == nil || !strings.Contains(err.Error(), "bad") {
		t.Errorf("the line that cannot be used should be named: %v", err)
	}
	if _, err := Repeatability(named("one"), []float64{1}); err == nil {
		t.Error("one reading shows no repeatability")
	}
	if _, err := Repeatability(named("nan"), []float64{1, math.NaN()}); err == nil {
		t.Error("NaN is not a reading")
	}
}

func named(name string) fact.Fact { return fact.Text(fact.Name(name)) }

func nameOf(c Contribution) string {
	name, _ := c.Name.Args["text"].(fact.Name)
	return string(name)
}
