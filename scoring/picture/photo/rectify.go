package photo

import (
	"fmt"
	"math"

	"proveout/scoring/picture/align"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A Screen is a photographed screen on the grid of the pattern.
type Screen struct {
	Grid       *align.Grid
	Scale      float64    // photograph pixels per screen pixel
	Corner     [2]float64 // where the corner of the pattern lies
	Distortion float64    // radial, see warp
	Gain       [3]float64 // mean levels of the photograph per level of the screen
	Offset     [3]float64 // mean black level
	Centre     [3]float64 // share of a pixel's light that stays in its place and channel
	Matched    int        // windows that matched, of Tried
	Tried      int
	Levels     *raster.RGB // the levelled screen, not yet unmixed
	warp       *warp
}

// A Texture says whether the content can be matched everywhere.
type Texture = align.Texture

// Rectify finds the screen in a photograph and reads it. With a fine texture
// (pseudo-random content) light is levelled and smearing taken out; with a
// coarse one only the geometry is undone.
func Rectify(f *pattern.Frame, photo *raster.RGB, texture Texture) (*Screen, error) {
	full := align.NewPlane(photo)
	s, err := locate(f, photo, full, texture)
	if err != nil {
		return nil, err
	}
	s.read(f, photo)
	if texture == align.Fine {
		wanted := f.RGB()
		s.level(wanted, f.Mode.Layout().Mark+2)
		s.Levels = s.Grid.RGB([3]float64{1, 1, 1}, [3]float64{})
		s.unmix(wanted, f.Mode.Layout().Mark)
	} else {
		wanted := f.RGB()
		for range 3 {
			if !s.settle(wanted, f.Mode.Layout().Mark) {
				break
			}
			s.read(f, photo)
		}
		s.Levels = s.Grid.RGB([3]float64{1, 1, 1}, [3]float64{})
	}
	return s, nil
}

// Identify reads the identification of the pattern that a photograph shows.
// Only the aspect of the mode is used to find the marks.
func Identify(photo *raster.RGB) (pattern.Pattern, error) {
	full := align.NewPlane(photo)
	var found pattern.Pattern
	err := fourMarks(full, 1.35, 0, func(marks [4][2]float64) (err error) {
		found, err = identify(photo, full, marks)
		return err
	})
	return found, err
}

func identify(photo *raster.RGB, full *align.Plane, marks [4][2]float64) (pattern.Pattern, error) {
	// The layout hangs on the size of the mode: try the sizes in use.
	for _, size := range sizes() {
		m := pattern.Mode{Width: size[0], Height: size[1], Format: pattern.RGB888}
		w := newWarp(m, photo)
		c := m.MarkCentres()
		if !w.homography(c[:], marks[:]) {
			continue
		}
		p, err := pattern.ReadIdentity(m, func(x0, y0, x1, y1 float64) float64 {
			s := 0.0
			for k := range 9 {
				x, y := w.at(x0+(x1-x0)*(float64(k%3)+0.5)/3, y0+(y1-y0)*(float64(k/3)+0.5)/3)
				s += float64(full.At(x, y))
			}
			return s
		})
		if err == nil && p.Mode.Width == m.Width && p.Mode.Height == m.Height {
			return p, nil
		}
	}
	return pattern.Pattern{}, fmt.Errorf("the marks were found, but no identification could be read")
}

// sizes lists screen sizes that cards of the time show.
func sizes() [][2]int {
	return [][2]int{{640, 480}, {800, 600}, {1024, 768}, {320, 240}, {1152, 864}, {1280, 1024}, {1280, 960}, {1600, 1200},
		{640, 400}, {320, 200}, {512, 384}, {400, 300}, {720, 400}, {720, 480}, {832, 624}, {1280, 720}, {1280, 800}, {1440, 900}, {1366, 768}, {1920, 1080}}
}

func newWarp(m pattern.Mode, photo *raster.RGB) *warp {
	return &warp{cx: float64(photo.Width) / 2, cy: float64(photo.Height) / 2,
		half: math.Hypot(float64(photo.Width), float64(photo.Height)) / 2, w: float64(m.Width), hgt: float64(m.Height)}
}

// fourMarks finds the corner marks and has them accepted. A module is taken to be
// between 1/400 and 1/75 of the width of the photograph, and when that finds
// nothing, for a screen that fills little of it, down to 1/900. The top side is
// taken to be modules wide, 0 when that is not known.
func fourMarks(full *align.Plane, aspect, modules float64, accept func([4][2]float64) error) error {
	n := max(1, (full.Width()+seekWidth/2)/seekWidth)
	err := ErrNoMarks
	for _, try := range []struct {
		shrink   int
		from, to float64
	}{{n, 400, 75}, {max(1, n/2), 900, 340}} {
		small := full.Shrink(try.shrink)
		w := float64(small.Width())
		found := newFinder(small).seek(max(1.2, w/try.from), w/try.to)
		for i := range found {
			found[i] = found[i].times(try.shrink)
		}
		q, e := frame(found, aspect, modules)
		if e != nil {
			continue
		}
		if err = accept(places(q)); err == nil {
			return nil
		}
	}
	return err
}

// times is the mark on a plane n times as large.
func (m mark) times(n int) mark {
	k := float64(n)
	return mark{m.x * k, m.y * k, m.module * k, m.score}
}

func places(q [4]mark) (p [4][2]float64) {
	for i, m := range q {
		p[i] = [2]float64{m.x, m.y}
	}
	return p
}

func locate(f *pattern.Frame, photo *raster.RGB, full *align.Plane, texture Texture) (*Screen, error) {
	var s *Screen
	p := align.NewPlane(f.RGB())
	modules := float64(f.Mode.Width)/float64(f.Mode.Layout().Unit) - 7
	err := fourMarks(full, float64(f.Mode.Width)/float64(f.Mode.Height), modules, func(marks [4][2]float64) (err error) {
		s, err = fitScreen(f, photo, full, p, marks, texture)
		return err
	})
	return s, err
}

// fitScreen fits the screen to four marks and to its content.
func fitScreen(f *pattern.Frame, photo *raster.RGB, full, p *align.Plane, marks [4][2]float64, texture Texture) (*Screen, error) {
	w := newWarp(f.Mode, photo)
	s := &Screen{warp: w}
	s.Scale = (math.Hypot(marks[1][0]-marks[0][0], marks[1][1]-marks[0][1]) + math.Hypot(marks[3][0]-marks[2][0], marks[3][1]-marks[2][1])) / 2 /
		(float64(f.Mode.Width) - 7*float64(f.Mode.Layout().Unit))
	if s.Scale < 1.2 {
		return nil, fmt.Errorf("the photograph has only %.1f pixels for each screen pixel: at least 2 are needed, 3 to 8 are best", s.Scale)
	}
	shrink := max(1, int(s.Scale/2.2))
	s.Matched, s.Tried = w.fit(marks, f.Mode.MarkCentres(), p, full.Shrink(shrink), float64(shrink), texture == align.Fine)
	if s.Matched < 8 || s.Matched*6 < s.Tried {
		return nil, fmt.Errorf("the corner marks were found, but the content of the pattern does not match (%d of %d windows)", s.Matched, s.Tried)
	}
	s.Corner[0], s.Corner[1] = w.at(0, 0)
	s.Distortion = w.k
	return s, nil
}

// read averages the photograph over each screen pixel.
func (s *Screen) read(f *pattern.Frame, photo *raster.RGB) {
	w, h := f.Mode.Width, f.Mode.Height
	g := &align.Grid{Width: w, Height: h, BinX: make([]uint8, w), BinY: make([]uint8, h), X1: w, Y1: h}
	for ch := range g.V {
		g.V[ch] = make([]float32, w*h)
	}
	n := min(4, max(2, int(s.Scale*0.7+0.5)))
	top, bottom := make([][2]float64, w+1), make([][2]float64, w+1)
	line := func(out [][2]float64, y int) {
		for x := range out {
			out[x][0], out[x][1] = s.warp.at(float64(x), float64(y))
		}
	}
	line(bottom, 0)
	k := 1 / float32(n*n)
	for y := range h {
		top, bottom = bottom, top
		line(bottom, y+1)
		for x := range w {
			a, b, c, d := top[x], top[x+1], bottom[x], bottom[x+1]
			var sum [3]float32
			for j := range n {
				v := (float64(j) + 0.5) / float64(n)
				for i := range n {
					u := (float64(i) + 0.5) / float64(n)
					px := (1-v)*((1-u)*a[0]+u*b[0]) + v*((1-u)*c[0]+u*d[0])
					py := (1-v)*((1-u)*a[1]+u*b[1]) + v*((1-u)*c[1]+u*d[1])
					sample(photo, px, py, &sum)
				}
			}
			for ch := range 3 {
				g.V[ch][y*w+x] = sum[ch] * k
			}
		}
	}
	s.Grid = g
}

func sample(p *raster.RGB, x, y float64, sum *[3]float32) {
	x, y = x-0.5, y-0.5
	x0, y0 := int(math.Floor(x)), int(math.Floor(y))
	fx, fy := float32(x-float64(x0)), float32(y-float64(y0))
	if x0 < 0 || y0 < 0 || x0+1 >= p.Width || y0+1 >= p.Height {
		return
	}
	i := 3 * (y0*p.Width + x0)
	r := p.Pix[i : i+6 : i+6]
	q := p.Pix[i+3*p.Width : i+3*p.Width+6 : i+3*p.Width+6]
	for ch := range 3 {
		t := float32(r[ch]) + fx*(float32(r[ch+3])-float32(r[ch]))
		b := float32(q[ch]) + fx*(float32(q[ch+3])-float32(q[ch]))
		sum[ch] += t + fy*(b-t)
	}
}
