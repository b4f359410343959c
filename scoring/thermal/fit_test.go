package thermal

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

type strd struct {
	name          string
	model         model
	starts        [2][]float64
	certified, sd []float64
	rss, sigma    float64
	x, y          []float64
}

func saturating(x float64, b, g []float64) float64 {
	e := math.Exp(-b[1] * x)
	if g != nil {
		g[0], g[1] = 1-e, b[0]*x*e
	}
	return b[0] * (1 - e)
}

func chwirut(x float64, b, g []float64) float64 {
	e, d := math.Exp(-b[0]*x), b[1]+b[2]*x
	y := e / d
	if g != nil {
		g[0], g[1], g[2] = -x*y, -y/d, -x*y/d
	}
	return y
}

func power(x float64, b, g []float64) float64 {
	p := math.Pow(x, b[1])
	if g != nil {
		g[0], g[1] = p, b[0]*p*math.Log(x)
	}
	return b[0] * p
}

func peak(x float64, b, g []float64) float64 {
	z := (x - b[2]) / b[1]
	e := math.Exp(-0.5*z*z) / b[1]
	if g != nil {
		g[0], g[1], g[2] = e, b[0]*e*(z*z-1)/b[1], b[0]*e*z/b[1]
	}
	return b[0] * e
}

func rational(x float64, b, g []float64, top int) float64 {
	num, den := 0.0, 1.0
	for i, p := 0, 1.0; i < top; i, p = i+1, p*x {
		num += b[i] * p
	}
	for i, p := top, x; i < len(b); i, p = i+1, p*x {
		den += b[i] * p
	}
	y := num / den
	if g != nil {
		for i, p := 0, 1.0; i < top; i, p = i+1, p*x {
			g[i] = p / den
		}
		for i, p := top, x; i < len(b); i, p = i+1, p*x {
			g[i] = -y * p / den
		}
	}
	return y
}

func quadratic(x float64, b, g []float64) float64 { return rational(x, b, g, 3) }
func cubic(x float64, b, g []float64) float64     { return rational(x, b, g, 4) }

func threeExponentials(x float64, b, g []float64) float64 {
	y := 0.0
	for k := 0; k < 6; k += 2 {
		e := math.Exp(-b[k+1] * x)
		y += b[k] * e
		if g != nil {
			g[k], g[k+1] = e, -b[k]*x*e
		}
	}
	return y
}

// digits is the number of significant figures in which got and want agree.
func digits(got, want float64) float64 {
	if got == want {
		return 11
	}
	return math.Min(11, -math.Log10(math.Abs(got-want)/math.Abs(want)))
}

// The certified values carry 11 digits. The saturating exponentials must be
// met to 8; the harder sets, which the thermal model does not need, as well.
func TestFitMeetsCertifiedValues(t *testing.T) {
	for _, set := range strdSets {
		for k, start := range set.starts {
			s, err := fit(set.model, set.x, set.y, start, 0, thorough)
			if err != nil {
				t.Errorf("%s from start %d: %v", set.name, k+1, err)
				continue
			}
			low := 11.0
			for i := range s.b {
				low = math.Min(low, digits(s.b[i], set.certified[i]))
			}
			sd := 11.0
			for i := range s.se {
				sd = math.Min(sd, digits(s.se[i], set.sd[i]))
			}
			rss := math.Min(digits(s.rss, set.rss), digits(s.sigma, set.sigma))
			t.Logf("%-10s start %d: parameters %.1f, standard errors %.1f, residuals %.1f digits",
				set.name, k+1, low, sd, rss)
			if low < 8 || sd < 8 || rss < 8 {
				t.Errorf("%s from start %d: parameters %.1f, standard errors %.1f, residuals %.1f digits; want 8",
					set.name, k+1, low, sd, rss)
			}
		}
	}
}

func TestFitRefuses(t *testing.T) {
	two := []float64{1, 2}
	if _, err := fit(saturating, two, two, []float64{1, 1}, 0, thorough); !errors.Is(err, errTooFewPoints) {
		t.Errorf("two points for two parameters: %v", err)
	}
	three := []float64{1, 2, 3}
	if _, err := fit(saturating, three, two, []float64{1, 1}, 0, thorough); err == nil {
		t.Error("unequal lengths were accepted")
	}
	if _, err := fit(saturating, three, three, []float64{math.NaN(), 1}, 0, thorough); err == nil {
		t.Error("a start that is no number was accepted")
	}
	flat := func(x float64, b, g []float64) float64 {
		if g != nil {
			g[0], g[1] = 1, 0
		}
		return b[0]
	}
	if _, err := fit(flat, []float64{1, 2, 3, 4}, []float64{1, 2, 1, 2}, []float64{0, 1}, 0, thorough); err == nil {
		t.Error("a parameter that does nothing was given a standard error")
	}
}

// A curve made from known parameters, without noise, gives them back.
func TestFitRecoversItsOwnCurve(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(1, 500).Draw(t, "a")
		k := rapid.Float64Range(0.05, 2).Draw(t, "k")
		x := make([]float64, 20)
		y := make([]float64, 20)
		for i := range x {
			x[i] = float64(i) / 2
			y[i] = saturating(x[i], []float64{a, k}, nil)
		}
		s, err := fit(saturating, x, y, []float64{a * 0.7, k * 1.6}, 0, thorough)
		if err != nil {
			t.Fatal(err)
		}
		if digits(s.b[0], a) < 8 || digits(s.b[1], k) < 8 {
			t.Fatalf("got %v, want %g %g", s.b, a, k)
		}
	})
}

func BenchmarkFitMisra1a(b *testing.B) {
	set := strdSets[0]
	for b.Loop() {
		if _, err := fit(set.model, set.x, set.y, set.starts[1], 0, thorough); err != nil {
			b.Fatal(err)
		}
	}
}
