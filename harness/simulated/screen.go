package simulated

import (
	"bytes"
	"image"
	"image/jpeg"
	"image/png"
	"sync"

	"golang.org/x/image/bmp"

	"proveout/scoring"
	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

// frames keeps the test pictures that were drawn.
var frames sync.Map // of *pattern.Frame by "name@mode"

// drawn is a test picture in a mode; nil where the mode cannot show it.
func drawn(name, mode string) *pattern.Frame {
	key := name + "@" + mode
	if f, ok := frames.Load(key); ok {
		return f.(*pattern.Frame)
	}
	var f *pattern.Frame
	if m, err := scoring.PictureMode(mode); err == nil {
		if p, err := pattern.ParseName(name, m); err == nil {
			f, _ = p.Render()
		}
	}
	frames.Store(key, f)
	return f
}

// capture is what a capture device makes of a picture that the card shows: every
// second one is digital, the others have the noise and the errors of a converter.
func (s *specimen) capture(f *pattern.Frame, d dice) (*raster.RGB, error) {
	var org memory.Organisation
	if o := scoring.FrameMemory(s.family); o != nil {
		org = *o
	}
	faults := s.screen
	for _, m := range s.memory {
		if m.ofFrame && !m.cellsOnly() {
			faults = append(faults[:len(faults):len(faults)], m.Fault)
		}
	}
	seed := d.Uint64()
	shown, err := simulate.Card(f, org, 0, faults, seed)
	if err != nil || d.chance(0.5) {
		return shown, err
	}
	device := simulate.Device{
		Noise: d.between(0.5, 2.5), ShiftX: float64(d.IntN(5) - 2), ShiftY: float64(d.IntN(5) - 2),
	}
	gain, offset := d.between(0.94, 1.03), d.between(0, 4)
	for ch := range 3 {
		device.Gain[ch] = gain * (1 + d.normal(0.01))
		device.Offset[ch] = offset + d.normal(0.5)
	}
	return simulate.Capture(shown, device, seed)
}

// encoded is a picture as a file of a kind: "bmp", "png" or "jpg".
func encoded(m image.Image, kind string) ([]byte, error) {
	var b bytes.Buffer
	var err error
	switch kind {
	case "png":
		err = (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&b, m)
	case "jpg":
		err = jpeg.Encode(&b, m, &jpeg.Options{Quality: 92})
	default:
		err = bmp.Encode(&b, m)
	}
	return b.Bytes(), err
}
