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
// are the same, and some do: scaled up by repeating, without noise.
func repeated(capture *raster.RGB, f Fit) bool {
	if f.ScaleX <= 1.02 && f.ScaleY <= 1.02 {
		return false
	}
	const rows = 16
	pairs, same := 0, 0
	compare := func(i, j int) {
		pairs++
		if slices.Equal(capture.Pix[i:i+3], capture.Pix[j:j+3]) {
			same++
		}
	}
	n := 3 * capture.Width
	// This pixel and the next, whose middles may lie as good as on an edge.
	within := func(at int, scale, shift float64) bool {
		const sure = 0.02 // pixels of the capture
		from, to := float64(at)+0.5-shift, float64(at)+1.5-shift
		return math.Floor((from-sure)/scale) == math.Floor((to+sure)/scale)
	}
	for k := range rows {
		y := (k + 1) * (capture.Height - 1) / (rows + 1)
		down := within(y, f.ScaleY, f.ShiftY)
		for x := 0; x < capture.Width-1; x++ {
			i := y*n + 3*x
			if within(x, f.ScaleX, f.ShiftX) {
				compare(i, i+3)
			}
			if down {
				compare(i, i+n)
			}
		}
	}
	return pairs > 100 && same*1000 >= pairs*998
}

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
