package align

import (
	"math"
	"math/rand/v2"
	"os"
	"runtime/debug"
	"slices"
	"testing"

	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

// allChecks says that the full checks are wanted.
var allChecks = os.Getenv("PROVEOUT_ALL_CHECKS") == "1"

// usuallyOr is how many of something the usual run and the full checks try.
func usuallyOr(usually, all int) int {
	if allChecks {
		return all
	}
	return usually
}

// underRace says that the race detector is on, under which pictures take ten
// times as long.
var underRace = func() bool {
	info, ok := debug.ReadBuildInfo()
	return ok && slices.Contains(info.Settings, debug.BuildSetting{Key: "-race", Value: "true"})
}()

// notUnderRace leaves out long tests: nothing in this package runs on both cores.
func notUnderRace(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; the usual run tries this")
	}
}

func frameOf(t testing.TB, m pattern.Mode, name string) *pattern.Frame {
	p, err := pattern.ParseName(name, m)
	if err != nil {
		t.Fatal(err)
	}
	f, err := p.Render()
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func render(t testing.TB, m pattern.Mode, name string) *raster.RGB { return frameOf(t, m, name).RGB() }

func TestFindsScaleAndShift(t *testing.T) {
	notUnderRace(t)
	m := pattern.Mode{Width: 320, Height: 240, Format: pattern.RGB565}
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range usuallyOr(4, 18) {
		texture, name := Fine, "random-1"
		if i%3 == 2 {
			texture, name = Coarse, []string{"solid-black", "ramp", "grid", "text", "solid-red"}[i/3%5]
		}
		screen := render(t, m, name)
		d := simulate.Device{Noise: 8 * rng.Float64(), Blur: 0.7 * rng.Float64(), Scale: 1 + rng.Float64(),
			ShiftX: float64(rng.IntN(25) - 12), ShiftY: float64(rng.IntN(25) - 12)}
		switch i % 4 {
		case 0:
			d.Scale = 1
		case 1: // a frame of another size than the picture
			d.Width, d.Height = int(320*d.Scale)+20, int(240*d.Scale)+10
		}
		c, err := simulate.Capture(screen, d, uint64(i))
		if err != nil {
			t.Fatal(err)
		}
		f, err := Find(screen, c, texture)
		if err != nil {
			t.Errorf("%d %s %+v: %v %+v", i, name, d, err, f)
			continue
		}
		// Compare where the far corners land.
		tol := 0.3
		if texture == Coarse {
			tol = 0.4
		}
		for _, q := range [][2]float64{{0, 0}, {320, 240}} {
			ex := f.ScaleX*q[0] + f.ShiftX - d.Scale*q[0] - d.ShiftX
			ey := f.ScaleY*q[1] + f.ShiftY - d.Scale*q[1] - d.ShiftY
			if math.Abs(ex) > tol || math.Abs(ey) > tol {
				t.Errorf("%d %s %+v: off by %.2f, %.2f: %+v", i, name, d, ex, ey, f)
			}
		}
	}
}

// A coarse picture has few edges, and those at the top may be cut off: shifts of
// parts of a pixel and odd scales are found from what there is.
func TestCoarsePicturesAreLaidToAPartOfAPixel(t *testing.T) {
	notUnderRace(t)
	m := pattern.Mode{Width: 320, Height: 240, Format: pattern.RGB565}
	for i, tt := range []struct {
		name                  string
		scale, shiftX, shiftY float64
	}{
		{"ramp", 1, -7.1, -5.3}, {"plane-green-4", 1.139, 5.2, -4.6}, {"grid", 1.221, -4.2, -5.5},
		{"grid", 1.25, -1.2, -0.2}, {"ramp", 1.6, -3.8, 4.2}, {"plane-green-4", 1, 6.6, -5.9}, {"solid-red", 1.43, 3.1, 2.7},
	} {
		screen := render(t, m, tt.name)
		d := simulate.Device{Noise: 2, Blur: 0.3, Scale: tt.scale, ShiftX: tt.shiftX, ShiftY: tt.shiftY,
			Width: int(320*tt.scale) + 8, Height: int(240*tt.scale) + 8}
		c, err := simulate.Capture(screen, d, uint64(i))
		if err != nil {
			t.Fatal(err)
		}
		f, err := Find(screen, c, Coarse)
		if err != nil {
			t.Errorf("%+v: %v", tt, err)
			continue
		}
		const tol = 0.3 // capture pixels, at the far corners
		for _, q := range [][2]float64{{0, 0}, {320, 240}} {
			ex, ey := (f.ScaleX-d.Scale)*q[0]+f.ShiftX-d.ShiftX, (f.ScaleY-d.Scale)*q[1]+f.ShiftY-d.ShiftY
			if math.Abs(ex) > tol || math.Abs(ey) > tol {
				t.Errorf("%+v: off by %.2f, %.2f: %+v", tt, ex, ey, f)
			}
		}
	}
}

func TestNothingToFind(t *testing.T) {
	notUnderRace(t)
	m := pattern.Mode{Width: 320, Height: 240, Format: pattern.RGB565}
	screen := render(t, m, "random-1")
	if _, err := Find(screen, raster.New(320, 240), Fine); err != ErrFlat {
		t.Errorf("black: %v", err)
	}
	if _, err := Find(screen, render(t, m, "random-inverse-1"), Fine); err != ErrNoMatch {
		t.Errorf("the complement: %v", err)
	}
}

func BenchmarkFindSame(b *testing.B) { benchmark(b, simulate.Device{ShiftX: 3, ShiftY: -2}) }
func BenchmarkFindScaled(b *testing.B) {
	benchmark(b, simulate.Device{Scale: 1.37, ShiftX: 3, Width: 1500, Height: 1100})
}

func benchmark(b *testing.B, d simulate.Device) {
	screen := render(b, pattern.Mode{Width: 1024, Height: 768, Format: pattern.RGB565}, "random-1")
	c, _ := simulate.Capture(screen, d, 1)
	for b.Loop() {
		if _, err := Find(screen, c, Fine); err != nil {
			b.Fatal(err)
		}
	}
}
