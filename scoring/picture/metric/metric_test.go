package metric

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"pgregory.net/rapid"

	"proveout/scoring/picture/raster"
)

// Sharma, Wu and Dalal 2005, Table 1: all 34 pairs, as printed in the copy of
// the table that the open-source library scikit-image 0.19.3 ships for its own
// tests (skimage/color/tests/ciede2000_test_data.txt).
var sharma = []struct {
	p, q Lab
	want float64
}{
	{Lab{50.0000, 2.6772, -79.7751}, Lab{50.0000, 0.0000, -82.7485}, 2.0425},
	{Lab{50.0000, 3.1571, -77.2803}, Lab{50.0000, 0.0000, -82.7485}, 2.8615},
	{Lab{50.0000, 2.8361, -74.0200}, Lab{50.0000, 0.0000, -82.7485}, 3.4412},
	{Lab{50.0000, -1.3802, -84.2814}, Lab{50.0000, 0.0000, -82.7485}, 1.0000},
	{Lab{50.0000, -1.1848, -84.8006}, Lab{50.0000, 0.0000, -82.7485}, 1.0000},
	{Lab{50.0000, -0.9009, -85.5211}, Lab{50.0000, 0.0000, -82.7485}, 1.0000},
	{Lab{50.0000, 0.0000, 0.0000}, Lab{50.0000, -1.0000, 2.0000}, 2.3669},
	{Lab{50.0000, -1.0000, 2.0000}, Lab{50.0000, 0.0000, 0.0000}, 2.3669},
	{Lab{50.0000, 2.4900, -0.0010}, Lab{50.0000, -2.4900, 0.0009}, 7.1792},
	{Lab{50.0000, 2.4900, -0.0010}, Lab{50.0000, -2.4900, 0.0010}, 7.1792},
	{Lab{50.0000, 2.4900, -0.0010}, Lab{50.0000, -2.4900, 0.0011}, 7.2195},
	{Lab{50.0000, 2.4900, -0.0010}, Lab{50.0000, -2.4900, 0.0012}, 7.2195},
	{Lab{50.0000, -0.0010, 2.4900}, Lab{50.0000, 0.0009, -2.4900}, 4.8045},
	{Lab{50.0000, -0.0010, 2.4900}, Lab{50.0000, 0.0010, -2.4900}, 4.8045},
	{Lab{50.0000, -0.0010, 2.4900}, Lab{50.0000, 0.0011, -2.4900}, 4.7461},
	{Lab{50.0000, 2.5000, 0.0000}, Lab{50.0000, 0.0000, -2.5000}, 4.3065},
	{Lab{50.0000, 2.5000, 0.0000}, Lab{73.0000, 25.0000, -18.0000}, 27.1492},
	{Lab{50.0000, 2.5000, 0.0000}, Lab{61.0000, -5.0000, 29.0000}, 22.8977},
	{Lab{50.0000, 2.5000, 0.0000}, Lab{56.0000, -27.0000, -3.0000}, 31.9030},
	{Lab{50.0000, 2.5000, 0.0000}, Lab{58.0000, 24.0000, 15.0000}, 19.4535},
	{Lab{50.0000, 2.5000, 0.0000}, Lab{50.0000, 3.1736, 0.5854}, 1.0000},
	{Lab{50.0000, 2.5000, 0.0000}, Lab{50.0000, 3.2972, 0.0000}, 1.0000},
	{Lab{50.0000, 2.5000, 0.0000}, Lab{50.0000, 1.8634, 0.5757}, 1.0000},
	{Lab{50.0000, 2.5000, 0.0000}, Lab{50.0000, 3.2592, 0.3350}, 1.0000},
	{Lab{60.2574, -34.0099, 36.2677}, Lab{60.4626, -34.1751, 39.4387}, 1.2644},
	{Lab{63.0109, -31.0961, -5.8663}, Lab{62.8187, -29.7946, -4.0864}, 1.2630},
	{Lab{61.2901, 3.7196, -5.3901}, Lab{61.4292, 2.2480, -4.9620}, 1.8731},
	{Lab{35.0831, -44.1164, 3.7933}, Lab{35.0232, -40.0716, 1.5901}, 1.8645},
	{Lab{22.7233, 20.0904, -46.6940}, Lab{23.0331, 14.9730, -42.5619}, 2.0373},
	{Lab{36.4612, 47.8580, 18.3852}, Lab{36.2715, 50.5065, 21.2231}, 1.4146},
	{Lab{90.8027, -2.0831, 1.4410}, Lab{91.1528, -1.6435, 0.0447}, 1.4441},
	{Lab{90.9257, -0.5406, -0.9208}, Lab{88.6381, -0.8985, -0.7239}, 1.5381},
	{Lab{6.7747, -0.2908, -2.4247}, Lab{5.8714, -0.0985, -2.2286}, 0.6377},
	{Lab{2.0776, 0.0795, -1.1350}, Lab{0.9033, -0.0636, -0.5514}, 0.9082},
}

func TestDeltaE2000(t *testing.T) {
	if len(sharma) != 34 {
		t.Fatalf("%d pairs", len(sharma))
	}
	const tol = 0.5e-4 + 1e-9 // the table prints four decimals
	for i, tt := range sharma {
		if got := DeltaE2000(tt.p, tt.q); math.Abs(got-tt.want) > tol {
			t.Errorf("pair %d: %.5f, want %.4f", i+1, got, tt.want)
		}
		if got := DeltaE2000(tt.q, tt.p); math.Abs(got-tt.want) > tol {
			t.Errorf("pair %d the other way: %.5f, want %.4f", i+1, got, tt.want)
		}
	}
}

// IEC 61966-2-1:1999: check points of the transfer function, computed from the
// constants of the standard.
func TestLinear(t *testing.T) {
	for v, want := range map[uint8]float64{0: 0, 1: 0.0003035270, 10: 0.0030352698, 11: 0.0033465358,
		64: 0.0512694584, 128: 0.2158605001, 192: 0.5271151257, 254: 0.9911020971, 255: 1} {
		if got := Linear(v); math.Abs(got-want) > 5e-11 {
			t.Errorf("Linear(%d) = %.11f, want %.10f", v, got, want)
		}
	}
}

// White is L = 100, a = b = 0; greys are neutral (CIE 15, definition).
func TestLabOfGreys(t *testing.T) {
	for v := range 256 {
		l := ToLab(uint8(v), uint8(v), uint8(v))
		if math.Abs(l.A) > 1e-9 || math.Abs(l.B) > 1e-9 {
			t.Errorf("grey %d is not neutral: %v", v, l)
		}
	}
	if l := ToLab(255, 255, 255); math.Abs(l.L-100) > 1e-9 {
		t.Errorf("white: %v", l)
	}
}

func TestLabTablesAgree(t *testing.T) {
	tab := tables()
	rapid.Check(t, func(t *rapid.T) {
		r, g, b := rapid.Byte().Draw(t, "r"), rapid.Byte().Draw(t, "g"), rapid.Byte().Draw(t, "b")
		p, q := ToLab(r, g, b), tab.lab(r, g, b)
		if math.Abs(p.L-q.L) > 1e-4 || math.Abs(p.A-q.A) > 1e-4 || math.Abs(p.B-q.B) > 1e-4 {
			t.Fatalf("%d,%d,%d: %v by table %v", r, g, b, p, q)
		}
	})
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
	s, err := Compare(a, b)
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name      string
		got, want float64
		tol       float64
	}{ // computed with scikit-image 0.19.3 from the same samples
		{"PSNR", s.PSNR, 34.436911460287, 1e-6},
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

func TestEqualPictures(t *testing.T) {
	a, _ := pair(40, 40)
	s, err := Compare(a, a)
	if err != nil || s.MAE != 0 || !math.IsInf(s.PSNR, 1) || math.Abs(s.SSIM-1) > 1e-12 || s.DeltaE.Mean != 0 || s.Beyond != 0 {
		t.Errorf("%+v %v", s, err)
	}
	if _, err := Compare(a, raster.New(40, 41)); err == nil {
		t.Error("pictures of two sizes are compared")
	}
	if _, err := SSIM(raster.New(10, 40), raster.New(10, 40)); err == nil {
		t.Error("a narrow picture has an SSIM")
	}
}

func TestWorstRegionAndOrder(t *testing.T) {
	a := raster.New(100, 70)
	b := a.Clone()
	b.Fill(64, 32, 96, 64, 200, 200, 200)
	s, _ := Compare(a, b)
	if s.Worst != (Region{64, 32, 32, 32, 200}) {
		t.Errorf("worst region %+v", s.Worst)
	}
	v := []float32{5, 1, 4, 4, 0, 1e-7, 300}
	for k, want := range []float64{0, 1e-7, 1, 4, 4, 5, 300} {
		if got := orderStatistic(v, k); math.Abs(got-want) > 1e-12 {
			t.Errorf("order %d: %g, want %g", k, got, want)
		}
	}
}

const oracle = `
import sys, json, time, numpy as np
from skimage.metrics import structural_similarity as ssim, peak_signal_noise_ratio as psnr
from skimage.color import rgb2lab, deltaE_ciede2000
w, h = int(sys.argv[3]), int(sys.argv[4])
a = np.fromfile(sys.argv[1], np.uint8).reshape(h, w, 3); b = np.fromfile(sys.argv[2], np.uint8).reshape(h, w, 3)
t = time.perf_counter()
p = psnr(a, b, data_range=255)
s = ssim(a, b, gaussian_weights=True, sigma=1.5, use_sample_covariance=False, data_range=255, channel_axis=-1)
d = deltaE_ciede2000(rgb2lab(a), rgb2lab(b))
t = time.perf_counter() - t
print(json.dumps(dict(psnr=p, ssim=s, mean=d.mean(), p99=np.percentile(d, 99), mae=np.abs(a.astype(float)-b).mean(), seconds=t)))
`

type oracleAnswer struct{ PSNR, SSIM, Mean, P99, MAE, Seconds float64 }

func ask(t testing.TB, a, b *raster.RGB) oracleAnswer {
	dir := t.TempDir()
	fa, fb := filepath.Join(dir, "a"), filepath.Join(dir, "b")
	if err := os.WriteFile(fa, a.Pix, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(fb, b.Pix, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("/usr/bin/python3", "-c", oracle, fa, fb, fmt.Sprint(a.Width), fmt.Sprint(a.Height)).Output()
	if err != nil {
		t.Fatalf("scikit-image (Debian package python3-skimage) did not answer: %v", err)
	}
	var ans oracleAnswer
	if err := json.NewDecoder(bytes.NewReader(out)).Decode(&ans); err != nil {
		t.Fatal(err)
	}
	return ans
}

func TestAgainstScikitImage(t *testing.T) {
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("compared with scikit-image when PROVEOUT_ALL_CHECKS=1")
	}
	for _, size := range [][2]int{{96, 64}, {333, 201}, {640, 480}, {1600, 1200}} {
		a, b := pair(size[0], size[1])
		want := ask(t, a, b)
		s, err := Compare(a, b)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%v: %+v", size, want)
		if math.Abs(s.PSNR-want.PSNR) > 1e-6 || math.Abs(s.SSIM-want.SSIM) > 1e-6 || math.Abs(s.MAE-want.MAE) > 1e-9 ||
			math.Abs(s.DeltaE.Mean-want.Mean) > 1e-3 || math.Abs(s.DeltaE.P99-want.P99) > 1e-2 {
			t.Errorf("%v: %+v, scikit-image %+v", size, s, want)
		}
	}
	// The speed promise: eight times on one machine in one run, two cores.
	a, b := pair(1600, 1200)
	want := ask(t, a, b)
	best := math.Inf(1)
	for range 3 {
		r := testing.Benchmark(func(b2 *testing.B) {
			for b2.Loop() {
				Compare(a, b)
			}
		})
		best = min(best, r.T.Seconds()/float64(r.N))
	}
	t.Logf("scikit-image %.3f s, here %.3f s: %.1f times", want.Seconds, best, want.Seconds/best)
	// Beside the tests of other packages the two cores are shared and the
	// figure drops; below a third of the promise something is wrong with it.
	if want.Seconds < 8.0/3*best {
		t.Errorf("only %.1f times faster", want.Seconds/best)
	}
}

func BenchmarkCompare1600x1200(b *testing.B) {
	p, q := pair(1600, 1200)
	for b.Loop() {
		if _, err := Compare(p, q); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSSIM1600x1200(b *testing.B) {
	p, q := pair(1600, 1200)
	for b.Loop() {
		if _, err := SSIM(p, q); err != nil {
			b.Fatal(err)
		}
	}
}
