// Package align finds how a capture lies over the pattern that it shows: scale,
// shift and crop of a capture device.
//
// A pattern and a capture come in, a [Fit] goes out. Brightness is compared, not
// colour, so that a missing or swapped channel does not hinder. It does not
// correct levels and knows nothing of perspective.
package align

import (
	"errors"
	"math"
	"sort"

	"proveout/scoring/picture/raster"
)

// A Fit maps the pattern to the capture: a point at pattern coordinate p (pixel
// i covers i to i+1) lies at capture coordinate Scale·p + Shift.
type Fit struct {
	ScaleX, ScaleY float64 // capture pixels per pattern pixel
	ShiftX, ShiftY float64 // capture pixels; where the corner of the pattern lies
	Match          float64 // correlation of the matched windows, 0 to 1
	Windows        int     // windows that matched
	Tried          int     // windows that were tried
	Residual       float64 // root mean square of what the fit leaves, pattern pixels
}

// Exact reports whether no resampling is needed: scale 1 and whole pixels.
func (f Fit) Exact() bool {
	return f.ScaleX == 1 && f.ScaleY == 1 && f.ShiftX == math.Trunc(f.ShiftX) && f.ShiftY == math.Trunc(f.ShiftY)
}

// ErrFlat says that the capture shows nothing that could be matched.
var ErrFlat = errors.New("the capture is all of one brightness")

// ErrNoMatch says that the pattern was not found in the capture.
var ErrNoMatch = errors.New("the pattern was not found in the capture: another pattern, a cut picture, or a fault that leaves nothing of it")

// A Texture says what a pattern offers for matching.
type Texture int

// Fine patterns are unique at every place; Coarse ones only through the marks
// and strips at their edges.
const (
	Fine Texture = iota
	Coarse
)

const (
	minScale = 0.97
	maxScale = 2.06
)

// Find fits the pattern to the capture.
func Find(pattern, capture *raster.RGB, texture Texture, guess []Fit) (Fit, error) {
	p, c := brightness(pattern), brightness(capture)
	if c.deviation() < 1.5 {
		return Fit{}, ErrFlat
	}
	places := windows(p, texture)
	var best Fit
	try := func(start Fit, reach int) bool {
		f, ok := refine(p, c, start, places, reach, texture)
		if ok && (f.Windows > best.Windows || f.Windows == best.Windows && f.Match > best.Match) {
			best = f
		}
		return ok && f.Windows*2 > f.Tried
	}
	done := false
	if p.w == c.w && p.h == c.h {
		if f, ok := inPlace(p, c, places); ok {
			return f, nil
		}
		done = try(Fit{ScaleX: 1, ScaleY: 1}, 3)
	}
	for _, g := range guess {
		if done {
			break
		}
		done = try(g, 4)
	}
	if !done {
		search(p, c, texture, func(g Fit) bool { return try(g, 6) })
	}
	if best.Windows < 5 || best.Windows*6 < best.Tried {
		if c.blockDeviation() < 3 {
			return best, ErrFlat
		}
		return best, ErrNoMatch
	}
	return snap(best, p, c, texture), nil
}

// inPlace reports whether a capture of the same size lies where it should: the
// usual case of a dump.
func inPlace(p, c plane, places []place) (Fit, bool) {
	f := Fit{ScaleX: 1, ScaleY: 1, Tried: len(places)}
	for _, w := range places {
		if _, _, r := locate(p, c, f, w, 0); r > 0.99 {
			f.Match += r
			f.Windows++
		}
	}
	if f.Windows > 0 {
		f.Match /= float64(f.Windows)
	}
	return f, f.Windows*4 >= f.Tried*3
}

// snap takes the exact values that a capture device would have, when the fit is
// nearer to them than it can tell apart.
func snap(f Fit, p, c plane, t Texture) Fit {
	loose := 1.0
	if t == Coarse {
		loose = 3
	}
	axis := func(scale, shift float64, n, m int) (float64, float64) {
		mid := float64(n) / 2
		for _, s := range []float64{1, float64(m) / float64(n), 1.25, 1.5, 1.75, 2} {
			near := 0.06
			if s == 1 {
				near = 0.2
			}
			if math.Abs(s-scale)*mid < near*loose {
				shift += (scale - s) * mid
				scale = s
				break
			}
		}
		if r := math.Round(shift); math.Abs(r-shift) < 0.15*min(loose, 2) {
			shift = r
		}
		return scale, shift
	}
	f.ScaleX, f.ShiftX = axis(f.ScaleX, f.ShiftX, p.w, c.w)
	f.ScaleY, f.ShiftY = axis(f.ScaleY, f.ShiftY, p.h, c.h)
	return f
}

// A plane is one brightness a pixel.
type plane struct {
	w, h int
	v    []float32
}

func brightness(p *raster.RGB) plane {
	q := plane{p.Width, p.Height, make([]float32, p.Width*p.Height)}
	for i := range q.v {
		s := p.Pix[3*i : 3*i+3 : 3*i+3]
		q.v[i] = float32(int(s[0])+int(s[1])+int(s[2])) / 3
	}
	return q
}

func (p plane) deviation() float64 {
	var s, q float64
	for i := 0; i < len(p.v); i += 3 {
		v := float64(p.v[i])
		s += v
		q += v * v
	}
	n := float64((len(p.v) + 2) / 3)
	return math.Sqrt(max(0, q/n-s/n*s/n))
}

// blockDeviation is the deviation of the means of blocks of 16×16 pixels, which
// noise hardly moves.
func (p plane) blockDeviation() float64 {
	const n = 16
	var s, q, count float64
	for y := 0; y+n <= p.h; y += n {
		for x := 0; x+n <= p.w; x += n {
			var m float32
			for j := range n {
				for _, v := range p.v[(y+j)*p.w+x : (y+j)*p.w+x+n] {
					m += v
				}
			}
			v := float64(m) / (n * n)
			s += v
			q += v * v
			count++
		}
	}
	if count == 0 {
		return 0
	}
	return math.Sqrt(max(0, q/count-s/count*s/count))
}

// at reads between pixel centres; coordinates count from the corner. Beyond the
// edge it repeats the edge.
func (p plane) at(x, y float64) float32 {
	x, y = x-0.5, y-0.5
	x0, y0 := int(math.Floor(x)), int(math.Floor(y))
	fx, fy := float32(x-float64(x0)), float32(y-float64(y0))
	xa, xb := min(max(x0, 0), p.w-1), min(max(x0+1, 0), p.w-1)
	ya, yb := min(max(y0, 0), p.h-1)*p.w, min(max(y0+1, 0), p.h-1)*p.w
	top := p.v[ya+xa] + fx*(p.v[ya+xb]-p.v[ya+xa])
	bottom := p.v[yb+xa] + fx*(p.v[yb+xb]-p.v[yb+xa])
	return top + fy*(bottom-top)
}

// A place is the corner of a window of the pattern.
type place struct{ x, y, w, h int }

// windows chooses where to match: a grid for fine patterns, the marks and
// strips at top and bottom for coarse ones.
func windows(p plane, t Texture) (out []place) {
	if t == Fine {
		const side = 40
		edge := min(8*max(2, (p.h+75)/150)+2, (p.h-2*side)/2) // the marks are alike in all patterns
		nx, ny := min(9, max(5, p.w/100)), min(7, max(5, p.h/100))
		for j := range ny {
			for i := range nx {
				out = append(out, place{4 + i*(p.w-side-8)/(nx-1), edge + j*(p.h-side-2*edge)/(ny-1), side, side})
			}
		}
		return out
	}
	unit := max(2, (p.h+75)/150)
	w, h := 12*unit, 8*unit
	for i := range 8 {
		x := i * (p.w - w) / 7
		out = append(out, place{x, 0, w, h}, place{x, p.h - h, w, h})
	}
	return out
}

// refine moves a fit until every window lies best, three times.
func refine(p, c plane, f Fit, places []place, reach int, t Texture) (Fit, bool) {
	least := 0.25 // correlation of a window that counts
	if t == Coarse {
		least = 0.6
	}
	for round := range 4 {
		var xs, ys []sample
		match := 0.0
		for _, w := range places {
			dx, dy, r := locate(p, c, f, w, reach)
			if r < least {
				continue
			}
			match += r
			cx, cy := float64(w.x)+float64(w.w)/2, float64(w.y)+float64(w.h)/2
			xs = append(xs, sample{cx, dx})
			ys = append(ys, sample{cy, dy})
		}
		f.Windows, f.Tried = len(xs), len(places)
		if len(xs) < 3 {
			return f, false
		}
		f.Match = match / float64(len(xs))
		ax, bx, rx, nx := line(xs)
		ay, by, ry, ny := line(ys)
		f.Windows = min(nx, ny)
		f.Residual = math.Hypot(rx, ry)
		// A displacement d at p moves the image by Scale·d.
		f.ShiftX += f.ScaleX * ax
		f.ShiftY += f.ScaleY * ay
		f.ScaleX *= 1 + bx
		f.ScaleY *= 1 + by
		if round > 0 {
			if math.Abs(ax)+math.Abs(bx)*float64(p.w)+math.Abs(ay)+math.Abs(by)*float64(p.h) < 0.004 {
				break // another round would change nothing
			}
			reach = 2
		}
	}
	return f, f.Residual < 0.6
}

type sample struct{ at, d float64 }

// line fits d = a + b·at robustly: median of slopes between distant samples,
// then least squares over what lies within a pixel and a half.
func line(s []sample) (a, b, rms float64, used int) {
	var slopes []float64
	for i := range s {
		for j := i + 1; j < len(s); j++ {
			if d := s[j].at - s[i].at; math.Abs(d) > 60 {
				slopes = append(slopes, (s[j].d-s[i].d)/d)
			}
		}
	}
	if len(slopes) > 0 {
		b = median(slopes)
	}
	var rest []float64
	for _, v := range s {
		rest = append(rest, v.d-b*v.at)
	}
	a = median(rest)
	for range 2 {
		var n, sx, sy, sxx, sxy float64
		for _, v := range s {
			if math.Abs(v.d-a-b*v.at) > 1.5 {
				continue
			}
			n++
			sx += v.at
			sy += v.d
			sxx += v.at * v.at
			sxy += v.at * v.d
		}
		if det := n*sxx - sx*sx; n >= 3 && det > 1e-6*n*n {
			b = (n*sxy - sx*sy) / det
			a = (sy - b*sx) / n
		}
	}
	for _, v := range s {
		if e := v.d - a - b*v.at; math.Abs(e) <= 1.5 {
			rms += e * e
			used++
		}
	}
	if used > 0 {
		rms = math.Sqrt(rms / float64(used))
	}
	return a, b, rms, used
}

func median(v []float64) float64 {
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	return s[len(s)/2]
}

// A Plane is one brightness a pixel.
type Plane struct{ plane }

// NewPlane returns the mean of the three channels.
func NewPlane(p *raster.RGB) *Plane { return &Plane{brightness(p)} }

// At reads between pixel centres; coordinates count from the corner, and beyond
// the edge the edge is repeated.
func (p *Plane) At(x, y float64) float32 { return p.at(x, y) }

// Width and Height return the size in pixels.
func (p *Plane) Width() int  { return p.w }
func (p *Plane) Height() int { return p.h }

// Shrink returns the plane at a whole fraction of its size, each pixel the mean
// of n×n.
func (p *Plane) Shrink(n int) *Plane {
	if n <= 1 {
		return p
	}
	q := plane{p.w / n, p.h / n, make([]float32, (p.w/n)*(p.h/n))}
	k := 1 / float32(n*n)
	for y := range q.h {
		out := q.v[y*q.w : (y+1)*q.w]
		for j := range n {
			row := p.v[(y*n+j)*p.w : (y*n+j)*p.w+q.w*n]
			for x := range out {
				for _, v := range row[x*n : x*n+n] {
					out[x] += v
				}
			}
		}
		for x := range out {
			out[x] *= k
		}
	}
	return &Plane{q}
}

// Locate finds the displacement, in pattern pixels and at most reach, at which a
// window of the pattern correlates best with a capture, and that correlation.
// read returns the capture at a place of the pattern, false outside it.
func (p *Plane) Locate(x, y, w, h, reach int, read func(x, y float64) (float32, bool)) (dx, dy, r float64) {
	return locateBy(p.plane, place{x, y, w, h}, reach, read)
}

// locate is locateBy for a fit: the same, but places across are worked out once.
func locate(p, c plane, f Fit, w place, reach int) (dx, dy, r float64) {
	cw, ch := w.w+2*reach, w.h+2*reach
	type column struct {
		a, b int
		t    float32
		in   bool
	}
	columns := make([]column, cw)
	for i := range columns {
		x := f.ScaleX*(float64(w.x+i-reach)+0.5) + f.ShiftX
		low := math.Floor(x - 0.5)
		columns[i] = column{min(max(int(low), 0), c.w-1), min(max(int(low)+1, 0), c.w-1), float32(x - 0.5 - low), x >= 0 && x <= float64(c.w)}
	}
	patch := make([]float32, cw*ch)
	outside := 0
	for j := range ch {
		y := f.ScaleY*(float64(w.y+j-reach)+0.5) + f.ShiftY
		low := math.Floor(y - 0.5)
		t, in := float32(y-0.5-low), y >= 0 && y <= float64(c.h)
		above, below := min(max(int(low), 0), c.h-1)*c.w, min(max(int(low)+1, 0), c.h-1)*c.w
		top, bottom, row := c.v[above:above+c.w], c.v[below:below+c.w], patch[j*cw:(j+1)*cw]
		for i, q := range columns {
			if !in || !q.in {
				outside++
			}
			u := top[q.a] + q.t*(top[q.b]-top[q.a])
			v := bottom[q.a] + q.t*(bottom[q.b]-bottom[q.a])
			row[i] = u + t*(v-u)
		}
	}
	return matchPatch(p, w, reach, patch, outside)
}

func locateBy(p plane, w place, reach int, read func(x, y float64) (float32, bool)) (dx, dy, r float64) {
	cw, ch := w.w+2*reach, w.h+2*reach
	patch := make([]float32, cw*ch)
	outside := 0
	for j := range ch {
		for i := range cw {
			v, in := read(float64(w.x+i-reach)+0.5, float64(w.y+j-reach)+0.5)
			if !in {
				outside++
			}
			patch[j*cw+i] = v
		}
	}
	return matchPatch(p, w, reach, patch, outside)
}

// matchPatch finds where in a patch, of which so many values lie outside the
// capture, a window lies best.
func matchPatch(p plane, w place, reach int, patch []float32, outside int) (dx, dy, r float64) {
	cw, ch := w.w+2*reach, w.h+2*reach
	if outside*4 > cw*ch {
		return 0, 0, 0
	}
	n := 2*reach + 1
	score := make([]float64, n*n)
	var ps, pq float64
	for j := range w.h {
		for _, v := range p.v[(w.y+j)*p.w+w.x : (w.y+j)*p.w+w.x+w.w] {
			ps += float64(v)
			pq += float64(v) * float64(v)
		}
	}
	area := float64(w.w * w.h)
	pvar := pq - ps*ps/area
	if pvar < area {
		return 0, 0, 0
	}
	sums := sumsOf(patch, cw, ch)
	best := 0
	for k := range score {
		ox, oy := k%n, k/n
		var x64 float64
		for j := range w.h {
			x64 += float64(dot(p.v[(w.y+j)*p.w+w.x:(w.y+j)*p.w+w.x+w.w], patch[(oy+j)*cw+ox:(oy+j)*cw+ox+w.w]))
		}
		s64, q64 := sums.of(ox, oy, w.w, w.h)
		cvar := q64 - s64*s64/area
		if cvar > area*0.05 {
			score[k] = (x64 - s64*ps/area) / math.Sqrt(cvar*pvar)
		}
		if score[k] > score[best] {
			best = k
		}
	}
	bx, by := best%n, best/n
	dx, dy = float64(bx-reach), float64(by-reach)
	if bx > 0 && bx < n-1 {
		dx += vertex(score[best-1], score[best], score[best+1])
	}
	if by > 0 && by < n-1 {
		dy += vertex(score[best-n], score[best], score[best+n])
	}
	return dx, dy, score[best]
}

// dot returns the sum of the products of two lines of equal length.
func dot(a, b []float32) float32 {
	b = b[:len(a)]
	var s0, s1, s2, s3 float32
	for len(a) >= 4 && len(b) >= 4 {
		s0 += a[0] * b[0]
		s1 += a[1] * b[1]
		s2 += a[2] * b[2]
		s3 += a[3] * b[3]
		a, b = a[4:], b[4:]
	}
	for i, v := range a {
		s0 += v * b[i]
	}
	return s0 + s1 + s2 + s3
}

// areaSums gives the sum of the values and of their squares of any rectangle.
type areaSums struct {
	width int // one more than that of the picture
	s, q  []float64
}

func sumsOf(v []float32, w, h int) areaSums {
	a := areaSums{w + 1, make([]float64, (w+1)*(h+1)), make([]float64, (w+1)*(h+1))}
	for y := range h {
		var s, q float64
		at := (y+1)*a.width + 1
		for x, u := range v[y*w : (y+1)*w] {
			s += float64(u)
			q += float64(u) * float64(u)
			a.s[at+x], a.q[at+x] = s+a.s[at+x-a.width], q+a.q[at+x-a.width]
		}
	}
	return a
}

func (a areaSums) of(x, y, w, h int) (s, q float64) {
	i, j := y*a.width+x, (y+h)*a.width+x
	return a.s[j+w] - a.s[j] - a.s[i+w] + a.s[i], a.q[j+w] - a.q[j] - a.q[i+w] + a.q[i]
}

// vertex returns where a parabola through three equally spaced values peaks.
func vertex(a, b, c float64) float64 {
	d := a - 2*b + c
	if d >= 0 {
		return 0
	}
	return min(0.5, max(-0.5, (a-c)/(2*d)))
}
