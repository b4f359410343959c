// Package recognise tells which test pattern a capture shows, from the
// identification that every pattern carries.
//
// A capture comes in, the pattern with its mode goes out, or an error that says
// that none could be read. The package compares nothing.
package recognise

import (
	"errors"
	"math"

	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/photo"
	"proveout/scoring/picture/raster"
)

// ErrNone says that a capture carries no identification that can be read.
var ErrNone = errors.New("no identification of a test pattern can be read in it")

// mostPixels bounds the search for a shifted picture: larger captures can only
// be photographs. 12 million pixels are twice what capture devices give.
const mostPixels = 12_000_000

// Pattern tells which pattern a capture shows: a screenshot or dump, a capture
// device's picture that is scaled, shifted and cut by a few pixels, or a
// photograph of the screen. The error is [ErrNone].
func Pattern(p *raster.RGB) (pattern.Pattern, error) {
	if p.Width*p.Height <= mostPixels {
		s := newSums(p)
		for _, c := range candidates(p.Width, p.Height) {
			if found, ok := s.search(c); ok {
				return found, nil
			}
		}
	}
	if found, err := photo.Identify(p); err == nil {
		return found, nil
	}
	return pattern.Pattern{}, ErrNone
}

// OnScreen is [Pattern] for a screen of a known size, which need not be one in
// use; it does not take photographs.
func OnScreen(p *raster.RGB, width, height int) (pattern.Pattern, error) {
	m := pattern.Mode{Width: width, Height: height, Format: pattern.RGB888}
	if err := m.Check(); err != nil {
		return pattern.Pattern{}, err
	}
	if p.Width*p.Height > mostPixels {
		return pattern.Pattern{}, ErrNone
	}
	s := newSums(p)
	for _, scale := range []float64{1, float64(p.Width) / float64(width), float64(p.Height) / float64(height)} {
		if scale < 0.9 || scale > 4.2 {
			continue
		}
		if found, ok := s.search(candidate{m, scale}); ok {
			return found, nil
		}
	}
	return pattern.Pattern{}, ErrNone
}

// A candidate is a screen size with the number of capture pixels for each
// screen pixel.
type candidate struct {
	mode  pattern.Mode
	scale float64
}

// candidates lists the screens that a capture of the given size may show,
// likeliest first: its own size, then sizes in use whose sides fit at one
// scale, 1:1 with up to 100 pixels cut off or added included.
func candidates(width, height int) []candidate {
	var out []candidate
	add := func(w, h int, scale float64) {
		m := pattern.Mode{Width: w, Height: h, Format: pattern.RGB888}
		if m.Check() != nil || scale < 0.9 || scale > 4.2 {
			return
		}
		for _, c := range out {
			if c.mode == m && math.Abs(c.scale-scale) < 0.004 {
				return
			}
		}
		out = append(out, candidate{m, scale})
	}
	add(width, height, 1)
	for _, s := range sizes() {
		sx, sy := float64(width)/float64(s[0]), float64(height)/float64(s[1])
		if abs(width-s[0]) <= 100 && abs(height-s[1]) <= 100 {
			add(s[0], s[1], 1)
		}
		if math.Abs(sx/sy-1) < 0.04 {
			add(s[0], s[1], sx)
			add(s[0], s[1], sy)
			add(s[0], s[1], math.Round(sx*20)/20)
		}
	}
	return out
}

func abs(v int) int { return max(v, -v) }

// sizes lists screen sizes in use on cards of the time (common practice, no
// source).
func sizes() [][2]int {
	return [][2]int{{640, 480}, {800, 600}, {1024, 768}, {1152, 864}, {1280, 1024}, {1280, 960}, {1600, 1200}, {320, 240}, {320, 200},
		{640, 400}, {512, 384}, {400, 300}, {720, 400}, {720, 480}, {832, 624}, {1280, 720}, {1280, 800}, {1440, 900}, {1366, 768}, {1920, 1080}}
}

// search reads the identification at the expected place and at places around
// it, nearest first, as far as a capture device may shift a picture.
func (s *sums) search(c candidate) (pattern.Pattern, bool) {
	l := c.mode.Layout()
	reach := max(16, 0.02*float64(s.w))
	stepX, stepY := float64(l.CellW)*c.scale/3, float64(l.CellH)*c.scale/3
	nx, ny := int(reach/stepX)+1, int(reach/stepY)+1
	for ring := 0; ring <= max(nx, ny); ring++ {
		for iy := -min(ring, ny); iy <= min(ring, ny); iy++ {
			for ix := -min(ring, nx); ix <= min(ring, nx); ix++ {
				if max(abs(ix), abs(iy)) != ring {
					continue
				}
				dx, dy := float64(ix)*stepX, float64(iy)*stepY
				found, err := pattern.ReadIdentity(c.mode, func(x0, y0, x1, y1 float64) float64 {
					return s.mean(x0*c.scale+dx, y0*c.scale+dy, x1*c.scale+dx, y1*c.scale+dy)
				})
				if err == nil && found.Mode.Width == c.mode.Width && found.Mode.Height == c.mode.Height {
					return found, true
				}
			}
		}
	}
	return pattern.Pattern{}, false
}

// sums holds the sum of red, green and blue of all pixels above and left of
// each, modulo 2³²; differences over small rectangles are exact all the same.
type sums struct {
	w, h int
	at   []uint32 // (w+1)*(h+1)
}

func newSums(p *raster.RGB) *sums {
	s := &sums{w: p.Width, h: p.Height, at: make([]uint32, (p.Width+1)*(p.Height+1))}
	for y := range p.Height {
		var row uint32
		above, here := s.at[y*(s.w+1):], s.at[(y+1)*(s.w+1):]
		px := p.Pix[3*y*p.Width : 3*(y+1)*p.Width]
		for x := range p.Width {
			row += uint32(px[3*x]) + uint32(px[3*x+1]) + uint32(px[3*x+2])
			here[x+1] = above[x+1] + row
		}
	}
	return s
}

// mean returns the mean brightness of a rectangle, cut to the picture; outside
// it is black.
func (s *sums) mean(x0, y0, x1, y1 float64) float64 {
	ax, ay, bx, by := int(math.Round(x0)), int(math.Round(y0)), int(math.Round(x1)), int(math.Round(y1))
	bx, by = max(bx, ax+1), max(by, ay+1)
	area := float64((bx - ax) * (by - ay))
	ax, bx = min(max(ax, 0), s.w), min(max(bx, 0), s.w)
	ay, by = min(max(ay, 0), s.h), min(max(by, 0), s.h)
	w := s.w + 1
	return float64(s.at[by*w+bx]-s.at[ay*w+bx]-s.at[by*w+ax]+s.at[ay*w+ax]) / area
}
