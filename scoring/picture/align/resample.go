package align

import (
	"math"
	"slices"

	"proveout/scoring/picture/raster"
)

// Resample reads the capture at the pixel centres of a pattern of the given
// size: linearly between capture pixels, or the nearest one where a device made
// the capture by repeating pixels.
func Resample(capture *raster.RGB, f Fit, width, height int) *raster.Grid {
	g := raster.NewGrid(width, height)
	var columns, rows []between
	columns, g.X0, g.X1 = places(f.ScaleX, f.ShiftX, capture.Width, g.PhaseX)
	rows, g.Y0, g.Y1 = places(f.ScaleY, f.ShiftY, capture.Height, g.PhaseY)
	if repeated(capture, f) {
		nearest(columns, g.PhaseX)
		nearest(rows, g.PhaseY)
	}
	g.Phased = slices.Max(g.PhaseX) > slices.Min(g.PhaseX) || slices.Max(g.PhaseY) > slices.Min(g.PhaseY)
	n := 3 * capture.Width
	for y, row := range rows {
		top, bottom := capture.Pix[row.a*n:(row.a+1)*n], capture.Pix[row.b*n:(row.b+1)*n]
		for channel := range 3 {
			out := g.V[channel][y*width : (y+1)*width]
			for x, column := range columns {
				a, b := 3*column.a+channel, 3*column.b+channel
				v := float32(top[a])
				if column.share != 0 {
					v += column.share * (float32(top[b]) - v)
				}
				if row.share != 0 {
					u := float32(bottom[a])
					u += column.share * (float32(bottom[b]) - u)
					v += row.share * (u - v)
				}
				out[x] = v
			}
		}
	}
	return g
}

// nearest takes the nearer of two pixels, the second of two that are as near: it
// has the middle of the pattern's pixel within it.
func nearest(places []between, phases []uint8) {
	for i, p := range places {
		if p.share >= 0.5 {
			p.a = p.b
		}
		places[i] = between{p.a, p.a, 0}
		phases[i] = 0
	}
}

// repeated reports whether capture pixels that lie within one pixel of the pattern
// are the same beside edges, where mixing would make them differ: scaled up by
// repeating, without noise.
func repeated(capture *raster.RGB, f Fit) bool {
	if f.ScaleX <= 1.02 && f.ScaleY <= 1.02 {
		return false
	}
	pairs, same := 0, 0
	n := 3 * capture.Width
	pixel := func(i int) []uint8 { return capture.Pix[i : i+3] }
	edge := func(a, b []uint8) bool {
		const steep = 20 // levels
		return max(apart(a[0], b[0]), apart(a[1], b[1]), apart(a[2], b[2])) > steep
	}
	look := func(i, step, at int, scale, shift float64) { // at this pixel and the next, or those around
		before, own, next, after := pixel(i-step), pixel(i), pixel(i+step), pixel(i+2*step)
		if !edge(before, own) && !edge(own, next) && !edge(next, after) {
			return
		}
		switch {
		case withinOne(at, scale, shift):
			pairs++
			if slices.Equal(own, next) {
				same++
			}
		case onEdge(at, scale, shift):
			pairs++
			if slices.Equal(own, before) || slices.Equal(own, next) {
				same++
			}
		}
	}
	for _, y := range sampledRows(capture.Height) {
		for x := 1; x < capture.Width-2; x++ {
			i := y*n + 3*x
			look(i, 3, x, f.ScaleX, f.ShiftX)
			look(i, n, y, f.ScaleY, f.ShiftY)
		}
	}
	return pairs > 100 && same*1000 >= pairs*985
}

// sure is how near to an edge between two pixels of the pattern the middle of a
// capture pixel is as good as on it, in capture pixels.
const sure = 0.02

// withinOne reports whether a capture pixel and the next lie surely within one
// pixel of the pattern.
func withinOne(at int, scale, shift float64) bool {
	from, to := float64(at)+0.5-shift, float64(at)+1.5-shift
	return math.Floor((from-sure)/scale) == math.Floor((to+sure)/scale)
}

// onEdge reports whether the middle of a capture pixel lies on an edge between two
// pixels of the pattern: a device may show either there.
func onEdge(at int, scale, shift float64) bool {
	middle := float64(at) + 0.5 - shift
	return math.Abs(middle-scale*math.Round(middle/scale)) <= sure
}

// sampledRows lists rows over a capture, more of them at top and bottom, where a
// coarse pattern has its marks and strips.
func sampledRows(height int) (rows []int) {
	for _, thousandths := range []int{
		5, 8, 12, 17, 23, 60, 120, 200, 280, 360, 440, 520, 600, 680, 760, 840, 920, 977, 983, 988, 992, 995,
	} {
		rows = append(rows, min(height-4, max(2, height*thousandths/1000)))
	}
	return rows
}

func apart(a, b uint8) int { return abs(int(a) - int(b)) }

// A between is a place between two capture pixels.
type between struct {
	a, b  int
	share float32 // of b
}

// places lists, for each pattern pixel, the two of so many capture pixels around
// its centre, and fills the sampling phases; from and to bound the pixels that lie
// inside.
func places(scale, shift float64, captured int, phases []uint8) (out []between, from, to int) {
	out = make([]between, len(phases))
	from = -1
	for i := range out {
		x := scale*(float64(i)+0.5) + shift - 0.5
		low := math.Floor(x)
		share := x - low
		if share < 1e-4 || share > 1-1e-4 {
			low, share = math.Round(x), 0
		}
		if x > -0.5 && x < float64(captured)-0.5 {
			if from < 0 {
				from = i
			}
			to = i + 1
		}
		phases[i] = uint8(int(share*raster.Phases+0.5) % raster.Phases)
		a, b := min(max(int(low), 0), captured-1), min(max(int(low)+1, 0), captured-1)
		out[i] = between{a, b, float32(share)}
	}
	return out, max(from, 0), to
}
