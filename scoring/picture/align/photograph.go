package align

import (
	"fmt"
	"math"

	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A Screen is a photographed screen on the grid of the pattern.
type Screen struct {
	Grid   *raster.Grid
	Scale  float64     // photograph pixels per screen pixel
	Corner [2]float64  // where the corner of the pattern lies
	Gain   [3]float64  // mean levels of the photograph per level of the screen
	Offset [3]float64  // mean black level
	Centre [3]float64  // share of a pixel's light that stays in its place and channel
	Follow Follows     // what was written; of a fine texture
	Levels *raster.RGB // the levelled screen, not yet unmixed
	warp   *warp
}

// A CoarseError says that a photograph has too few pixels.
type CoarseError struct{ PixelsPerPixel float64 } // of the photograph for each of the screen

func (e CoarseError) Error() string {
	return fmt.Sprintf("the photograph has only %.1f pixels for each screen pixel: at least 2 are needed, "+
		"3 to 8 are best", e.PixelsPerPixel)
}

// A ContentError says that corner marks were found, but not the pattern between
// them.
type ContentError struct{ Matched, Tried int } // windows

func (e ContentError) Error() string {
	return fmt.Sprintf("the corner marks were found, but the content of the pattern does not match (%d of %d windows)",
		e.Matched, e.Tried)
}

// Rectify finds the screen in a photograph and reads it. With a fine texture
// (pseudo-random content) light is levelled and smearing taken out; with a
// coarse one only the geometry is undone. The error is [ErrNoMarks], a
// [CoarseError] or a [ContentError].
func Rectify(f *pattern.Frame, photo *raster.RGB, texture Texture) (*Screen, error) {
	wanted := f.RGB()
	unit, edge := f.Mode.Layout().Unit, f.Mode.Layout().Mark
	width, height := float64(f.Mode.Width), float64(f.Mode.Height)
	r := rectifier{f.Mode, texture, brightness(wanted), brightness(photo)}
	var s *Screen
	err := fourMarks(r.photo, width/height, width/float64(unit)-7, func(marks [4]mark) (err error) {
		s, err = r.fit(marks)
		return err
	})
	if err != nil {
		return nil, err
	}
	s.read(photo)
	if texture == Fine {
		s.Follow = s.follow(f, edge+2)
		s.level(wanted, edge+2)
		s.Levels = s.Grid.RGB()
		s.unmix(wanted, edge)
		return s, nil
	}
	for range 3 {
		if !s.settle(wanted, edge) {
			break
		}
		s.read(photo)
	}
	s.Levels = s.Grid.RGB()
	return s, nil
}

// middles are the centres of marks.
func middles(marks [4]mark) (p [4]point) {
	for i, m := range marks {
		p[i] = point{m.x, m.y}
	}
	return p
}

// centres are those of the corner marks of a mode.
func centres(m pattern.Mode) (p [4]point) {
	for i, c := range m.MarkCentres() {
		p[i] = c
	}
	return p
}

// A rectifier fits a screen to a photograph of it.
type rectifier struct {
	mode           pattern.Mode
	texture        Texture
	pattern, photo plane
}

// fit fits the screen to four marks and to its content.
func (r *rectifier) fit(marks [4]mark) (*Screen, error) {
	m := r.mode
	s := &Screen{warp: newWarp(m, r.photo)}
	top := math.Hypot(marks[1].x-marks[0].x, marks[1].y-marks[0].y)
	bottom := math.Hypot(marks[3].x-marks[2].x, marks[3].y-marks[2].y)
	s.Scale = (top + bottom) / 2 / (float64(m.Width) - 7*float64(m.Layout().Unit))
	if s.Scale < 1.2 {
		return nil, CoarseError{s.Scale}
	}
	matched, tried := r.fitWarp(s.warp, marks, max(1, int(s.Scale/2.2)))
	if matched < 8 || matched*6 < tried {
		return nil, ContentError{matched, tried}
	}
	s.Corner[0], s.Corner[1] = s.warp.at(0, 0)
	return s, nil
}

// read averages the photograph over each screen pixel.
func (s *Screen) read(photo *raster.RGB) {
	w, h := int(s.warp.width), int(s.warp.height)
	g := raster.NewGrid(w, h)
	n := min(4, max(2, int(s.Scale*0.7+0.5))) // points across and down each pixel
	top, bottom := make([]point, w+1), make([]point, w+1)
	corners := func(out []point, y int) {
		for x := range out {
			out[x][0], out[x][1] = s.warp.at(float64(x), float64(y))
		}
	}
	corners(bottom, 0)
	k := 1 / float32(n*n)
	for y := range h {
		top, bottom = bottom, top
		corners(bottom, y+1)
		for x := range w {
			a, b, c, d := top[x], top[x+1], bottom[x], bottom[x+1]
			var sum [3]float32
			for j := range n {
				v := (float64(j) + 0.5) / float64(n)
				for i := range n {
					u := (float64(i) + 0.5) / float64(n)
					px := (1-v)*((1-u)*a[0]+u*b[0]) + v*((1-u)*c[0]+u*d[0])
					py := (1-v)*((1-u)*a[1]+u*b[1]) + v*((1-u)*c[1]+u*d[1])
					addSample(photo, px, py, &sum)
				}
			}
			for channel := range 3 {
				g.V[channel][y*w+x] = sum[channel] * k
			}
		}
	}
	s.Grid = g
}

// addSample adds what lies at a place between pixel centres; outside it is black.
func addSample(p *raster.RGB, x, y float64, sum *[3]float32) {
	x, y = x-0.5, y-0.5
	x0, y0 := int(math.Floor(x)), int(math.Floor(y))
	fx, fy := float32(x-float64(x0)), float32(y-float64(y0))
	if x0 < 0 || y0 < 0 || x0+1 >= p.Width || y0+1 >= p.Height {
		return
	}
	i := 3 * (y0*p.Width + x0)
	upper := p.Pix[i : i+6 : i+6]
	lower := p.Pix[i+3*p.Width : i+3*p.Width+6 : i+3*p.Width+6]
	for channel := range 3 {
		t := float32(upper[channel]) + fx*(float32(upper[channel+3])-float32(upper[channel]))
		b := float32(lower[channel]) + fx*(float32(lower[channel+3])-float32(lower[channel]))
		sum[channel] += t + fy*(b-t)
	}
}
