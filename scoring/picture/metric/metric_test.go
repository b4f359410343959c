package metric

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
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

// The batches give what the formula gives, for every pair of colours.
func TestBatchesAgreeWithTheFormula(t *testing.T) {
	check := func(t *rapid.T, p, q [3]uint8) {
		w := &batchOf{n: 1}
		w.p[0], w.q[0] = ToLab(p[0], p[1], p[2]), ToLab(q[0], q[1], q[2])
		want := DeltaE2000(w.p[0], w.q[0])
		tables().differences(w)
		if got := w.result[0]; math.IsNaN(got) || math.Abs(got-want) > 1e-5*want+1e-7 {
			t.Fatalf("%v %v: %.7f, by the formula %.7f", p, q, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		var p, q [3]uint8
		for ch := range 3 {
			p[ch] = rapid.Byte().Draw(t, "p")
			q[ch] = uint8(min(255, max(0, int(p[ch])+rapid.IntRange(-9, 9).Draw(t, "near"))))
		}
		check(t, p, q)
		for ch := range 3 {
			q[ch] = rapid.Byte().Draw(t, "q")
		}
		check(t, p, q)
		check(t, [3]uint8{p[0], p[0], p[0]}, q) // a grey
		check(t, p, [3]uint8{^p[0], ^p[1], ^p[2]})
	})
}

// What is computed four samples at a time is exactly what is computed one by one.
func TestWeighingFourAtATime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 41).Draw(t, "samples")
		var k [radius + 1]float32
		for i := range k {
			k[i] = rapid.Float32Range(-1, 1).Draw(t, "weight")
		}
		row := rapid.SliceOfN(rapid.Float32Range(-40000, 40000), n+6*radius, n+6*radius).Draw(t, "row")
		var l [taps][]float32
		for i := range l {
			l[i] = row[3*i:]
		}
		got, want := make([]float32, n), make([]float32, n)
		plain := l
		for i := range plain {
			plain[i] = plain[i][:n]
		}
		weighPlain(want, &plain, &k)
		weigh(got, &l, &k)
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("sample %d of %d: %g, one by one %g", i, n, got[i], want[i])
			}
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
	sorted := []float64{0, 1e-7, 1, 4, 4, 5, 300, 300}
	for k := range v {
		var count histogram
		for _, x := range v {
			count[math.Float32bits(x)>>16]++
		}
		got, next := orderStatistics(v, &count, k)
		if math.Abs(got-sorted[k]) > 1e-12 || math.Abs(next-sorted[k+1]) > 1e-12 {
			t.Errorf("order %d: %g then %g, want %g then %g", k, got, next, sorted[k], sorted[k+1])
		}
	}
}

// oracle answers once for every line that it reads.
const oracle = `
import sys, json, time, numpy as np
from skimage.metrics import structural_similarity as ssim, peak_signal_noise_ratio as psnr
from skimage.color import rgb2lab, deltaE_ciede2000
for line in sys.stdin:
    fa, fb, w, h = json.loads(line)
    a = np.fromfile(fa, np.uint8).reshape(h, w, 3); b = np.fromfile(fb, np.uint8).reshape(h, w, 3)
    t, c = time.perf_counter(), time.process_time()
    p = psnr(a, b, data_range=255)
    s = ssim(a, b, gaussian_weights=True, sigma=1.5, use_sample_covariance=False, data_range=255, channel_axis=-1)
    d = deltaE_ciede2000(rgb2lab(a), rgb2lab(b))
    t, c = time.perf_counter() - t, time.process_time() - c
    print(json.dumps(dict(psnr=p, ssim=s, mean=d.mean(), p99=np.percentile(d, 99), mae=np.abs(a.astype(float)-b).mean(), seconds=t, processor=c)), flush=True)
`

type oracleAnswer struct{ PSNR, SSIM, Mean, P99, MAE, Seconds, Processor float64 }

// scikit starts scikit-image and returns how to ask it about a pair.
func scikit(t testing.TB) func(a, b *raster.RGB) oracleAnswer {
	cmd := exec.Command("/usr/bin/python3", "-c", oracle)
	cmd.Stderr = os.Stderr
	in, err1 := cmd.StdinPipe()
	out, err2 := cmd.StdoutPipe()
	if err := errors.Join(err1, err2, cmd.Start()); err != nil {
		t.Fatalf("scikit-image (Debian package python3-skimage): %v", err)
	}
	t.Cleanup(func() {
		in.Close()
		if err := cmd.Wait(); err != nil {
			t.Error(err)
		}
	})
	dir := t.TempDir()
	answers := json.NewDecoder(out)
	return func(a, b *raster.RGB) (ans oracleAnswer) {
		t.Helper()
		fa, fb := filepath.Join(dir, "a"), filepath.Join(dir, "b")
		err := errors.Join(os.WriteFile(fa, a.Pix, 0o600), os.WriteFile(fb, b.Pix, 0o600),
			json.NewEncoder(in).Encode([]any{fa, fb, a.Width, a.Height}))
		if err = errors.Join(err, answers.Decode(&ans)); err != nil {
			t.Fatalf("scikit-image (Debian package python3-skimage) did not answer: %v", err)
		}
		return ans
	}
}

func TestAgainstScikitImage(t *testing.T) {
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("compared with scikit-image when PROVEOUT_ALL_CHECKS=1")
	}
	ask := scikit(t)
	for _, size := range [][2]int{{96, 64}, {333, 201}, {640, 480}, {1600, 1200}} {
		a, b := pair(size[0], size[1])
		want := ask(a, b)
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
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range 6 { // from slightly to wholly different
		a := raster.New(64+rng.IntN(300), 64+rng.IntN(300))
		b := a.Clone()
		for k := range a.Pix {
			a.Pix[k] = uint8(rng.Uint32())
			b.Pix[k] = uint8(min(255, max(0, int(a.Pix[k])+rng.IntN(2<<(i+2))-(1<<(i+2)))))
		}
		want := ask(a, b)
		s, err := Compare(a, b)
		if err != nil || math.Abs(s.PSNR-want.PSNR) > 1e-6 || math.Abs(s.SSIM-want.SSIM) > 1e-6 {
			t.Errorf("random %d: %v %+v, scikit-image %+v", i, err, s, want)
		}
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
