package align

import (
	"errors"
	"math"

	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// ErrNone says that a capture carries no identification that can be read.
var ErrNone = errors.New("no identification of a test pattern can be read in it")

// mostPixels bounds the search for a shifted picture: larger captures can only
// be photographs. 12 million pixels are twice what capture devices give.
const mostPixels = 12_000_000

// Identify tells which pattern a capture shows: a screenshot or dump, a capture
// device's picture that is scaled, shifted and cut by a few pixels, or a
// photograph of the screen. The error is [ErrNone].
func Identify(capture *raster.RGB) (pattern.Pattern, error) {
	c := newIdentifier(brightness(capture))
	b := framed(c.plane)
	for _, s := range sizes() {
		if found, err := c.between(b, s[0], s[1]); err == nil {
			return found, nil
		}
	}
	for _, e := range expected(capture.Width, capture.Height) {
		if found, ok := c.search(e); ok {
			return found, nil
		}
	}
	var found pattern.Pattern
	err := fourMarks(c.plane, 1.35, 0, func(marks [4]mark) (err error) {
		found, err = identifyBetween(c.plane, marks)
		return err
	})
	if err != nil {
		return pattern.Pattern{}, ErrNone
	}
	return found, nil
}

// IdentifyScreen is [Identify] for a screen of a known size, which need not be
// one in use; it does not take photographs.
func IdentifyScreen(capture *raster.RGB, width, height int) (pattern.Pattern, error) {
	m := pattern.Mode{Width: width, Height: height, Format: pattern.RGB888} // only its size counts
	if m.Check() != nil {
		return pattern.Pattern{}, ErrNone
	}
	c := newIdentifier(brightness(capture))
	if found, err := c.between(framed(c.plane), width, height); err == nil {
		return found, nil
	}
	across, down := float64(capture.Width)/float64(width), float64(capture.Height)/float64(height)
	for _, scale := range []float64{1, across, down} {
		if scale < leastScale || scale > mostScale {
			continue
		}
		if found, ok := c.search(expectation{m, scale}); ok {
			return found, nil
		}
	}
	return pattern.Pattern{}, ErrNone
}

// The scales, in capture pixels a screen pixel, at which an identification is
// looked for.
const leastScale, mostScale = 0.9, 4.2

// An expectation is a screen size with the number of capture pixels for each
// screen pixel.
type expectation struct {
	mode  pattern.Mode
	scale float64
}

// expected lists the screens that a capture of the given size may show,
// likeliest first: its own size, then sizes in use whose sides fit at one
// scale, 1:1 with up to 100 pixels cut off or added included.
func expected(width, height int) []expectation {
	var out []expectation
	add := func(w, h int, scale float64) {
		m := pattern.Mode{Width: w, Height: h, Format: pattern.RGB888}
		if m.Check() != nil || scale < leastScale || scale > mostScale {
			return
		}
		for _, e := range out {
			if e.mode == m && math.Abs(e.scale-scale) < 0.004 {
				return
			}
		}
		out = append(out, expectation{m, scale})
	}
	add(width, height, 1)
	for _, s := range sizes() {
		across, down := float64(width)/float64(s[0]), float64(height)/float64(s[1])
		if abs(width-s[0]) <= 100 && abs(height-s[1]) <= 100 {
			add(s[0], s[1], 1)
		}
		if math.Abs(across/down-1) < 0.04 {
			add(s[0], s[1], across)
			add(s[0], s[1], down)
			add(s[0], s[1], math.Round(across*20)/20)
		}
	}
	return out
}

func abs(v int) int { return max(v, -v) }

// sizes lists screen sizes in use on cards of the time (common practice, no
// source).
func sizes() [][2]int {
	return [][2]int{
		{640, 480}, {800, 600}, {1024, 768}, {1152, 864}, {1280, 1024}, {1280, 960}, {1600, 1200},
		{320, 240}, {320, 200}, {640, 400}, {512, 384}, {400, 300}, {720, 400}, {720, 480}, {832, 624},
		{1280, 720}, {1280, 800}, {1440, 900}, {1366, 768}, {1920, 1080},
	}
}

// An identifier reads identifications in a capture.
type identifier struct {
	plane
	sum areaSum
}

func newIdentifier(p plane) *identifier {
	c := &identifier{plane: p}
	if p.width*p.height <= mostPixels {
		c.sum, _ = sumAreas(p.v, p.width, p.height)
	}
	return c
}

// search reads the identification at the expected place and at places around
// it, nearest first, as far as a capture device may shift a picture.
func (c *identifier) search(e expectation) (pattern.Pattern, bool) {
	if c.sum.upTo == nil {
		return pattern.Pattern{}, false
	}
	l := e.mode.Layout()
	reach := max(16, 0.02*float64(c.width))
	stepX, stepY := float64(l.CellW)*e.scale/3, float64(l.CellH)*e.scale/3
	nx, ny := int(reach/stepX)+1, int(reach/stepY)+1
	for ring := range max(nx, ny) + 1 {
		for iy := -min(ring, ny); iy <= min(ring, ny); iy++ {
			for ix := -min(ring, nx); ix <= min(ring, nx); ix++ {
				if max(abs(ix), abs(iy)) != ring {
					continue
				}
				dx, dy := float64(ix)*stepX, float64(iy)*stepY
				found, err := pattern.ReadIdentity(e.mode, func(x0, y0, x1, y1 float64) float64 {
					return c.mean(x0*e.scale+dx, y0*e.scale+dy, x1*e.scale+dx, y1*e.scale+dy)
				})
				if err == nil && found.Mode.Width == e.mode.Width && found.Mode.Height == e.mode.Height {
					return found, true
				}
			}
		}
	}
	return pattern.Pattern{}, false
}

// mean returns the mean brightness of a rectangle, cut to the picture; outside
// it is black.
func (c *identifier) mean(x0, y0, x1, y1 float64) float64 {
	left, top := int(math.Round(x0)), int(math.Round(y0))
	right, bottom := max(left+1, int(math.Round(x1))), max(top+1, int(math.Round(y1)))
	area := float64((right - left) * (bottom - top))
	left, right = min(max(left, 0), c.width), min(max(right, 0), c.width)
	top, bottom = min(max(top, 0), c.height), min(max(bottom, 0), c.height)
	return c.sum.of(left, top, right-left, bottom-top) / area
}

// identifyBetween reads the identification between the four marks of a
// photograph. Where it lies hangs on the size of the screen: those in use are
// tried.
func identifyBetween(photo plane, marks [4]mark) (pattern.Pattern, error) {
	from := middles(marks)
	for _, size := range sizes() {
		m := pattern.Mode{Width: size[0], Height: size[1], Format: pattern.RGB888}
		w := newWarp(m, photo)
		to := centres(m)
		if !w.fitPlane(to[:], from[:]) {
			continue
		}
		p, err := pattern.ReadIdentity(m, func(x0, y0, x1, y1 float64) float64 {
			sum := 0.0
			for k := range 9 {
				u, v := (float64(k%3)+0.5)/3, (float64(k/3)+0.5)/3
				x, y := w.at(x0+(x1-x0)*u, y0+(y1-y0)*v)
				sum += float64(photo.at(x, y))
			}
			return sum
		})
		if err == nil && p.Mode.Width == m.Width && p.Mode.Height == m.Height {
			return p, nil
		}
	}
	return pattern.Pattern{}, ErrNone
}
