package thermal_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
	"proveout/scoring/thermal"
)

// Textbook first-order step: T0 25 °C, 40 °C of rise, tau 300 s; the values
// are computed from the formula to six decimals, no source.
func TestRiseAgainstFirstOrderExamples(t *testing.T) {
	r := thermal.Rise{T0: 25, TInf: 65, Tau: 300}
	for at, want := range map[float64]float64{
		0: 25, 60: 32.250770, 150: 40.738774, 300: 50.284822, 600: 59.586589,
		900: 63.008517, 1500: 64.730482, 1800: 64.900850,
	} {
		if got := r.At(at); math.Abs(got-want) > 5e-7 {
			t.Errorf("at %g s: %.6f °C, want %.6f", at, got, want)
		}
	}
	// 2 °C per hour after MIL-STD-810, part one, 4.5.1 (from memory).
	if got := r.TimeToSlope(2.0 / 3600); math.Abs(got-1644.192) > 5e-4 {
		t.Errorf("2 °C per hour reached after %.3f s, want 1644.192", got)
	}
	if got := r.Slope(r.TimeToSlope(2.0 / 3600)); math.Abs(got-2.0/3600) > 1e-12 {
		t.Errorf("slope there is %g °C/s", got)
	}
}

func noisyRise(n int, span float64, r thermal.Rise, noise, digit float64, seed uint64) (t, y []float64) {
	rng := rand.New(rand.NewPCG(seed, 1))
	for i := range n {
		at := math.Round(1000*span*float64(i)/float64(n-1)) / 1000
		v := r.At(at) + noise*rng.NormFloat64()
		if digit > 0 {
			v = math.Round(v/digit) * digit
		}
		t, y = append(t, at), append(y, v)
	}
	return t, y
}

// The walk over a long log ends at the minimum that the general fit finds.
func TestFitRiseIsTheLeastSquaresMinimum(t *testing.T) {
	model := func(x float64, b, g []float64) float64 {
		e := math.Exp(-x / b[2])
		if g != nil {
			g[0], g[1], g[2] = e, 1-e, (b[0]-b[1])*e*x/(b[2]*b[2])
		}
		return b[1] + (b[0]-b[1])*e
	}
	rapid.Check(t, func(t *rapid.T) {
		r := thermal.Rise{
			T0: rapid.Float64Range(15, 60).Draw(t, "t0"), Tau: rapid.Float64Range(30, 500).Draw(t, "tau"),
		}
		r.TInf = r.T0 + rapid.Float64Range(-30, 50).Filter(func(d float64) bool { return math.Abs(d) > 8 }).Draw(t, "rise")
		n := rapid.IntRange(4, 900).Draw(t, "n")
		digit := rapid.SampledFrom([]float64{0, 0.1, 1}).Draw(t, "digit")
		x, y := noisyRise(max(n, 12), 4*r.Tau, r, 0.1, digit, rapid.Uint64().Draw(t, "seed"))
		got, err := thermal.FitRise(x, y, nil)
		want, err2 := thermal.Fit(model, x, y, []float64{r.T0, r.TInf, r.Tau})
		if err != nil || err2 != nil {
			t.Fatal(err, err2)
		}
		for i := range want.B {
			if math.Abs(got.B[i]-want.B[i]) > 1e-5*want.SE[i]+1e-9 || digits(got.SE[i], want.SE[i]) < 4 {
				t.Fatalf("parameter %d: %.12g ± %.9g, general fit %.12g ± %.9g", i, got.B[i], got.SE[i], want.B[i], want.SE[i])
			}
		}
		if digits(got.RSS, want.RSS) < 9 {
			t.Fatalf("residual sum of squares %.12g, general fit %.12g", got.RSS, want.RSS)
		}
		// With T0 given at its free optimum the rest does not move.
		fixed, err := thermal.FitRise(x, y, &want.B[0])
		if err != nil || digits(fixed.B[1], want.B[2]) < 6 {
			t.Fatalf("with T0 given: %v, %v; want tau %g", fixed.B, err, want.B[2])
		}
	})
}

// The truth lies within the stated standard errors about as often as it should.
func TestFitRiseStandardErrorsCover(t *testing.T) {
	r := thermal.Rise{T0: 23, TInf: 68, Tau: 240}
	inside, all := 0, 400
	for seed := range all {
		x, y := noisyRise(150, 1200, r, 0.3, 0, uint64(seed))
		s, err := thermal.FitRise(x, y, nil)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(s.B[1]-r.TInf) <= 1.96*s.SE[1] {
			inside++
		}
	}
	if inside < 368 || inside > 392 { // 380 ± about 2.8 standard deviations
		t.Errorf("true T∞ inside ±1.96 standard errors in %d of %d fits, want about 380", inside, all)
	}
}

func BenchmarkFitRise(b *testing.B) {
	for _, n := range []int{120, 600, 2400, 4000} {
		x, y := noisyRise(n, 2400, thermal.Rise{T0: 25, TInf: 65, Tau: 300}, 0, 1, 1)
		b.Run(itoa(n), func(b *testing.B) {
			for b.Loop() {
				if _, err := thermal.FitRise(x, y, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func itoa(n int) string {
	s := ""
	for ; n > 0; n /= 10 {
		s = string(rune('0'+n%10)) + s
	}
	return s
}
