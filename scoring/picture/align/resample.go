package align

import (
	"math"
	"slices"

	"proveout/scoring/picture/raster"
)

// Resample reads the capture at the pixel centres of a pattern of the given
// size, linearly between capture pixels.
func Resample(capture *raster.RGB, f Fit, width, height int) *raster.Grid {
	g := raster.NewGrid(width, height)
	var columns, rows []between
	columns, g.X0, g.X1 = places(f.ScaleX, f.ShiftX, capture.Width, g.PhaseX)
	rows, g.Y0, g.Y1 = places(f.ScaleY, f.ShiftY, capture.Height, g.PhaseY)
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
