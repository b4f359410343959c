package photo

import (
	"math"

	"proveout/scoring/picture/align"
)

// A warp maps pattern coordinates to photograph coordinates: a homography, a
// radial distortion about the middle of the photograph, and a polynomial of the
// third degree for what is left.
type warp struct {
	h      [9]float64
	k      float64 // r becomes r(1 + k·r²), r in half diagonals
	cx, cy float64
	half   float64
	w, hgt float64 // of the pattern
	px, py [10]float64
	nudge  nudge
}

func (w *warp) at(x, y float64) (float64, float64) {
	if w.nudge != (nudge{}) {
		x += w.nudge.at(x/w.w, y/w.hgt)
	}
	d := w.h[6]*x + w.h[7]*y + w.h[8]
	u := ((w.h[0]*x+w.h[1]*y+w.h[2])/d - w.cx) / w.half
	v := ((w.h[3]*x+w.h[4]*y+w.h[5])/d - w.cy) / w.half
	s := (1 + w.k*(u*u+v*v)) * w.half
	px, py := w.cx+u*s, w.cy+v*s
	if w.px != ([10]float64{}) || w.py != ([10]float64{}) {
		t := w.terms(x, y)
		for i := range t {
			px += w.px[i] * t[i]
			py += w.py[i] * t[i]
		}
	}
	return px, py
}

func (w *warp) terms(x, y float64) [10]float64 {
	a, b := 2*x/w.w-1, 2*y/w.hgt-1
	return [10]float64{1, a, b, a * a, a * b, b * b, a * a * a, a * a * b, a * b * b, b * b * b}
}

// straight undoes the radial distortion of a photograph point.
func (w *warp) straight(px, py float64) (float64, float64) {
	dx, dy := (px-w.cx)/w.half, (py-w.cy)/w.half
	u, v := dx, dy
	for range 8 {
		s := 1 + w.k*(u*u+v*v)
		u, v = dx/s, dy/s
	}
	return w.cx + u*w.half, w.cy + v*w.half
}

// homography fits the homography to points of the pattern and of the photograph
// by least squares (direct linear form with the last coefficient 1), after the
// distortion is undone. It reports false for points in a line.
func (w *warp) homography(from, to [][2]float64) bool {
	// Scaled coordinates keep the equations well conditioned.
	n := normalEquations{size: 8}
	for i, p := range from {
		x, y := 2*p[0]/w.w-1, 2*p[1]/w.hgt-1
		qx, qy := w.straight(to[i][0], to[i][1])
		u, v := (qx-w.cx)/w.half, (qy-w.cy)/w.half
		n.add([]float64{x, y, 1, 0, 0, 0, -x * u, -y * u}, u)
		n.add([]float64{0, 0, 0, x, y, 1, -x * v, -y * v}, v)
	}
	c, ok := n.solve()
	if !ok {
		return false
	}
	// Back to pixels: row·(scale) with x = 2p/w-1.
	row := func(a, b, d float64) [3]float64 { return [3]float64{2 * a / w.w, 2 * b / w.hgt, d - a - b} }
	r0, r1, r2 := row(c[0], c[1], c[2]), row(c[3], c[4], c[5]), row(c[6], c[7], 1)
	for i := range 3 {
		w.h[i] = r0[i]*w.half + r2[i]*w.cx
		w.h[3+i] = r1[i]*w.half + r2[i]*w.cy
		w.h[6+i] = r2[i]
	}
	return true
}

// fit finds the warp: homography from the marks, distortion by trying, then
// windows of the pattern matched and everything refined.
func (w *warp) fit(marks [4][2]float64, centres [4][2]float64, p *align.Plane, c *align.Plane, shrink float64, fine bool) (matched, tried int) {
	read := func(x, y float64) (float32, bool) {
		px, py := w.at(x, y)
		px, py = px/shrink, py/shrink
		return c.At(px, py), px >= 0 && py >= 0 && px <= float64(c.Width()) && py <= float64(c.Height())
	}
	bestK, best := 0.0, -1.0
	places := windows(p, fine, 3)
	for k := -0.12; k <= 0.1201; k += 0.01 {
		w.k = k
		if !w.homography(centres[:], marks[:]) {
			continue
		}
		s := 0.0
		for _, q := range places {
			if _, _, r := p.Locate(q[0], q[1], q[2], q[3], 2, read); r > 0.15 {
				s += r
			}
		}
		if s > best {
			best, bestK = s, k
		}
	}
	w.k = bestK
	w.homography(centres[:], marks[:])
	for round := range 4 {
		var from, to [][2]float64
		reach := 3
		if round > 1 {
			reach = 2
		}
		places = windows(p, fine, 8)
		for _, q := range places {
			dx, dy, r := p.Locate(q[0], q[1], q[2], q[3], reach, read)
			if r < 0.2 {
				continue
			}
			x, y := float64(q[0])+float64(q[2])/2, float64(q[1])+float64(q[3])/2
			px, py := w.at(x+dx, y+dy)
			from, to = append(from, [2]float64{x, y}), append(to, [2]float64{px, py})
		}
		matched, tried = len(from), len(places)
		if matched < 8 {
			return matched, tried
		}
		if round < 2 || !fine {
			w.refineDistortion(from, to)
			continue
		}
		w.refinePolynomial(from, to)
	}
	return matched, tried
}

// refineDistortion fits homography and distortion, dropping what lies far off.
func (w *warp) refineDistortion(from, to [][2]float64) {
	bestK, best := w.k, math.Inf(1)
	for k := w.k - 0.01; k <= w.k+0.01001; k += 0.001 {
		t := *w
		t.k = k
		if !t.homography(from, to) {
			continue
		}
		if e := t.spread(from, to); e < best {
			best, bestK = e, k
		}
	}
	w.k = bestK
	w.homography(from, to)
	var f2, t2 [][2]float64
	for i := range from {
		if w.miss(from[i], to[i]) < 3*best+0.5 {
			f2, t2 = append(f2, from[i]), append(t2, to[i])
		}
	}
	if len(f2) >= 8 {
		w.homography(f2, t2)
	}
}

func (w *warp) miss(p, q [2]float64) float64 {
	x, y := w.at(p[0], p[1])
	return math.Hypot(x-q[0], y-q[1])
}

// spread is the mean distance, each at most a few pixels.
func (w *warp) spread(from, to [][2]float64) float64 {
	s := 0.0
	for i := range from {
		s += min(30, w.miss(from[i], to[i]))
	}
	return s / float64(len(from))
}

func (w *warp) refinePolynomial(from, to [][2]float64) {
	typical := w.spread(from, to)
	nx, ny := normalEquations{size: 10}, normalEquations{size: 10}
	for i, p := range from {
		x, y := w.at(p[0], p[1])
		ex, ey := to[i][0]-x, to[i][1]-y
		if math.Hypot(ex, ey) > 3*typical+0.5 {
			continue
		}
		t := w.terms(p[0], p[1])
		nx.add(t[:], ex)
		ny.add(t[:], ey)
	}
	a, ok1 := nx.solve()
	b, ok2 := ny.solve()
	if !ok1 || !ok2 || nx.count < 25 {
		return
	}
	for i := range 10 {
		w.px[i] += a[i]
		w.py[i] += b[i]
	}
}

// windows lists where to match: a grid, or the strips when the content is plain.
func windows(p *align.Plane, fine bool, n int) (out [][4]int) {
	w, h := p.Width(), p.Height()
	if fine {
		const side = 28
		edge := 8*max(2, (h+75)/150) + 2
		for j := range n {
			for i := range n + n/2 {
				out = append(out, [4]int{2 + i*(w-side-4)/(n+n/2-1), edge + j*(h-side-2*edge)/(n-1), side, side})
			}
		}
		return out
	}
	unit := max(2, (h+75)/150)
	ww, hh := 10*unit, 8*unit
	for i := range 2 * n {
		x := i * (w - ww) / (2*n - 1)
		out = append(out, [4]int{x, 0, ww, hh}, [4]int{x, h - hh, ww, hh})
	}
	return out
}

// normalEquations are those of a least squares fit.
type normalEquations struct {
	size  int
	a     [48][48]float64
	b     [48]float64
	count int
}

func (n *normalEquations) add(f []float64, y float64) {
	for i, v := range f {
		row := &n.a[i]
		for j := 0; j <= i; j++ {
			row[j] += v * f[j]
		}
		n.b[i] += v * y
	}
	n.count++
}

// solve uses Cholesky decomposition; false when the unknowns are not determined.
func (n *normalEquations) solve() ([]float64, bool) { return n.solveFor(&n.b) }

func (n *normalEquations) solveFor(b *[48]float64) ([]float64, bool) {
	var l [48][48]float64
	for i := range n.size {
		for j := 0; j <= i; j++ {
			s := n.a[i][j]
			for q := range j {
				s -= l[i][q] * l[j][q]
			}
			if i == j {
				if s <= 1e-10*(1e-12+n.a[i][i]) {
					return nil, false
				}
				l[i][i] = math.Sqrt(s)
			} else {
				l[i][j] = s / l[j][j]
			}
		}
	}
	x := make([]float64, n.size)
	for i := range x {
		s := b[i]
		for q := range i {
			s -= l[i][q] * x[q]
		}
		x[i] = s / l[i][i]
	}
	for i := len(x) - 1; i >= 0; i-- {
		s := x[i]
		for q := i + 1; q < len(x); q++ {
			s -= l[q][i] * x[q]
		}
		x[i] = s / l[i][i]
	}
	return x, true
}
