package align

import (
	"math"

	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A cubic holds the terms, or the coefficients, of a polynomial of the third
// degree over the screen.
type cubic [10]float64

func (c *cubic) at(terms *cubic) float64 {
	s := 0.0
	for i, v := range terms {
		s += c[i] * v
	}
	return s
}

// A warp maps pattern coordinates to photograph coordinates: a homography, a
// radial distortion about the middle of the photograph, and a polynomial of the
// third degree for what is left.
type warp struct {
	plane         [9]float64 // the homography, row by row
	lens          float64    // r becomes r(1 + lens·r²), r in half diagonals
	centreX       float64    // of the photograph
	centreY       float64
	halfDiagonal  float64
	width, height float64 // of the pattern
	leftX, leftY  cubic
	nudge         nudge
}

// A point of the pattern or of the photograph.
type point [2]float64

func newWarp(m pattern.Mode, photo plane) *warp {
	width, height := float64(photo.width), float64(photo.height)
	return &warp{
		centreX: width / 2, centreY: height / 2, halfDiagonal: math.Hypot(width, height) / 2,
		width: float64(m.Width), height: float64(m.Height),
	}
}

func (w *warp) at(x, y float64) (float64, float64) {
	if w.nudge != (nudge{}) {
		x += w.nudge.at(x/w.width, y/w.height)
	}
	h := &w.plane
	d := h[6]*x + h[7]*y + h[8]
	u := ((h[0]*x+h[1]*y+h[2])/d - w.centreX) / w.halfDiagonal
	v := ((h[3]*x+h[4]*y+h[5])/d - w.centreY) / w.halfDiagonal
	s := (1 + w.lens*(u*u+v*v)) * w.halfDiagonal
	px, py := w.centreX+u*s, w.centreY+v*s
	if w.leftX != (cubic{}) || w.leftY != (cubic{}) {
		terms := w.terms(x, y)
		for i := range terms {
			px += w.leftX[i] * terms[i]
			py += w.leftY[i] * terms[i]
		}
	}
	return px, py
}

// terms are those of a cubic at a place of the pattern.
func (w *warp) terms(x, y float64) cubic {
	a, b := 2*x/w.width-1, 2*y/w.height-1
	return cubic{1, a, b, a * a, a * b, b * b, a * a * a, a * a * b, a * b * b, b * b * b}
}

// straight undoes the radial distortion of a photograph point. Each round leaves
// a fraction 2·lens·r² of the error, so that far outside the photograph it takes
// more than the usual handful.
func (w *warp) straight(px, py float64) (float64, float64) {
	dx, dy := (px-w.centreX)/w.halfDiagonal, (py-w.centreY)/w.halfDiagonal
	u, v := dx, dy
	for range 50 {
		s := 1 + w.lens*(u*u+v*v)
		moved := math.Abs(u-dx/s) + math.Abs(v-dy/s)
		u, v = dx/s, dy/s
		if moved < 1e-10 {
			break
		}
	}
	return w.centreX + u*w.halfDiagonal, w.centreY + v*w.halfDiagonal
}

// fitPlane fits the homography to points of the pattern and of the photograph
// by least squares (direct linear form with the last coefficient 1), after the
// distortion is undone. It reports false for points in a line.
func (w *warp) fitPlane(from, to []point) bool {
	// Scaled coordinates keep the equations well conditioned.
	q := newLeastSquares(8, 1)
	for i, p := range from {
		x, y := 2*p[0]/w.width-1, 2*p[1]/w.height-1
		px, py := w.straight(to[i][0], to[i][1])
		u, v := (px-w.centreX)/w.halfDiagonal, (py-w.centreY)/w.halfDiagonal
		q.add([]float64{x, y, 1, 0, 0, 0, -x * u, -y * u}, u)
		q.add([]float64{0, 0, 0, x, y, 1, -x * v, -y * v}, v)
	}
	c, ok := q.solve(0)
	if !ok {
		return false
	}
	// Back to pixels: x was 2p/width-1.
	row := func(a, b, d float64) [3]float64 { return [3]float64{2 * a / w.width, 2 * b / w.height, d - a - b} }
	across, down, depth := row(c[0], c[1], c[2]), row(c[3], c[4], c[5]), row(c[6], c[7], 1)
	for i := range 3 {
		w.plane[i] = across[i]*w.halfDiagonal + depth[i]*w.centreX
		w.plane[3+i] = down[i]*w.halfDiagonal + depth[i]*w.centreY
		w.plane[6+i] = depth[i]
	}
	return true
}

// photoWindows lists where a photograph is matched, in about n rows.
func photoWindows(p plane, texture Texture, n int) []window {
	unit := markUnit(p)
	if texture == Fine {
		return spreadWindows(p, 28, 2, 8*unit+2, n+n/2, n)
	}
	return edgeWindows(p, 10*unit, 8*unit, 2*n)
}

// fitWarp finds the warp: homography from the marks, distortion by trying, then
// windows of the pattern matched and everything refined, on the photograph shrunk
// to a whole fraction.
func (r *rectifier) fitWarp(w *warp, marks [4]mark, shrink int) (matched, tried int) {
	photo, k := r.photo.shrink(shrink), float64(shrink)
	read := func(x, y float64) (float32, bool) {
		px, py := w.at(x, y)
		px, py = px/k, py/k
		return photo.at(px, py), px >= 0 && py >= 0 && px <= float64(photo.width) && py <= float64(photo.height)
	}
	from, to := centres(r.mode), middles(marks)
	bestLens, best := 0.0, -1.0
	for lens := -0.12; lens <= 0.1201; lens += 0.01 {
		w.lens = lens
		if !w.fitPlane(from[:], to[:]) {
			continue
		}
		score := 0.0
		for _, q := range photoWindows(r.pattern, r.texture, 3) {
			if _, _, c := r.pattern.locate(q, 2, read); c > 0.15 {
				score += c
			}
		}
		if score > best {
			best, bestLens = score, lens
		}
	}
	w.lens = bestLens
	w.fitPlane(from[:], to[:])
	windows := photoWindows(r.pattern, r.texture, 8)
	for round := range 4 {
		var from, to []point
		reach := 3
		if round > 1 {
			reach = 2
		}
		for _, q := range windows {
			dx, dy, c := r.pattern.locate(q, reach, read)
			if c < 0.2 {
				continue
			}
			x, y := float64(q.x)+float64(q.width)/2, float64(q.y)+float64(q.height)/2
			px, py := w.at(x+dx, y+dy)
			from, to = append(from, point{x, y}), append(to, point{px, py})
		}
		matched = len(from)
		if matched < 8 {
			break
		}
		if round < 2 || r.texture == Coarse {
			w.refineLens(from, to)
			continue
		}
		w.refineRest(from, to)
	}
	return matched, len(windows)
}

// refineLens fits homography and distortion, dropping what lies far off.
func (w *warp) refineLens(from, to []point) {
	bestLens, best := w.lens, math.Inf(1)
	for lens := w.lens - 0.01; lens <= w.lens+0.01001; lens += 0.001 {
		try := *w
		try.lens = lens
		if !try.fitPlane(from, to) {
			continue
		}
		if e := try.typicalMiss(from, to); e < best {
			best, bestLens = e, lens
		}
	}
	w.lens = bestLens
	w.fitPlane(from, to)
	var nearFrom, nearTo []point
	for i := range from {
		if w.miss(from[i], to[i]) < 3*best+0.5 {
			nearFrom, nearTo = append(nearFrom, from[i]), append(nearTo, to[i])
		}
	}
	if len(nearFrom) >= 8 {
		w.fitPlane(nearFrom, nearTo)
	}
}

func (w *warp) miss(from, to point) float64 {
	x, y := w.at(from[0], from[1])
	return math.Hypot(x-to[0], y-to[1])
}

// typicalMiss is the mean distance, each at most a few pixels.
func (w *warp) typicalMiss(from, to []point) float64 {
	s := 0.0
	for i := range from {
		s += min(30, w.miss(from[i], to[i]))
	}
	return s / float64(len(from))
}

// refineRest fits the polynomial to what homography and distortion leave.
func (w *warp) refineRest(from, to []point) {
	typical := w.typicalMiss(from, to)
	q := newLeastSquares(len(cubic{}), 2)
	for i, p := range from {
		x, y := w.at(p[0], p[1])
		ex, ey := to[i][0]-x, to[i][1]-y
		if math.Hypot(ex, ey) > 3*typical+0.5 {
			continue
		}
		terms := w.terms(p[0], p[1])
		q.add(terms[:], ex, ey)
	}
	moreX, ok := q.solve(0)
	if !ok || q.count < 25 {
		return
	}
	moreY, _ := q.solve(1)
	for i := range w.leftX {
		w.leftX[i] += moreX[i]
		w.leftY[i] += moreY[i]
	}
}

const nudgeNodes = 8 // across each strip

// A nudge corrects the place across of what was read, in screen pixels, at nodes
// along the top and the bottom strip; between them it is linear.
type nudge [2][nudgeNodes]float64

func (n *nudge) at(x, y float64) float64 {
	t := min(nudgeNodes-1, max(0, x*nudgeNodes-0.5))
	k := min(nudgeNodes-2, int(t))
	u := t - float64(k)
	top := n[0][k] + u*(n[0][k+1]-n[0][k])
	bottom := n[1][k] + u*(n[1][k+1]-n[1][k])
	v := min(1, max(0, y))
	return top + v*(bottom-top)
}

// settle measures how far the cells of the identification strips lie from where
// they were read, and corrects the warp by it. It reports whether all of the
// nodes could be measured.
func (s *Screen) settle(wanted *raster.RGB, edge int) bool {
	n := s.warp.nudge
	for strip := range n {
		y0, y1 := 0, edge-2
		if strip == 1 {
			y0, y1 = s.Grid.Height-edge+2, s.Grid.Height
		}
		for k := range n[strip] {
			x0, x1 := s.Grid.Width*k/nudgeNodes, s.Grid.Width*(k+1)/nudgeNodes
			e, ok := s.readTooFarRight(wanted, x0, y0, x1, y1)
			if !ok {
				return false
			}
			n[strip][k] -= e
		}
	}
	s.warp.nudge = n
	return true
}

// readTooFarRight is by how many pixels a part of a strip was read too far right:
// the captured level is fitted as a multiple of the wanted one and of its slope.
func (s *Screen) readTooFarRight(wanted *raster.RGB, x0, y0, x1, y1 int) (float64, bool) {
	q := newLeastSquares(3, 1)
	width := s.Grid.Width
	red := func(i int) float64 { return float64(wanted.Pix[3*i]) } // strips are black and white
	for y := y0; y < y1; y++ {
		for x := max(1, x0); x < min(width-1, x1); x++ {
			i := y*width + x
			same := true // above and below, so that the place down does not matter
			for _, j := range []int{i - width, i + width} {
				same = same && (j < 0 || 3*j >= len(wanted.Pix) || red(j) == red(i))
			}
			if !same {
				continue
			}
			slope := (red(i+1) - red(i-1)) / 2
			q.add([]float64{1, red(i), slope}, float64(s.Grid.V[0][i]+s.Grid.V[1][i]+s.Grid.V[2][i])/3)
		}
	}
	c, ok := q.solve(0)
	if !ok || q.count < 40 || c[1] < 0.05 {
		return 0, false
	}
	return min(0.7, max(-0.7, c[2]/c[1])), true
}
