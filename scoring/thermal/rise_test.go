package thermal

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// Textbook first-order step: T0 25 °C, 40 °C of rise, tau 300 s; the values
// are computed from the formula to six decimals, no source.
func TestRiseAgainstFirstOrderExamples(t *testing.T) {
	r := rise{t0: 25, tInf: 65, tau: 300}
	for at, want := range map[float64]float64{
		0: 25, 60: 32.250770, 150: 40.738774, 300: 50.284822, 600: 59.586589,
		900: 63.008517, 1500: 64.730482, 1800: 64.900850,
	} {
		if got := r.at(at); math.Abs(got-want) > 5e-7 {
			t.Errorf("at %g s: %.6f °C, want %.6f", at, got, want)
		}
	}
	// 2 °C per hour after MIL-STD-810, part one, 4.5.1 (from memory).
	since := (&curve{rise: r}).since(2.0 / 3600)
	if math.Abs(since-1644.192) > 5e-4 {
		t.Errorf("2 °C per hour reached after %.3f s, want 1644.192", since)
	}
	if got := r.slope(since); math.Abs(got-2.0/3600) > 1e-12 {
		t.Errorf("slope there is %g °C/s", got)
	}
}

func (r rise) at(t float64) float64 { return riseModel(t, []float64{r.t0, r.tInf, r.tau}, nil) }

func noisyRise(n int, span float64, r rise, noise, digit float64, seed uint64) (t, y []float64) {
	rng := rand.New(rand.NewPCG(seed, 1))
	for i := range n {
		at := math.Round(1000*span*float64(i)/float64(n-1)) / 1000
		v := r.at(at) + noise*rng.NormFloat64()
		if digit > 0 {
			v = math.Round(v/digit) * digit
		}
		t, y = append(t, at), append(y, v)
	}
	return t, y
}

// From the values that are read off a log the fit ends where it ends from the truth.
func TestFitRiseIsTheLeastSquaresMinimum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rise{
			t0: rapid.Float64Range(15, 60).Draw(t, "t0"), tau: rapid.Float64Range(30, 500).Draw(t, "tau"),
		}
		r.tInf = r.t0 + rapid.Float64Range(-30, 50).Filter(func(d float64) bool { return math.Abs(d) > 8 }).Draw(t, "rise")
		n := rapid.IntRange(4, 900).Draw(t, "n")
		digit := rapid.SampledFrom([]float64{0, 0.1, 1}).Draw(t, "digit")
		x, y := noisyRise(max(n, 12), 4*r.tau, r, 0.1, digit, rapid.Uint64().Draw(t, "seed"))
		got, err := fitRise(x, y, nil)
		want, err2 := fit(riseModel, x, y, []float64{r.t0, r.tInf, r.tau}, 0, thorough)
		if err != nil || err2 != nil {
			t.Fatal(err, err2)
		}
		for i := range want.b {
			if math.Abs(got.b[i]-want.b[i]) > 1e-5*want.se[i]+1e-9 || digits(got.se[i], want.se[i]) < 4 {
				t.Fatalf("parameter %d: %.12g ± %.9g, from the truth %.12g ± %.9g", i, got.b[i], got.se[i], want.b[i], want.se[i])
			}
		}
		if digits(got.rss, want.rss) < 9 {
			t.Fatalf("residual sum of squares %.12g, from the truth %.12g", got.rss, want.rss)
		}
		// With T0 given at its free optimum the rest does not move.
		fixed, err := fitRise(x, y, &want.b[0])
		if err != nil || fixed.b[0] != want.b[0] || digits(fixed.b[2], want.b[2]) < 6 {
			t.Fatalf("with T0 given: %v, %v; want tau %g", fixed.b, err, want.b[2])
		}
	})
}

// The truth lies within the stated standard errors about as often as it should.
func TestFitRiseStandardErrorsCover(t *testing.T) {
	r := rise{t0: 23, tInf: 68, tau: 240}
	inside, all := 0, 400
	for seed := range all {
		x, y := noisyRise(150, 1200, r, 0.3, 0, uint64(seed))
		s, err := fitRise(x, y, nil)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(s.b[1]-r.tInf) <= 1.96*s.se[1] {
			inside++
		}
	}
	if inside < 368 || inside > 392 { // 380 ± about 2.8 standard deviations
		t.Errorf("true T∞ inside ±1.96 standard errors in %d of %d fits, want about 380", inside, all)
	}
}

func BenchmarkFitRise(b *testing.B) {
	for _, n := range []int{120, 600, 2400, 4000} {
		x, y := noisyRise(n, 2400, rise{t0: 25, tInf: 65, tau: 300}, 0, 1, 1)
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			for b.Loop() {
				if _, err := fitRise(x, y, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
