package metric

import (
	"math"
	"testing"

	"proveout/scoring/picture/raster"
)

// Sharma, Wu and Dalal 2005, Table 1: all 34 pairs, as printed in the copy of
// the table that the open-source library scikit-image 0.19.3 ships for its own
// tests (skimage/color/tests/ciede2000_test_data.txt).
var sharma = []struct {
	p, q lab
	want float64
}{
	{lab{50.0000, 2.6772, -79.7751}, lab{50.0000, 0.0000, -82.7485}, 2.0425},
	{lab{50.0000, 3.1571, -77.2803}, lab{50.0000, 0.0000, -82.7485}, 2.8615},
	{lab{50.0000, 2.8361, -74.0200}, lab{50.0000, 0.0000, -82.7485}, 3.4412},
	{lab{50.0000, -1.3802, -84.2814}, lab{50.0000, 0.0000, -82.7485}, 1.0000},
	{lab{50.0000, -1.1848, -84.8006}, lab{50.0000, 0.0000, -82.7485}, 1.0000},
	{lab{50.0000, -0.9009, -85.5211}, lab{50.0000, 0.0000, -82.7485}, 1.0000},
	{lab{50.0000, 0.0000, 0.0000}, lab{50.0000, -1.0000, 2.0000}, 2.3669},
	{lab{50.0000, -1.0000, 2.0000}, lab{50.0000, 0.0000, 0.0000}, 2.3669},
	{lab{50.0000, 2.4900, -0.0010}, lab{50.0000, -2.4900, 0.0009}, 7.1792},
	{lab{50.0000, 2.4900, -0.0010}, lab{50.0000, -2.4900, 0.0010}, 7.1792},
	{lab{50.0000, 2.4900, -0.0010}, lab{50.0000, -2.4900, 0.0011}, 7.2195},
	{lab{50.0000, 2.4900, -0.0010}, lab{50.0000, -2.4900, 0.0012}, 7.2195},
	{lab{50.0000, -0.0010, 2.4900}, lab{50.0000, 0.0009, -2.4900}, 4.8045},
	{lab{50.0000, -0.0010, 2.4900}, lab{50.0000, 0.0010, -2.4900}, 4.8045},
	{lab{50.0000, -0.0010, 2.4900}, lab{50.0000, 0.0011, -2.4900}, 4.7461},
	{lab{50.0000, 2.5000, 0.0000}, lab{50.0000, 0.0000, -2.5000}, 4.3065},
	{lab{50.0000, 2.5000, 0.0000}, lab{73.0000, 25.0000, -18.0000}, 27.1492},
	{lab{50.0000, 2.5000, 0.0000}, lab{61.0000, -5.0000, 29.0000}, 22.8977},
	{lab{50.0000, 2.5000, 0.0000}, lab{56.0000, -27.0000, -3.0000}, 31.9030},
	{lab{50.0000, 2.5000, 0.0000}, lab{58.0000, 24.0000, 15.0000}, 19.4535},
	{lab{50.0000, 2.5000, 0.0000}, lab{50.0000, 3.1736, 0.5854}, 1.0000},
	{lab{50.0000, 2.5000, 0.0000}, lab{50.0000, 3.2972, 0.0000}, 1.0000},
	{lab{50.0000, 2.5000, 0.0000}, lab{50.0000, 1.8634, 0.5757}, 1.0000},
	{lab{50.0000, 2.5000, 0.0000}, lab{50.0000, 3.2592, 0.3350}, 1.0000},
	{lab{60.2574, -34.0099, 36.2677}, lab{60.4626, -34.1751, 39.4387}, 1.2644},
	{lab{63.0109, -31.0961, -5.8663}, lab{62.8187, -29.7946, -4.0864}, 1.2630},
	{lab{61.2901, 3.7196, -5.3901}, lab{61.4292, 2.2480, -4.9620}, 1.8731},
	{lab{35.0831, -44.1164, 3.7933}, lab{35.0232, -40.0716, 1.5901}, 1.8645},
	{lab{22.7233, 20.0904, -46.6940}, lab{23.0331, 14.9730, -42.5619}, 2.0373},
	{lab{36.4612, 47.8580, 18.3852}, lab{36.2715, 50.5065, 21.2231}, 1.4146},
	{lab{90.8027, -2.0831, 1.4410}, lab{91.1528, -1.6435, 0.0447}, 1.4441},
	{lab{90.9257, -0.5406, -0.9208}, lab{88.6381, -0.8985, -0.7239}, 1.5381},
	{lab{6.7747, -0.2908, -2.4247}, lab{5.8714, -0.0985, -2.2286}, 0.6377},
	{lab{2.0776, 0.0795, -1.1350}, lab{0.9033, -0.0636, -0.5514}, 0.9082},
}

func TestDeltaE2000(t *testing.T) {
	if len(sharma) != 34 {
		t.Fatalf("%d pairs", len(sharma))
	}
	const tol = 0.5e-4 + 1e-9 // the table prints four decimals
	for i, tt := range sharma {
		if got := tables().difference(tt.p, tt.q); math.Abs(got-tt.want) > tol {
			t.Errorf("pair %d: %.5f, want %.4f", i+1, got, tt.want)
		}
		if got := tables().difference(tt.q, tt.p); math.Abs(got-tt.want) > tol {
			t.Errorf("pair %d the other way: %.5f, want %.4f", i+1, got, tt.want)
		}
	}
}

// IEC 61966-2-1:1999: check points of the transfer function, computed from the
// constants of the standard.
func TestLinear(t *testing.T) {
	for v, want := range map[uint8]float64{0: 0, 1: 0.0003035270, 10: 0.0030352698, 11: 0.0033465358,
		64: 0.0512694584, 128: 0.2158605001, 192: 0.5271151257, 254: 0.9911020971, 255: 1} {
		if got := linear(v); math.Abs(got-want) > 5e-11 {
			t.Errorf("linear(%d) = %.11f, want %.10f", v, got, want)
		}
	}
}

// White is L = 100, a = b = 0; greys are neutral (CIE 15, definition).
func TestLabOfGreys(t *testing.T) {
	for v := range 256 {
		l := tables().lab(uint8(v), uint8(v), uint8(v))
		if math.Abs(l.a) > 1e-9 || math.Abs(l.b) > 1e-9 {
			t.Errorf("grey %d is not neutral: %v", v, l)
		}
	}
	if l := tables().lab(255, 255, 255); math.Abs(l.l-100) > 1e-9 {
		t.Errorf("white: %v", l)
	}
}

// pair makes two pictures that can be rebuilt anywhere: a linear congruential
// generator (Numerical Recipes constants, from memory) over gradients.
func pair(w, h int) (*raster.RGB, *raster.RGB) {
	a, b := raster.New(w, h), raster.New(w, h)
	s := uint32(12345)
	for i := range a.Pix {
		s = s*1664525 + 1013904223
		v := (i/3%w*3+i/3/w*2+i%3*40)%256/2 + int(s>>27)
		s = s*1664525 + 1013904223
		a.Pix[i] = uint8(v)
		b.Pix[i] = uint8(min(255, max(0, v+int(s>>28)-6)))
	}
	return a, b
}

func TestKnownPair(t *testing.T) {
	a, b := pair(96, 64)
	s, err := Compare(a, b, Whole)
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name      string
		got, want float64
		tol       float64
	}{ // computed with scikit-image 0.19.3 from the same samples
		{"PSNR", float64(s.PSNR), 34.436911460287, 1e-6},
		{"SSIM", s.SSIM, 0.926471188442875, 1e-6},
		{"mean difference", s.DeltaE.Mean, 3.300784473812756, 1e-3}, // its matrix has other digits
		{"99th percentile", s.DeltaE.P99, 9.415478714195775, 1e-2},
		{"MAE", s.MAE, 4.118218315972222, 1e-9},
	} {
		if math.Abs(tt.got-tt.want) > tt.tol {
			t.Errorf("%s = %.8f, want %.8f", tt.name, tt.got, tt.want)
		}
	}
}

func filled(p *raster.RGB) *raster.RGB {
	p.Fill(0, 0, p.Width, p.Height, 9, 9, 9)
	return p
}

func TestEqualPictures(t *testing.T) {
	a, _ := pair(40, 40)
	s, err := Compare(a, a, Whole)
	if err != nil || s.MAE != 0 || !math.IsInf(float64(s.PSNR), 1) || math.Abs(s.SSIM-1) > 1e-12 ||
		s.DeltaE.Mean != 0 ||
		s.Beyond != 0 {
		t.Errorf("%+v %v", s, err)
	}
	if _, err := Compare(a, raster.New(40, 41), Whole); err == nil {
		t.Error("pictures of two sizes are compared")
	}
	if _, err := Compare(raster.New(10, 40), filled(raster.New(10, 40)), Whole); err == nil {
		t.Error("a narrow picture has an SSIM")
	}
}

func TestWorstRegion(t *testing.T) {
	a := raster.New(100, 70)
	b := a.Clone()
	b.Fill(64, 32, 96, 64, 200, 200, 200)
	s, _ := Compare(a, b, Whole)
	if *s.Worst != (Worst{Region{64, 32, 32, 32}, 200}) {
		t.Errorf("worst region %+v", s.Worst)
	}
}

func BenchmarkCompare1600x1200(b *testing.B) {
	p, q := pair(1600, 1200)
	for b.Loop() {
		if _, err := Compare(p, q, Whole); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSSIM1600x1200(b *testing.B) {
	p, q := pair(1600, 1200)
	for b.Loop() {
		if _, err := similarityOf(p, q); err != nil {
			b.Fatal(err)
		}
	}
}
