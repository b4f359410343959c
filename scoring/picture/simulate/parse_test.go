package simulate

import (
	"math"
	"slices"
	"strings"
	"testing"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
)

// FuzzFault reads faults as --fault takes them. Whatever is typed, the answer is
// a message or a fault that a card can be made with.
func FuzzFault(f *testing.F) {
	for _, kind := range Kinds() {
		takes := wordsOf(Kind(kind))
		value := map[string]string{
			"chip": "U2", "line": "3", "with": "4", "wired": "or", "channel": "green", "rate": "0.01", "bit": "6",
			"period": "8", "amount": "20", "bank": "1", "value": "1", "address-line": "2", "shows": "ramp",
		}
		typed := []string{kind}
		for _, n := range takes.all() {
			typed = append(typed, n+"="+value[n])
		}
		f.Add(strings.Join(typed, " "), true)
		f.Add(strings.Join(typed[:1+len(takes.needed)], " "), false)
	}
	for _, text := range []string{
		"", "line-stuck-2", "chip-dead chip=U9", "noise rate=NaN", "noise rate=1e400", "stripe period=-1 amount=1",
		"frozen shows=", "bank-lost bank=1 bank=0", "line-open chip=U1 line", "black\x00=1",
	} {
		f.Add(text, true)
	}
	org := memory.Organisation{Words: 1 << 16, ChipBits: 16, BusBits: 32, Banks: []memory.Bank{
		{Designators: []string{"U1", "U2"}}, {Designators: []string{"U3", "U4"}},
	}}
	mode := pattern.Mode{Width: 320, Height: 240, Format: pattern.RGB565}
	frame := &pattern.Frame{Mode: mode, Codes: make([]uint32, 320*240)}
	f.Fuzz(func(t *testing.T, text string, withMemory bool) {
		of := &org
		if !withMemory {
			of = nil
		}
		ft, err := ParseFault(text, of)
		if err != nil {
			if n := len(err.Error()); n == 0 || n > 1000+4*len(text) {
				t.Errorf("%q: message %q", text, err)
			}
			return
		}
		if !slices.Contains(Kinds(), string(ft.Kind)) {
			t.Errorf("%q gives the kind %q", text, ft.Kind)
		}
		if of == nil {
			of = &memory.Organisation{}
		}
		p, err := Card(frame, *of, 0, []Fault{ft}, 1)
		// What the words alone cannot tell: a bit that the mode does not have, and
		// a picture that is not in its set.
		if err != nil && ft.Kind != ConverterBit && ft.Kind != Frozen {
			t.Errorf("%q is a fault, but not of a card: %v", text, err)
		}
		if err == nil && (p.Width != 320 || p.Height != 240) {
			t.Errorf("%q makes a picture of %d×%d", text, p.Width, p.Height)
		}
	})
}

// FuzzCamera reads the settings of a photograph as --photo takes them.
func FuzzCamera(f *testing.F) {
	for _, text := range []string{
		"usual", "", "pixels=3.5 tilt=5,-4 roll=1",
		"distortion=0.02 vignetting=0.4 slope=0.1 blur=1 noise=6 exposure=0.9 black=4 quality=85",
		"tilt=5", "tilt=5,41", "pixels=NaN", "pixels=-3", "pixels", "zoom=2", "noise=1e309", "quality=101",
		"usual pixels=4", "tilt=,", "=", "pixels=4 pixels=5",
	} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ParseCamera(text)
		if err != nil {
			if err.Error() == "" {
				t.Errorf("%q: no message", text)
			}
			return
		}
		in := func(name string, v, low, high float64) {
			if math.IsNaN(v) || v < low || v > high {
				t.Errorf("%q: %s is %g", text, name, v)
			}
		}
		in("pixels", c.PixelsPerPixel, 1, 12)
		in("tilt", c.TiltX, -40, 40)
		in("tilt", c.TiltY, -40, 40)
		in("roll", c.Roll, -30, 30)
		in("distortion", c.Distortion, -0.3, 0.3)
		in("vignetting", c.Vignetting, 0, 0.9)
		in("slope", c.Slope, -0.9, 0.9)
		in("blur", c.Blur, 0, 10)
		in("noise", c.Noise, 0, 100)
		in("exposure", c.Exposure, 0.05, 2)
		in("black", c.Black, 0, 200)
		in("quality", float64(c.Quality), 0, 100)
	})
}
