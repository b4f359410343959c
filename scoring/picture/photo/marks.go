// Package photo reads a photograph of a monitor that shows a test pattern.
//
// A photograph and the frame on the screen come in; the screen on the grid of
// the pattern comes out, with perspective and lens distortion undone, uneven
// light levelled and the smearing between neighbours and channels taken out.
// It does not judge lines.
package photo

import (
	"errors"
	"math"
	"sort"

	"proveout/scoring/picture/align"
)

// A mark is a corner mark found in the photograph: centre and module size in
// photograph pixels, and how well it looks like one, 0 to 1.
type mark struct {
	x, y, module float64
	score        float64
}

// ErrNoMarks says that fewer than four corner marks were found.
var ErrNoMarks = errors.New("the four corner marks of the pattern were not found in the photograph: the whole screen must be in it, sharp and without glare")

// seekWidth is about the width in pixels to which a photograph is shrunk before marks
// are sought by correlation.
const seekWidth = 800

// A finder holds sums over rectangles of a plane, from which the correlation
// with a corner mark follows at every place for the same small cost.
type finder struct {
	w, h    int
	sum, sq []float64 // from the corner to x, y; rows of w+1
}

func newFinder(p *align.Plane) *finder {
	f := &finder{w: p.Width(), h: p.Height()}
	n := f.w + 1
	f.sum, f.sq = make([]float64, n*(f.h+1)), make([]float64, n*(f.h+1))
	for y := range f.h {
		var s, q float64
		for x := range f.w {
			v := float64(p.At(float64(x)+0.5, float64(y)+0.5))
			s += v
			q += v * v
			f.sum[(y+1)*n+x+1] = f.sum[y*n+x+1] + s
			f.sq[(y+1)*n+x+1] = f.sq[y*n+x+1] + q
		}
	}
	return f
}

// A rings is a mark at one size: the half widths of its squares of 3, 5, 7 and,
// with the gap around it, 9 modules, in pixels.
type rings struct {
	module float64
	half   [4]int
}

// ringsOf rounds the squares of a mark to pixels; a square about the middle of
// pixel x covers x-half to x+half.
func ringsOf(module float64) rings {
	r := rings{module: module}
	for k := range r.half {
		r.half[k] = max(k, int(math.Round((float64(3+2*k)*module-1)/2)))
	}
	return r
}

func box(s []float64, n, x, y, half int) float64 {
	a, b := (y-half)*n+x-half, (y+half+1)*n+x-half
	k := 2*half + 1
	return s[b+k] - s[b] - s[a+k] + s[a]
}

// correlation tells how well a place looks like a mark, -1 to 1: the better of
// the mark with the dark gap around it and, for screens in a light surround, a
// little less for the mark alone.
func (f *finder) correlation(r *rings, x, y int) float64 {
	n := f.w + 1
	var s, a [4]float64
	for k, half := range r.half {
		s[k] = box(f.sum, n, x, y, half)
		a[k] = float64((2*half + 1) * (2*half + 1))
		if k == 1 && s[0]*(a[1]-a[0]) <= (s[1]-s[0])*a[0] {
			return -1 // the middle is darker than the ring around it
		}
	}
	bright, area := s[2]-s[1]+s[0], a[2]-a[1]+a[0]
	best := -1.0
	for k := 2; k < 4; k++ {
		dark := s[k] - bright
		difference := bright/area - dark/(a[k]-area)
		if difference < 12 {
			continue
		}
		mean := s[k] / a[k]
		variance := box(f.sq, n, x, y, r.half[k])/a[k] - mean*mean
		share := area / a[k]
		if variance > 0 {
			best = max(best, difference*math.Sqrt(share*(1-share)/variance)-[2]float64{0.1, 0}[k-2])
		}
	}
	return best
}

// seek finds what looks like a mark by correlation, which blur, noise and
// missing columns lower but do not break. Modules from one size in pixels to
// another are tried.
func (f *finder) seek(from, to float64) []mark {
	const least = 0.5
	var found []mark
	for module := from; module < to; module *= 1.11 {
		r := ringsOf(module)
		edge := r.half[3] + 2
		for y := edge; y < f.h-edge; y++ {
			for x := edge; x < f.w-edge; x++ {
				c := f.correlation(&r, x, y)
				if c < least || c < f.correlation(&r, x-1, y) || c < f.correlation(&r, x, y-1) ||
					c <= f.correlation(&r, x+1, y) || c <= f.correlation(&r, x, y+1) {
					continue
				}
				dx := top(f.correlation(&r, x-1, y), c, f.correlation(&r, x+1, y))
				dy := top(f.correlation(&r, x, y-1), c, f.correlation(&r, x, y+1))
				found = append(found, mark{float64(x) + 0.5 + dx, float64(y) + 0.5 + dy, module, c})
			}
		}
	}
	return merge(found)
}

// top is where a parabola through three values one apart is highest.
func top(a, b, c float64) float64 {
	d := a - 2*b + c
	if d >= 0 {
		return 0
	}
	return min(0.5, max(-0.5, (a-c)/(2*d)))
}

// frame picks the four of the candidates that look most like the corners of a
// screen. The sides are taken to be modules wide; 0 when that is not known.
func frame(all []mark, aspect, modules float64) ([4]mark, error) {
	c := all[:min(len(all), 22)]
	var best [4]mark
	score := 0.0
	alike := func(a, b *mark) bool { return a.module < 1.8*b.module && b.module < 1.8*a.module }
	for i := range c {
		for j := range c {
			dx, dy := c[j].x-c[i].x, c[j].y-c[i].y
			if dx <= 0 || math.Abs(dy) > 0.35*dx || !alike(&c[i], &c[j]) {
				continue
			}
			if wide := dx / ((c[i].module + c[j].module) / 2); modules > 0 && (wide < 0.7*modules || wide > 1.4*modules) {
				continue
			}
			for k := range c {
				ex, ey := c[k].x-c[i].x, c[k].y-c[i].y
				if ey <= 0 || math.Abs(ex) > 0.35*ey || !alike(&c[i], &c[k]) {
					continue
				}
				for l := range c {
					q := [4]mark{c[i], c[j], c[k], c[l]}
					if !alike(&c[i], &c[l]) || c[l].x-c[k].x < dx/2 || c[l].y-c[j].y < ey/2 || !screenlike(q, aspect) {
						continue
					}
					s := 0.0
					for _, m := range q {
						s += m.score * m.score
					}
					if modules == 0 {
						s *= math.Sqrt(dx)
					}
					if s > score {
						score, best = s, q
					}
				}
			}
		}
	}
	if score == 0 {
		return best, ErrNoMarks
	}
	return best, nil
}

// merge joins candidates of one mark and sorts by score.
func merge(found []mark) []mark {
	sort.Slice(found, func(a, b int) bool { return found[a].score > found[b].score })
	var out []mark
next:
	for _, m := range found {
		for _, o := range out {
			if math.Hypot(m.x-o.x, m.y-o.y) < 3*o.module {
				continue next
			}
		}
		out = append(out, m)
		if len(out) == 60 {
			break
		}
	}
	return out
}

// screenlike reports whether four marks can be the corners of a screen.
func screenlike(q [4]mark, aspect float64) bool {
	d := func(a, b int) float64 { return math.Hypot(q[a].x-q[b].x, q[a].y-q[b].y) }
	top, bottom, left, right := d(0, 1), d(2, 3), d(0, 2), d(1, 3)
	if min(top, bottom, left, right) < 40 || max(top, bottom) > 1.6*min(top, bottom) || max(left, right) > 1.6*min(left, right) {
		return false
	}
	a := (top + bottom) / (left + right) / aspect
	return a < 1.5 && a > 1/1.5
}
