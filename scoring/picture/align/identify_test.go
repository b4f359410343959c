package align

import (
	"errors"
	"testing"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

// Every pattern is told again after a capture device shifted, scaled and
// blurred it, as far as the analysis of captures is meant to reach: ±12 pixels,
// scale 1 to 2, noise 8 levels, gain 0.85 to 1.15, blur 0.7 pixel.
func TestCapturesAreRecognised(t *testing.T) {
	notUnderRace(t)
	devices := []simulate.Device{
		{},
		{Noise: 8, Blur: 0.7, ShiftX: 12, ShiftY: -12},
		{
			Noise:  8,
			Blur:   0.7,
			ShiftX: -12,
			ShiftY: 12,
			Gain:   [3]float64{0.85, 1.15, 1},
			Offset: [3]float64{12, -12, 4},
		},
		{Noise: 4, ShiftX: 3, Scale: 1.3, Blur: 0.4},
		{Noise: 4, ShiftX: -9, ShiftY: 11, Scale: 2, Blur: 0.4},
		{Noise: 3, ShiftX: 5, ShiftY: -4, Width: 720, Height: 480, Scale: 1},
	}
	names := []string{"random-1", "solid-black", "checker", "ramp", "text", "plane-green-2", "bit-red-2"}
	modes := []pattern.Mode{
		{Width: 512, Height: 384, Format: pattern.Palette8},
		{Width: 640, Height: 480, Format: pattern.RGB565},
	}
	for _, m := range modes[:usuallyOr(1, 2)] {
		for _, name := range names[:usuallyOr(2, 7)] {
			p, err := pattern.ParseName(name, m)
			if err != nil {
				t.Fatal(err)
			}
			f, err := p.Render()
			if err != nil {
				t.Fatal(err)
			}
			for i, d := range devices {
				if d.Width != 0 && m.Width != 640 {
					continue
				}
				c, err := simulate.Capture(f.RGB(), d, uint64(i))
				if err != nil {
					t.Fatal(err)
				}
				if got, err := Identify(c); err != nil || got != p {
					t.Errorf("%s %s, device %d: got %s of %s, %v", name, m, i, got.Name(), got.Mode, err)
				}
			}
		}
	}
}

// A faulty card's picture is still told: half of the memory chips dead.
func TestFaultyCapturesAreRecognised(t *testing.T) {
	p := pattern.Pattern{
		Mode:    pattern.Mode{Width: 640, Height: 480, Format: pattern.RGB565},
		Kind:    pattern.Random,
		Variant: 1,
	}
	f, err := p.Render()
	if err != nil {
		t.Fatal(err)
	}
	org := memory.Organisation{
		Words:    1 << 18,
		ChipBits: 16,
		BusBits:  64,
		Banks:    []memory.Bank{{Designators: []string{"U1", "U2", "U3", "U4"}}},
	}
	screen, err := simulate.Card(
		f,
		org,
		0,
		[]simulate.Fault{{Kind: memory.ChipDead, Chip: 1}, {Kind: memory.LineStuck1, Chip: 2, Line: 15}},
		1,
	)
	if err != nil {
		t.Fatal(err)
	}
	c, err := simulate.Capture(screen, simulate.Device{Noise: 5, ShiftX: 6, ShiftY: 3}, 1)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := Identify(c); err != nil || got != p {
		t.Errorf("got %s of %s, %v", got.Name(), got.Mode, err)
	}
}

func TestOtherPicturesAreNotRecognised(t *testing.T) {
	notUnderRace(t)
	for _, size := range [][2]int{{512, 384}, {1, 1}, {30, 2000}} {
		p := raster.New(size[0], size[1])
		seed := uint32(1)
		for i := range p.Pix {
			seed = seed*1664525 + 1013904223
			p.Pix[i] = uint8(seed >> 24)
		}
		if got, err := Identify(p); !errors.Is(err, ErrNone) {
			t.Errorf("%v: got %s of %s, %v", size, got.Name(), got.Mode, err)
		}
	}
}

func BenchmarkRecognise(b *testing.B) {
	p := pattern.Pattern{
		Mode:    pattern.Mode{Width: 1024, Height: 768, Format: pattern.RGB565},
		Kind:    pattern.Random,
		Variant: 1,
	}
	f, err := p.Render()
	if err != nil {
		b.Fatal(err)
	}
	c, err := simulate.Capture(f.RGB(), simulate.Device{Noise: 5, ShiftX: 6, ShiftY: 3}, 1)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := Identify(c); err != nil {
			b.Fatal(err)
		}
	}
}
