//go:build unix

package picture_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"proveout/scoring/memory"
	"proveout/scoring/picture"
	"proveout/scoring/picture/metric"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

// What the picture rooms compute and how long they take beside a peer, both in
// turn on one machine: the image metrics beside scikit-image, a whole comparison
// beside decoding its two files. Processor time counts, which other work on the
// machine hardly changes; the figures are printed, and the limits are wide.

func onlyInFullChecks(t *testing.T) {
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("PROVEOUT_ALL_CHECKS=1 compares with peers")
	}
}

func processorTime(f func()) float64 {
	used := func() time.Duration {
		var u syscall.Rusage
		_ = syscall.Getrusage(syscall.RUSAGE_SELF, &u)
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	before := used()
	f()
	return (used() - before).Seconds()
}

// oracle answers once for every line that it reads.
const oracle = `
import sys, json, time, numpy as np
from skimage.metrics import structural_similarity as ssim, peak_signal_noise_ratio as psnr
from skimage.color import rgb2lab, deltaE_ciede2000
for line in sys.stdin:
    fa, fb, w, h = json.loads(line)
    a = np.fromfile(fa, np.uint8).reshape(h, w, 3); b = np.fromfile(fb, np.uint8).reshape(h, w, 3)
    c = time.process_time()
    p = psnr(a, b, data_range=255)
    s = ssim(a, b, gaussian_weights=True, sigma=1.5, use_sample_covariance=False, data_range=255, channel_axis=-1)
    d = deltaE_ciede2000(rgb2lab(a), rgb2lab(b))
    c = time.process_time() - c
    print(json.dumps(dict(psnr=p, ssim=s, mean=d.mean(), p99=np.percentile(d, 99),
        mae=np.abs(a.astype(float)-b).mean(), processor=c)), flush=True)
`

type oracleAnswer struct{ PSNR, SSIM, Mean, P99, MAE, Processor float64 }

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

// apart makes two pictures that differ by up to so many levels.
func apart(rng *rand.Rand, w, h, levels int) (a, b *raster.RGB) {
	a, b = raster.New(w, h), raster.New(w, h)
	for k := range a.Pix {
		v := (k/3%w*3+k/3/w*2+k%3*40)%256/2 + rng.IntN(128)
		a.Pix[k] = uint8(v)
		b.Pix[k] = uint8(min(255, max(0, v+rng.IntN(2*levels+1)-levels)))
	}
	return a, b
}

// The metrics are those of scikit-image, and are computed eight times as fast with
// two cores in use, which half of the processor time tells, with a tenth on top
// for what two cores do not share evenly.
func TestMetricsBesideScikitImage(t *testing.T) {
	onlyInFullChecks(t)
	ask := scikit(t)
	rng := rand.New(rand.NewPCG(3, 4))
	sizes := [][2]int{{96, 64}, {333, 201}, {64 + rng.IntN(300), 64 + rng.IntN(300)}, {640, 480}, {1600, 1200}}
	for i, size := range sizes {
		a, b := apart(rng, size[0], size[1], 6<<i)
		var s metric.Score
		var err error
		busy := processorTime(func() { s, err = metric.Compare(a, b, metric.Whole) })
		want := ask(a, b)
		if err != nil {
			t.Fatal(err)
		}
		near := func(got, want, tolerance float64) bool { return math.Abs(got-want) <= tolerance }
		if !near(float64(s.PSNR), want.PSNR, 1e-6) || !near(s.SSIM, want.SSIM, 1e-6) ||
			!near(s.MAE, want.MAE, 1e-9) ||
			!near(s.DeltaE.Mean, want.Mean, 1e-3) ||
			!near(s.DeltaE.P99, want.P99, 1e-2) {
			t.Errorf("%v: %+v, scikit-image %+v", size, s, want)
		}
		if size[0] < 1000 {
			continue
		}
		times := want.Processor / (1.1 * busy / 2)
		t.Logf(
			"%v: %.3f s on each of two cores, scikit-image %.3f s: %.1f times",
			size,
			1.1*busy/2,
			want.Processor,
			times,
		)
		if times < 8 {
			t.Errorf("only %.1f times as fast as scikit-image", times)
		}
	}
}

// A whole comparison with all data lines takes less than ten times the processor
// time that decoding its two files takes: 2 to 6 times where this was written.
func TestComparingBesideDecoding(t *testing.T) {
	onlyInFullChecks(t)
	chips := memory.Bank{Designators: []string{"U1", "U2", "U3", "U4"}}
	org := memory.Organisation{Words: 1 << 20, ChipBits: 16, BusBits: 64, Banks: []memory.Bank{chips}}
	limits := raster.Limits{Bytes: 1 << 28, Pixels: 1 << 26, Side: 1 << 14}
	for _, format := range []pattern.Format{pattern.RGB565, pattern.RGB888} {
		p := pattern.Pattern{
			Mode:    pattern.Mode{Width: 1024, Height: 768, Format: format},
			Kind:    pattern.Random,
			Variant: 1,
		}
		f, err := p.Render()
		if err != nil {
			t.Fatal(err)
		}
		soft := simulate.Device{Noise: 5, Blur: 0.4, ShiftX: 3}
		scaled := soft
		scaled.Scale = 1.25
		for _, d := range []simulate.Device{{}, soft, scaled} {
			c, err := simulate.Capture(f.RGB(), d, 1)
			if err != nil {
				t.Fatal(err)
			}
			var files [2]bytes.Buffer
			if err := errors.Join(png.Encode(&files[0], f.RGB().Image()), png.Encode(&files[1], c.Image())); err != nil {
				t.Fatal(err)
			}
			decoding := processorTime(func() {
				for i := range files {
					if _, _, err := raster.Decode(bytes.NewReader(files[i].Bytes()), limits); err != nil {
						t.Error(err)
					}
				}
			})
			comparing := processorTime(func() {
				if r, err := picture.Compare(f, c, picture.Options{Memory: &org}); err != nil || !r.Clean {
					t.Error("not clean", err)
				}
			})
			times := comparing / decoding
			t.Logf("%s noise %g scale %g: decoding %.3f s, comparing %.3f s: %.1f times",
				format, d.Noise, d.Scale, decoding, comparing, times)
			if times > 10 {
				t.Errorf("comparing takes %.1f times the decoding", times)
			}
		}
	}
}
