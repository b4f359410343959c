package simulate

import (
	"fmt"
	"math"

	"proveout/scoring/picture/raster"
)

// A Device is an analogue capture device. The zero value of a field is the
// ideal: gain 1, scale 1, no blur.
type Device struct {
	Gain   [3]float64 // of red, green, blue; 0 means 1
	Offset [3]float64 // levels
	Gamma  float64    // exponent on 0 to 1; 0 means 1
	Noise  float64    // standard deviation, levels
	ShiftX float64    // pixels of the capture; the picture moves right
	ShiftY float64    // pixels of the capture; the picture moves down
	Scale  float64    // capture pixels per screen pixel, 0.5 to 4; 0 means 1
	Blur   float64    // standard deviation across, screen pixels
	Width  int        // of the capture; 0 means the scaled size
	Height int
}

// Capture shows what the device makes of a screen.
func Capture(screen *raster.RGB, d Device, seed uint64) (*raster.RGB, error) {
	if d.Scale == 0 {
		d.Scale = 1
	}
	if d.Gamma == 0 {
		d.Gamma = 1
	}
	for ch := range d.Gain {
		if d.Gain[ch] == 0 {
			d.Gain[ch] = 1
		}
	}
	if d.Scale < 0.5 || d.Scale > 4 || d.Noise < 0 || d.Blur < 0 || d.Gamma < 0.1 {
		return nil, fmt.Errorf("a capture device with scale %g, noise %g, blur %g, gamma %g cannot be simulated",
			d.Scale, d.Noise, d.Blur, d.Gamma)
	}
	w, h := d.Width, d.Height
	if w == 0 {
		w = int(math.Round(float64(screen.Width) * d.Scale))
	}
	if h == 0 {
		h = int(math.Round(float64(screen.Height) * d.Scale))
	}
	if w <= 0 || h <= 0 || w > 20000 || h > 20000 {
		return nil, fmt.Errorf("a capture of %d×%d pixels cannot be simulated", w, h)
	}
	src := make([]float32, len(screen.Pix))
	for i, v := range screen.Pix {
		src[i] = float32(v)
	}
	smooth(src, screen.Width, screen.Height, d.Blur, 0)
	out := raster.New(w, h)
	rng := newSource(seed ^ 0xC0FFEE)
	for y := range h {
		v := (float64(y)+0.5-d.ShiftY)/d.Scale - 0.5
		for x := range w {
			u := (float64(x)+0.5-d.ShiftX)/d.Scale - 0.5
			for ch := range 3 {
				s := bilinear(src, screen.Width, screen.Height, u, v, ch)
				if d.Gamma != 1 {
					s = 255 * math.Pow(max(0, s)/255, d.Gamma)
				}
				s = s*d.Gain[ch] + d.Offset[ch]
				if d.Noise > 0 {
					s += d.Noise * rng.normal()
				}
				out.Pix[3*(y*w+x)+ch] = clip(s)
			}
		}
	}
	return out, nil
}

// normal returns a standard normal value by the polar method (Marsaglia and
// Bray 1964, from memory).
func (s *source) normal() float64 {
	if s.have {
		s.have = false
		return s.spare
	}
	for {
		a, b := 2*s.unit()-1, 2*s.unit()-1
		q := a*a + b*b
		if q > 0 && q < 1 {
			f := math.Sqrt(-2 * math.Log(q) / q)
			s.spare, s.have = b*f, true
			return a * f
		}
	}
}

// bilinear reads between pixels; outside the picture it is black.
func bilinear(src []float32, w, h int, u, v float64, ch int) float64 {
	x0, y0 := math.Floor(u), math.Floor(v)
	fx, fy := u-x0, v-y0
	at := func(x, y int) float64 {
		if x < 0 || y < 0 || x >= w || y >= h {
			return 0
		}
		return float64(src[3*(y*w+x)+ch])
	}
	x, y := int(x0), int(y0)
	s := (1 - fy) * (1 - fx) * at(x, y)
	if fx > 0 {
		s += (1 - fy) * fx * at(x+1, y)
	}
	if fy > 0 {
		s += fy * (1 - fx) * at(x, y+1)
		if fx > 0 {
			s += fy * fx * at(x+1, y+1)
		}
	}
	return s
}
