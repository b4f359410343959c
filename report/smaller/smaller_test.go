package smaller

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// scene is a picture with slopes, edges, colours and a little noise.
func scene(w, h int) image.Image {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	noise := rand.New(rand.NewPCG(3, 5))
	for y := range h {
		for x := range w {
			n := noise.IntN(9)
			c := color.RGBA{uint8(x*200/w + n), uint8(y*200/h + n), uint8(100 + 90*math.Sin(float64(x+2*y)/17)), 255}
			if (x/37+y/23)%5 == 0 {
				c = color.RGBA{uint8(30 + n), 220, uint8(40 + n), 255}
			}
			img.SetRGBA(x, y, c)
		}
	}
	return img
}

func encoded(t testing.TB, img image.Image, quality int) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: quality}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// whole decodes a file with all its terms, by the code that takes fewer of them
// elsewhere.
func whole(t *testing.T, data []byte) *image.YCbCr {
	t.Helper()
	p := &picture{data: data, at: 2}
	if !p.head() {
		t.Fatal("the head cannot be read")
	}
	img := p.room(8)
	if img == nil || !p.scan(8) {
		t.Fatal("the scan cannot be read")
	}
	return img
}

func planes(img *image.YCbCr) [3]func(x, y int) byte {
	return [3]func(x, y int) byte{
		func(x, y int) byte { return img.Y[img.YOffset(x, y)] },
		func(x, y int) byte { return img.Cb[img.COffset(x, y)] },
		func(x, y int) byte { return img.Cr[img.COffset(x, y)] },
	}
}

// With all terms the samples are those of another decoder, that of Go's
// library, to within the one level that T.83 (ITU-T, 1994, annex A) and integer
// rounding leave open.
func TestAllTermsAsAnotherDecoder(t *testing.T) {
	for _, size := range [][2]int{{160, 96}, {161, 99}, {7, 5}, {1, 300}} {
		for _, quality := range []int{40, 90, 100} {
			data := encoded(t, scene(size[0], size[1]), quality)
			other, err := jpeg.Decode(bytes.NewReader(data))
			if err != nil {
				t.Fatal(err)
			}
			want, ok := other.(*image.YCbCr)
			if !ok {
				t.Fatalf("a %T", other)
			}
			got := whole(t, data)
			if got.Rect != want.Rect {
				t.Fatalf("%v, want %v", got.Rect, want.Rect)
			}
			for k, plane := range planes(got) {
				other := planes(want)[k]
				for y := range size[1] {
					for x := range size[0] {
						if d := int(plane(x, y)) - int(other(x, y)); d < -1 || d > 1 {
							t.Fatalf("%v at quality %d, plane %d: %d at %d, %d; the other decoder has %d", size, quality, k, plane(x, y), x, y, other(x, y))
						}
					}
				}
			}
		}
	}
}

// A smaller picture has in each place about the mean of what is there in the
// whole one.
func TestMeansStay(t *testing.T) {
	data := encoded(t, scene(800, 560), 90)
	all := whole(t, data)
	for n := 1; n <= 7; n++ {
		img, ok := Decode(data, 100*n)
		if !ok || img.Rect != image.Rect(0, 0, 100*n, 70*n) {
			t.Fatalf("%d/8: %v", n, img)
		}
		// A block of 8 × 8 has the mean of its n × n.
		worst := 0.0
		for y := range 70 {
			for x := range 100 {
				sum := 0.0
				for i := range 64 {
					sum += float64(all.Y[all.YOffset(x*8+i%8, y*8+i/8)])
				}
				mean := sum / 64
				sum = 0
				for i := range n * n {
					sum += float64(img.Y[img.YOffset(x*n+i%n, y*n+i/n)])
				}
				worst = max(worst, math.Abs(sum/float64(n*n)-mean))
			}
		}
		// Only samples cut off at black and white differ, beside rounding.
		if worst > 2 {
			t.Errorf("%d/8: the mean of a block is off by %.2f levels", n, worst)
		}
	}
}

// A picture at N/8 is what the cosine transform of SciPy makes of the whole one:
// the lowest N × N terms of each block of 8 × 8 samples, turned back with N
// points. (The samples it starts from are rounded, and those of black and white
// cut off, hence a few levels.)
func TestFewerTermsAsSciPy(t *testing.T) {
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import scipy").Run(); err != nil {
		if os.Getenv("PROVEOUT_ALL_CHECKS") == "1" {
			t.Fatal("SciPy is not installed, and all checks are asked for")
		}
		t.Skip("SciPy is not installed")
	}
	dir := t.TempDir()
	in, out := filepath.Join(dir, "in.raw"), filepath.Join(dir, "out.raw")
	const w, h = 320, 240
	data := encoded(t, scene(w, h), 92)
	all, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	y, ok := all.(*image.YCbCr)
	if !ok || y.YStride != w {
		t.Fatalf("a %T", all)
	}
	if err := os.WriteFile(in, y.Y[:w*h], 0o600); err != nil {
		t.Fatal(err)
	}
	script := `import sys, numpy as np
from scipy.fft import dctn, idctn
a = np.fromfile(sys.argv[1], np.uint8).astype(float).reshape(240, 320)
blocks = a.reshape(30, 8, 40, 8).transpose(0, 2, 1, 3)
terms = dctn(blocks, axes=(2, 3), norm='ortho')
with open(sys.argv[2], 'wb') as f:
    for n in range(1, 8):
        s = idctn(terms[:, :, :n, :n], axes=(2, 3), norm='ortho') * n / 8
        s = np.clip(np.floor(s + 0.5), 0, 255).astype(np.uint8)
        f.write(s.transpose(0, 2, 1, 3).reshape(30 * n, 40 * n).tobytes())`
	if said, err := exec.Command(python, "-c", script, in, out).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	want, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	for n := 1; n <= 7; n++ {
		got, ok := Decode(data, 40*n)
		if !ok || len(want) < 1200*n*n {
			t.Fatalf("%d/8: %v; SciPy has %d samples left", n, ok, len(want))
		}
		sum, worst := 0, 0
		for i, v := range want[:1200*n*n] {
			d := int(got.Y[got.YOffset(i%(40*n), i/(40*n))]) - int(v)
			sum, worst = sum+d*d, max(worst, d, -d)
		}
		want = want[1200*n*n:]
		rms := math.Sqrt(float64(sum) / float64(1200*n*n))
		t.Logf("%d/8: RMS %.3f, at most %d levels", n, rms, worst)
		if rms > 0.5 || worst > 3 {
			t.Errorf("%d/8: differs from SciPy by RMS %.2f levels, at most %d", n, rms, worst)
		}
	}
}

// What this decoder is not for is left to the other.
func TestLeftToOthers(t *testing.T) {
	good := encoded(t, scene(400, 300), 90)
	if _, ok := Decode(good, 100); !ok {
		t.Fatal("a good file is refused")
	}
	grey := encoded(t, image.NewGray(image.Rect(0, 0, 400, 300)), 90)
	for name, data := range map[string][]byte{
		"empty": nil, "cut": good[:len(good)/2], "without end": good[:len(good)-2], "grey": grey, "text": []byte("not a picture at all"),
		"more behind the scan": append(append([]byte{}, good[:len(good)-2]...), 1, 2, 0xFF, 0xD9),
	} {
		if _, ok := Decode(data, 100); ok {
			t.Errorf("%s: decoded", name)
		}
	}
	for _, least := range []int{0, -3, 400, 351} {
		if _, ok := Decode(good, least); ok {
			t.Errorf("least %d: decoded", least)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add(encoded(f, scene(40, 30), 90), 10)
	f.Add(encoded(f, scene(64, 64), 20), 33)
	f.Add(encoded(f, image.NewGray(image.Rect(0, 0, 20, 20)), 50), 10)
	f.Fuzz(func(t *testing.T, data []byte, least int) {
		if cfg, err := jpeg.DecodeConfig(bytes.NewReader(data)); err == nil && cfg.Width*cfg.Height > 1<<22 {
			return
		}
		img, ok := Decode(data, least)
		if !ok {
			return
		}
		cfg, err := jpeg.DecodeConfig(bytes.NewReader(data))
		if err != nil {
			t.Fatalf("decoded, but another decoder says %v", err)
		}
		if long := max(img.Rect.Dx(), img.Rect.Dy()); long < min(least, cfg.Width) || img.Rect.Dx() > cfg.Width || img.Rect.Dy() > cfg.Height {
			t.Errorf("%v of %d × %d, at least %d", img.Rect, cfg.Width, cfg.Height, least)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	data := encoded(b, scene(3000, 2000), 90)
	for _, least := range []int{1200, 8} {
		b.Run(map[int]string{1200: "half", 8: "eighth"}[least], func(b *testing.B) {
			for b.Loop() {
				if _, ok := Decode(data, least); !ok {
					b.Fatal("not decoded")
				}
			}
		})
	}
	b.Run("library", func(b *testing.B) {
		for b.Loop() {
			if _, err := jpeg.Decode(bytes.NewReader(data)); err != nil {
				b.Fatal(err)
			}
		}
	})
}
