package raster

// Phases is how many sampling phases a [Grid] tells apart in each direction.
const Phases = 24

// A Grid is a picture read at the pixel centres of another one that it shows, in
// levels of 0 to 255 that need not be whole.
type Grid struct {
	Width, Height  int
	V              [3][]float32 // red, green, blue
	PhaseX, PhaseY []uint8      // where between the pixels read each column and row was taken, 0 to Phases-1
	X0, Y0, X1, Y1 int          // the part that lies inside the picture read; X1, Y1 exclusive
	Phased         bool         // more than one phase occurs
}

// NewGrid returns a grid of zeros, all of it inside and of one phase.
func NewGrid(width, height int) *Grid {
	g := &Grid{Width: width, Height: height, X1: width, Y1: height}
	g.PhaseX, g.PhaseY = make([]uint8, width), make([]uint8, height)
	for channel := range g.V {
		g.V[channel] = make([]float32, width*height)
	}
	return g
}

// Trim leaves out the outermost pixels of the part that lies inside: what stood
// beside them in the picture, black border or nothing, is not known.
func (g *Grid) Trim(columns, rows int) {
	if g.X1-g.X0 > 4*columns {
		g.X0, g.X1 = g.X0+columns, g.X1-columns
	}
	if g.Y1-g.Y0 > 4*rows {
		g.Y0, g.Y1 = g.Y0+rows, g.Y1-rows
	}
}

// Inside reports whether a place lies in the part that was read.
func (g *Grid) Inside(x, y int) bool { return x >= g.X0 && x < g.X1 && y >= g.Y0 && y < g.Y1 }

// RGB returns the grid as a picture of whole levels.
func (g *Grid) RGB() *RGB {
	p := New(g.Width, g.Height)
	for channel := range 3 {
		for i, v := range g.V[channel] {
			p.Pix[3*i+channel] = uint8(min(255, max(0, v+0.5)))
		}
	}
	return p
}
