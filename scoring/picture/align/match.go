package align

import (
	"math"

	"gonum.org/v1/gonum/blas/blas32"

	"proveout/scoring/picture/raster"
)

// A plane is one brightness a pixel.
type plane struct {
	width, height int
	v             []float32
}

// brightness is the mean of the three channels.
func brightness(p *raster.RGB) plane {
	q := plane{p.Width, p.Height, make([]float32, p.Width*p.Height)}
	for i := range q.v {
		s := p.Pix[3*i : 3*i+3 : 3*i+3]
		q.v[i] = float32(int(s[0])+int(s[1])+int(s[2])) / 3
	}
	return q
}

// deviation is the standard deviation of values.
func deviation(v []float32) float64 {
	var sum, squares float64
	for _, x := range v {
		sum += float64(x)
		squares += float64(x) * float64(x)
	}
	n := float64(len(v))
	return math.Sqrt(max(0, squares/n-sum/n*sum/n))
}

// at reads between pixel centres; coordinates count from the corner. Beyond the
// edge it repeats the edge.
func (p plane) at(x, y float64) float32 {
	x, y = x-0.5, y-0.5
	x0, y0 := int(math.Floor(x)), int(math.Floor(y))
	fx, fy := float32(x-float64(x0)), float32(y-float64(y0))
	xa, xb := min(max(x0, 0), p.width-1), min(max(x0+1, 0), p.width-1)
	ya, yb := min(max(y0, 0), p.height-1)*p.width, min(max(y0+1, 0), p.height-1)*p.width
	top := p.v[ya+xa] + fx*(p.v[ya+xb]-p.v[ya+xa])
	bottom := p.v[yb+xa] + fx*(p.v[yb+xb]-p.v[yb+xa])
	return top + fy*(bottom-top)
}

// shrink returns the plane at a whole fraction of its size, each pixel the mean
// of n×n.
func (p plane) shrink(n int) plane {
	if n <= 1 {
		return p
	}
	q := plane{p.width / n, p.height / n, make([]float32, (p.width/n)*(p.height/n))}
	k := 1 / float32(n*n)
	for y := range q.height {
		out := q.v[y*q.width : (y+1)*q.width]
		for j := range n {
			row := p.v[(y*n+j)*p.width : (y*n+j)*p.width+q.width*n]
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
	return q
}

// A window is a part of a pattern that is looked for by itself.
type window struct{ x, y, width, height int }

// markUnit is about the module of the corner marks of a pattern.
func markUnit(p plane) int { return max(2, (p.height+75)/150) }

// spreadWindows puts square windows in columns and rows over a fine pattern.
// The rows at top and bottom are left out: there all patterns are alike.
func spreadWindows(p plane, side, margin, edge, columns, rows int) (out []window) {
	for j := range rows {
		for i := range columns {
			x := margin + i*(p.width-side-2*margin)/(columns-1)
			y := edge + j*(p.height-side-2*edge)/(rows-1)
			out = append(out, window{x, y, side, side})
		}
	}
	return out
}

// edgeWindows puts windows on the marks and strips at top and bottom, where
// coarse patterns can be matched.
func edgeWindows(p plane, width, height, columns int) (out []window) {
	for i := range columns {
		x := i * (p.width - width) / (columns - 1)
		out = append(out, window{x, 0, width, height}, window{x, p.height - height, width, height})
	}
	return out
}

// fitWindows chooses where a capture device's picture is matched.
func fitWindows(p plane, texture Texture) []window {
	unit := markUnit(p)
	if texture == Coarse {
		return edgeWindows(p, 12*unit, 8*unit, 8)
	}
	const side = 40
	edge := min(8*unit+2, (p.height-2*side)/2)
	return spreadWindows(p, side, 4, edge, min(9, max(5, p.width/100)), min(7, max(5, p.height/100)))
}

// A reader returns the capture at a place of the pattern, false outside it.
type reader func(x, y float64) (float32, bool)

// locate finds the displacement, in pattern pixels and at most reach, at which a
// window correlates best with a capture, and that correlation. It is 0 when a
// quarter of what it looks at lies outside, or when the window is plain.
func (p plane) locate(w window, reach int, read reader) (dx, dy, correlation float64) {
	width, height := w.width+2*reach, w.height+2*reach
	patch := make([]float32, width*height)
	outside := 0
	for j := range height {
		for i := range width {
			v, inside := read(float64(w.x+i-reach)+0.5, float64(w.y+j-reach)+0.5)
			if !inside {
				outside++
			}
			patch[j*width+i] = v
		}
	}
	if outside*4 > width*height {
		return 0, 0, 0
	}
	score := p.correlations(w, reach, patch)
	if score == nil {
		return 0, 0, 0
	}
	best := 0
	for k := range score {
		if score[k] > score[best] {
			best = k
		}
	}
	n := 2*reach + 1
	x, y := best%n, best/n
	dx, dy = float64(x-reach), float64(y-reach)
	if x > 0 && x < n-1 {
		dx += vertex(score[best-1], score[best], score[best+1])
	}
	if y > 0 && y < n-1 {
		dy += vertex(score[best-n], score[best], score[best+n])
	}
	return dx, dy, score[best]
}

// correlations are those of a window with every place in a patch that is larger
// by reach on each side, nil for a window that is plain.
func (p plane) correlations(w window, reach int, patch []float32) []float64 {
	row := func(j int) []float32 { at := (w.y+j)*p.width + w.x; return p.v[at : at+w.width] }
	var sum, squares float64
	for j := range w.height {
		for _, v := range row(j) {
			sum += float64(v)
			squares += float64(v) * float64(v)
		}
	}
	area := float64(w.width * w.height)
	variance := squares - sum*sum/area
	if variance < area {
		return nil
	}
	n, width := 2*reach+1, w.width+2*reach
	patchSum, patchSquares := sumAreas(patch, width, w.height+2*reach)
	score := make([]float64, n*n)
	for k := range score {
		ox, oy := k%n, k/n
		var products float64
		for j := range w.height {
			at := (oy+j)*width + ox
			products += float64(blas32.Dot(vector(row(j)), vector(patch[at:at+w.width])))
		}
		s := patchSum.of(ox, oy, w.width, w.height)
		if v := patchSquares.of(ox, oy, w.width, w.height) - s*s/area; v > area*0.05 {
			score[k] = (products - s*sum/area) / math.Sqrt(v*variance)
		}
	}
	return score
}

func vector(v []float32) blas32.Vector { return blas32.Vector{N: len(v), Inc: 1, Data: v} }

// An areaSum gives the sum of values over any rectangle at the same small cost.
type areaSum struct {
	width int       // one more than that of the values
	upTo  []float64 // of all values above and left of a corner
}

// sumAreas sums values and their squares.
func sumAreas(v []float32, width, height int) (values, squares areaSum) {
	n := width + 1
	values, squares = areaSum{n, make([]float64, n*(height+1))}, areaSum{n, make([]float64, n*(height+1))}
	for y := range height {
		var s, q float64
		at := (y+1)*n + 1
		for x, u := range v[y*width : (y+1)*width] {
			s += float64(u)
			q += float64(u) * float64(u)
			values.upTo[at+x] = s + values.upTo[at+x-n]
			squares.upTo[at+x] = q + squares.upTo[at+x-n]
		}
	}
	return values, squares
}

func (a areaSum) of(x, y, width, height int) float64 {
	top, bottom := y*a.width+x, (y+height)*a.width+x
	return a.upTo[bottom+width] - a.upTo[bottom] - a.upTo[top+width] + a.upTo[top]
}

// vertex returns where a parabola through three equally spaced values peaks.
func vertex(a, b, c float64) float64 {
	d := a - 2*b + c
	if d >= 0 {
		return 0
	}
	return min(0.5, max(-0.5, (a-c)/(2*d)))
}
