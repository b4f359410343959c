package align

import (
	"math"

	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A box is a part of a capture, in its pixels; x1 and y1 are exclusive.
type box struct{ x0, y0, x1, y1 int }

// framed is the part of a capture that is left without the plain bars around it,
// which devices put there that scale a picture into their own size. Every test
// pattern has bright marks in its corners, so that none of its edges is plain.
func framed(p plane) box {
	column := func(x int) (mean, sd float64) {
		return plain(p.height, func(i int) float32 { return p.v[i*p.width+x] })
	}
	row := func(y int) (mean, sd float64) { return plain(p.width, func(i int) float32 { return p.v[y*p.width+i] }) }
	b := box{0, 0, p.width, p.height}
	b.x0 = bar(p.width/2, column)
	b.x1 -= bar(p.width/2, func(i int) (mean, sd float64) { return column(p.width - 1 - i) })
	b.y0 = bar(p.height/2, row)
	b.y1 -= bar(p.height/2, func(i int) (mean, sd float64) { return row(p.height - 1 - i) })
	return b
}

// plain is the mean and the standard deviation of every third of so many values.
func plain(n int, at func(i int) float32) (mean, sd float64) {
	var sum, squares, count float64
	for i := 0; i < n; i += 3 {
		v := float64(at(i))
		sum += v
		squares += v * v
		count++
	}
	mean = sum / count
	return mean, math.Sqrt(max(0, squares/count-mean*mean))
}

// bar is how many lines from the edge, of at most so many, are plain and alike.
// All of them are none: then nothing is known of a picture.
func bar(most int, line func(i int) (mean, sd float64)) int {
	const flat, alike = 14, 10 // levels: what noise leaves of a bar
	first, _ := line(0)
	for i := range most {
		if mean, sd := line(i); sd > flat || math.Abs(mean-first) > alike {
			return i
		}
	}
	return 0
}

// starts lists how a device may have put a picture into a capture of another
// size: between bars, as large as fits, at a whole scale in the middle, or
// stretched.
func (m *matcher) starts() []Fit {
	w, h := float64(m.pattern.width), float64(m.pattern.height)
	cw, ch := float64(m.capture.width), float64(m.capture.height)
	var out []Fit
	add := func(across, down, x, y float64) {
		f := Fit{ScaleX: across, ScaleY: down, ShiftX: x, ShiftY: y}
		if min(across, down) >= smallest && max(across, down) <= largest {
			out = append(out, f)
		}
	}
	centred := func(scale float64) { add(scale, scale, (cw-scale*w)/2, (ch-scale*h)/2) }
	b := framed(m.capture)
	add(float64(b.x1-b.x0)/w, float64(b.y1-b.y0)/h, float64(b.x0), float64(b.y0))
	fits := min(cw/w, ch/h)
	centred(fits)
	for s := math.Floor(fits); s >= 1 && s != fits; s-- {
		centred(s)
	}
	add(cw/w, ch/h, 0, 0)
	return out
}

// The scales, in capture pixels a screen pixel, of a picture that a device scales.
const smallest, largest = 0.4, 6

// IdentifyFramed reads which pattern of a screen of the given size fills a capture
// between its bars.
func IdentifyFramed(capture *raster.RGB, width, height int) (pattern.Pattern, error) {
	c := newIdentifier(brightness(capture))
	return c.between(framed(c.plane), width, height)
}

// between reads the identification of a screen of the given size that fills a box.
func (c *identifier) between(b box, width, height int) (pattern.Pattern, error) {
	m := pattern.Mode{Width: width, Height: height, Format: pattern.RGB888} // only its size counts
	across, down := float64(b.x1-b.x0)/float64(width), float64(b.y1-b.y0)/float64(height)
	if m.Check() != nil || c.sum.upTo == nil || min(across, down) < smallest {
		return pattern.Pattern{}, ErrNone
	}
	p, err := pattern.ReadIdentity(m, func(x0, y0, x1, y1 float64) float64 {
		x, y := float64(b.x0), float64(b.y0)
		return c.mean(x+x0*across, y+y0*down, x+x1*across, y+y1*down)
	})
	if err != nil || p.Mode.Width != width || p.Mode.Height != height {
		return pattern.Pattern{}, ErrNone
	}
	return p, nil
}

// A Turn is how a capture is mirrored or turned.
type Turn string

// The turns; a mirrored picture has left and right exchanged, one upside down and
// mirrored has top and bottom exchanged.
const (
	Mirrored         Turn = "mirrored"
	UpsideDown       Turn = "upside-down"
	MirroredDown     Turn = "mirrored-down"
	Quarter          Turn = "quarter"           // turned clockwise
	ThreeQuarters    Turn = "three-quarters"    // turned anticlockwise
	MirroredQuarter  Turn = "mirrored-quarter"  // mirrored and turned clockwise
	MirroredQuarters Turn = "mirrored-quarters" // mirrored and turned anticlockwise
)

// Turned looks for a test pattern in a capture that is mirrored or turned. A
// width and a height of 0 stand for any size in use.
func Turned(capture *raster.RGB, width, height int) (Turn, pattern.Pattern, bool) {
	screens := sizes()
	if width > 0 {
		screens = [][2]int{{width, height}}
	}
	p := brightness(capture)
	for _, t := range []struct {
		turn                    Turn
		across, down, exchanged bool
	}{
		{Mirrored, true, false, false}, {UpsideDown, true, true, false}, {MirroredDown, false, true, false},
		{ThreeQuarters, false, true, true}, {Quarter, true, false, true},
		{MirroredQuarter, true, true, true}, {MirroredQuarters, false, false, true},
	} {
		c := newIdentifier(p.turned(t.across, t.down, t.exchanged))
		b := framed(c.plane)
		for _, s := range screens {
			if found, err := c.between(b, s[0], s[1]); err == nil {
				return t.turn, found, true
			}
		}
	}
	return "", pattern.Pattern{}, false
}

// turned reads the plane from the other side across, down, or with rows and
// columns exchanged.
func (p plane) turned(across, down, exchanged bool) plane {
	q := plane{p.width, p.height, make([]float32, len(p.v))}
	if exchanged {
		q.width, q.height = p.height, p.width
	}
	for y := range q.height {
		for x := range q.width {
			u, v := x, y
			if exchanged {
				u, v = y, x
			}
			if across {
				u = p.width - 1 - u
			}
			if down {
				v = p.height - 1 - v
			}
			q.v[y*q.width+x] = p.v[v*p.width+u]
		}
	}
	return q
}
