package align

import (
	"math"
	"slices"

	"proveout/scoring/picture/raster"
)

// Bins is how many sampling phases a [Grid] tells apart in each direction.
const Bins = 24

// A Grid is a capture read at the pixel centres of the pattern.
type Grid struct {
	Width, Height  int
	V              [3][]float32 // red, green, blue, 0 to 255
	BinX, BinY     []uint8      // sampling phase of each column and row, 0 to Bins-1
	X0, Y0, X1, Y1 int          // the part that lies inside the capture; X1, Y1 exclusive
	Phased         bool         // more than one phase occurs
}

// Resample reads the capture at the pixel centres of a pattern of the given
// size, linearly between capture pixels.
func Resample(c *raster.RGB, f Fit, width, height int) *Grid {
	g := &Grid{Width: width, Height: height, BinX: make([]uint8, width), BinY: make([]uint8, height)}
	for ch := range g.V {
		g.V[ch] = make([]float32, width*height)
	}
	xs, x0, x1 := steps(f.ScaleX, f.ShiftX, width, c.Width, g.BinX)
	ys, y0, y1 := steps(f.ScaleY, f.ShiftY, height, c.Height, g.BinY)
	g.X0, g.X1, g.Y0, g.Y1 = x0, x1, y0, y1
	g.Phased = varied(g.BinX) || varied(g.BinY)
	n := 3 * c.Width
	whole := !slices.ContainsFunc(xs, func(t step) bool { return t.f != 0 })
	for y, s := range ys {
		top, bottom := c.Pix[s.a*n:(s.a+1)*n], c.Pix[s.b*n:(s.b+1)*n]
		o := y * width
		if whole && s.f == 0 {
			red, green, blue := g.V[0][o:o+width], g.V[1][o:o+width], g.V[2][o:o+width]
			for x, t := range xs {
				p := top[3*t.a : 3*t.a+3 : 3*t.a+3]
				red[x], green[x], blue[x] = float32(p[0]), float32(p[1]), float32(p[2])
			}
			continue
		}
		for x, t := range xs {
			a, b := 3*t.a, 3*t.b
			for ch := range 3 {
				v := float32(top[a+ch])
				if t.f != 0 {
					v += t.f * (float32(top[b+ch]) - v)
				}
				if s.f != 0 {
					u := float32(bottom[a+ch])
					u += t.f * (float32(bottom[b+ch]) - u)
					v += s.f * (u - v)
				}
				g.V[ch][o+x] = v
			}
		}
	}
	return g
}

func varied(b []uint8) bool {
	for _, v := range b {
		if v != b[0] {
			return true
		}
	}
	return false
}

type step struct {
	a, b int
	f    float32
}

// steps lists, for each pattern pixel, the two capture pixels around its centre
// and the share of the second; from and to bound the pixels that lie inside.
func steps(scale, shift float64, n, m int, bins []uint8) (out []step, from, to int) {
	out = make([]step, n)
	from = -1
	for i := range out {
		x := scale*(float64(i)+0.5) + shift - 0.5
		x0 := math.Floor(x)
		f := x - x0
		if f < 1e-4 || f > 1-1e-4 {
			x0, f = math.Round(x), 0
		}
		if x > -0.5 && x < float64(m)-0.5 {
			if from < 0 {
				from = i
			}
			to = i + 1
		}
		bins[i] = uint8(int(f*Bins+0.5) % Bins)
		a := min(max(int(x0), 0), m-1)
		out[i] = step{a, min(max(int(x0)+1, 0), m-1), float32(f)}
	}
	return out, max(from, 0), to
}

// Trim leaves out the outermost pixels of the part that lies inside: what stood
// beside them in the capture, black border or nothing, is not known.
func (g *Grid) Trim(columns, rows int) {
	if g.X1-g.X0 > 4*columns {
		g.X0, g.X1 = g.X0+columns, g.X1-columns
	}
	if g.Y1-g.Y0 > 4*rows {
		g.Y0, g.Y1 = g.Y0+rows, g.Y1-rows
	}
}

// RGB returns the grid as a picture, with linear level correction (v-offset)/gain.
func (g *Grid) RGB(gain, offset [3]float64) *raster.RGB {
	p := raster.New(g.Width, g.Height)
	for ch := range 3 {
		k, o := float32(1/gain[ch]), float32(offset[ch])
		for i, v := range g.V[ch] {
			p.Pix[3*i+ch] = uint8(min(255, max(0, (v-o)*k+0.5)))
		}
	}
	return p
}
