//go:build unix

package picture

import (
	"bytes"
	"image/png"
	"os"
	"syscall"
	"testing"
	"time"

	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

// processorTimes returns the least processor time that each of two things takes
// in several runs in turn: other work on the machine hardly counts. It ends early
// when the second takes less than eight times the first.
func processorTimes(runs int, f, g func()) (a, b time.Duration) {
	used := func() time.Duration {
		var u syscall.Rusage
		_ = syscall.Getrusage(syscall.RUSAGE_SELF, &u)
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	a, b = time.Hour, time.Hour
	for k := range runs {
		if k >= 3 && b < 8*a { // well below the limit
			break
		}
		before := used()
		f()
		between := used()
		g()
		a, b = min(a, between-before), min(b, used()-between)
	}
	return a, b
}

// A whole comparison with all data lines takes less than ten times the
// processor time that decoding the two files takes.
func TestCompareIsQuick(t *testing.T) {
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("timed when PROVEOUT_ALL_CHECKS=1")
	}
	for _, format := range []pattern.Format{pattern.RGB565, pattern.RGB888} {
		f := show(t, pattern.Mode{Width: 1024, Height: 768, Format: format}, "random-1")
		for _, d := range []simulate.Device{{}, {Noise: 5, Blur: 0.4, ShiftX: 3, Gain: [3]float64{1.05, 1.05, 1.05}}, {Noise: 5, Blur: 0.4, ShiftX: 3, Scale: 1.25}} {
			c := captured(t, f, wide, d, 1)
			var fa, fb bytes.Buffer
			if err := png.Encode(&fa, f.RGB().Image()); err != nil {
				t.Fatal(err)
			}
			if err := png.Encode(&fb, c.Image()); err != nil {
				t.Fatal(err)
			}
			reading, comparing := processorTimes(16, func() {
				_, _, err1 := raster.Decode(bytes.NewReader(fa.Bytes()), raster.Limits{Bytes: 1 << 28, Pixels: 1 << 26, Side: 1 << 14})
				_, _, err2 := raster.Decode(bytes.NewReader(fb.Bytes()), raster.Limits{Bytes: 1 << 28, Pixels: 1 << 26, Side: 1 << 14})
				if err1 != nil || err2 != nil {
					t.Fatal(err1, err2)
				}
			}, func() {
				if r := compared(t, f, c, Options{Memory: &wide}); !r.Clean {
					t.Errorf("not clean: %+v", r.Findings)
				}
			})
			times := float64(comparing) / float64(reading)
			t.Logf("%s noise %g scale %g: decoding %v, comparing %v: %.1f times", format, d.Noise, d.Scale, reading, comparing, times)
			if times > 10 {
				t.Errorf("comparing takes %.1f times the decoding", times)
			}
		}
	}
}
