package align

import "math"

// polish moves a fit by what the slopes of the whole pattern tell: where a picture
// lies a little beside its place, it is off by that much times its slope there. So
// the edges of a coarse pattern tell its place to a small part of a pixel,
// whichever of them were captured. A fit that it would move by pixels stays: then
// the windows have seen something else.
func (m *matcher) polish(f Fit) Fit {
	const far, still = 2, 0.01 // pattern pixels
	width, height := float64(m.pattern.width), float64(m.pattern.height)
	out := f
	points := m.steep()
	for range 4 {
		d, ok := m.beside(out, points)
		if !ok {
			return f
		}
		out.ShiftX, out.ScaleX = out.ShiftX+out.ScaleX*d[0], out.ScaleX*(1+d[1])
		out.ShiftY, out.ScaleY = out.ShiftY+out.ScaleY*d[2], out.ScaleY*(1+d[3])
		if math.Abs(d[0])+math.Abs(d[1])*width+math.Abs(d[2])+math.Abs(d[3])*height < still {
			break
		}
	}
	moved := func(scale, shift, wasScale, wasShift, size float64) float64 {
		return max(math.Abs(shift-wasShift), math.Abs((scale-wasScale)*size+shift-wasShift)) / wasScale
	}
	if moved(out.ScaleX, out.ShiftX, f.ScaleX, f.ShiftX, width) > far ||
		moved(out.ScaleY, out.ShiftY, f.ScaleY, f.ShiftY, height) > far {
		return f
	}
	return out
}

// A slope is how a pattern changes about a pixel.
type slope struct {
	x, y         float64 // centre of the pixel
	across, down float64 // levels a pixel
	level        float64
}

// steep lists the pixels of the pattern where it changes.
func (m *matcher) steep() (out []slope) {
	const least = 10 // levels a pixel; less tells of noise rather than of the place
	p := m.pattern
	for j := 1; j < p.height-1; j++ {
		for i := 1; i < p.width-1; i++ {
			at := j*p.width + i
			across, down := p.v[at+1]-p.v[at-1], p.v[at+p.width]-p.v[at-p.width]
			if across > 2*least || across < -2*least || down > 2*least || down < -2*least {
				out = append(out, slope{float64(i) + 0.5, float64(j) + 0.5,
					float64(across) / 2, float64(down) / 2, float64(p.v[at])})
			}
		}
	}
	return out
}

// beside returns by how much the capture lies beside a fit, in pattern pixels: at
// the left edge and its growth a pixel, at the top edge and its growth.
func (m *matcher) beside(f Fit, points []slope) (d [4]float64, ok bool) {
	const outlier = 70 // levels; what is off by more shows something else
	read := m.reader(f)
	shown := make([]float64, len(points))
	var n, x, y, xx, xy float64
	for i, s := range points {
		v, inside := read(s.x, s.y)
		if !inside {
			shown[i] = math.NaN()
			continue
		}
		shown[i] = float64(v)
		n, x, y, xx, xy = n+1, x+s.level, y+shown[i], xx+s.level*s.level, xy+s.level*shown[i]
	}
	spread := n*xx - x*x
	if n < 200 || spread < n*n {
		return d, false
	}
	gain := (n*xy - x*y) / spread
	offset := (y - gain*x) / n
	var products [4][4]float64
	q := newLeastSquares(4, 1)
	for i, s := range points {
		off := shown[i] - offset - gain*s.level
		if !(math.Abs(off) <= outlier) {
			continue
		}
		terms := [4]float64{-gain * s.across, -gain * s.across * s.x, -gain * s.down, -gain * s.down * s.y}
		for j, t := range terms {
			for k := range j + 1 {
				products[j][k] += t * terms[k]
			}
			q.sides[0][j] += t * off
		}
	}
	for j := range products {
		for k := range j + 1 {
			q.products.SetSym(j, k, products[j][k])
		}
	}
	found, ok := q.solve(0)
	copy(d[:], found)
	return d, ok
}
