package chain

import (
	"math"
	"slices"

	"proveout/plans/fact"
)

// Neighbours are looked at so far to each side.
const across, down = 4, 1

// A spread says how strongly a component of the captured colour follows that of
// the pixel itself, and of its neighbours.
type spread struct {
	own, beside float64 // 1 is fully
}

// all is how strongly the picture follows at all.
func (s spread) all() float64 { return s.own + s.beside }

// share is how much of what is shown is the pixel's own.
func (s spread) share() float64 { return s.own / max(1e-9, s.all()) }

// spreads are those of brightness and of the two colour differences. It is false
// for a picture that does not tell: one whose neighbours are alike, or without
// colours.
func (e *examination) spreads() (out [3]spread, ok bool) {
	const rows = 24
	x0, y0, x1, y1 := e.inside(across)
	if x1-x0 < 100 || y1-y0 < 2*rows {
		return out, false
	}
	width := e.grid.Width
	const taps = (2*across + 1) * (2*down + 1)
	var products, sums [3][taps]float64
	var means, squares, neighbours [3]float64
	var shownMeans [3]float64
	n := 0.0
	step := (x1-x0)/400 | 1 // odd, so that every column of a group is met
	written := make([][]colour, 2*down+1)
	for r := range rows {
		y := y0 + r*(y1-1-y0)/(rows-1)
		for d := range written {
			written[d] = written[d][:0]
			for x := x0 - across; x < x1+across; x++ {
				written[d] = append(written[d], e.written((y+d-down)*width+x))
			}
		}
		for x := x0; x < x1; x += step {
			at := x - x0 + across
			own, shown := written[down][at], e.shown(y*width+x)
			n++
			for c := range 3 {
				v := float64(own[c])
				means[c] += v
				shownMeans[c] += float64(shown[c])
				squares[c] += v * v
				neighbours[c] += v * float64(written[down][at+1][c])
				for d := range written {
					row := written[d][at-across : at+across+1]
					for k := range row {
						products[c][d*(2*across+1)+k] += float64(shown[c] * row[k][c])
						sums[c][d*(2*across+1)+k] += float64(row[k][c])
					}
				}
			}
		}
	}
	for c := range 3 {
		mean, shownMean := means[c]/n, shownMeans[c]/n
		variance := squares[c]/n - mean*mean
		if variance < 100 || math.Abs(neighbours[c]/n-mean*mean) > 0.1*variance {
			return out, false
		}
		least := 3 / math.Sqrt(n) // what chance seldom gives
		for k, p := range products[c] {
			tap := (p/n - sums[c][k]/n*shownMean) / variance
			switch {
			case k == taps/2:
				out[c].own = tap
			case tap > least:
				out[c].beside += tap
			}
		}
	}
	return out, true
}

// sharedColour looks for a chain that keeps brightness for each pixel, and colour
// for several together. Both colour differences must be spread, or one of them and
// the other hardly there: a fault within a channel spreads one and leaves the
// other.
func (e *examination) sharedColour() *Change {
	s, ok := e.spreads()
	if !ok {
		return e.softColourEdges()
	}
	if s[0].all() < 0.2 {
		return nil
	}
	const spreadOut, enough, weak = 0.8, 0.1, 0.5
	spreads := func(c spread) bool { return c.share() < spreadOut*s[0].share() && c.beside > enough }
	blue, red := s[1], s[2]
	most := blue
	if red.all() > blue.all() {
		most = red
	}
	switch {
	case spreads(blue) && spreads(red):
	case spreads(most) && min(blue.all(), red.all()) < weak:
	default:
		return nil
	}
	return sharing(most.share())
}

// sharing says which share of its colour is a pixel's own.
func sharing(share float64) *Change {
	return &Change{
		Kind:   SharedColour,
		What:   fact.New("chain.shared-colour", "share", fact.In(100*share, "%").To(1)),
		Advice: fact.New("chain.look-shared-colour"),
	}
}

// softColourEdges is sharedColour for pictures of plain fields: at the edges
// between them brightness is sharp and colour is not, and a few pixels further
// colour is whole. A colour that is missing is so there too.
func (e *examination) softColourEdges() *Change {
	const far, least = 3, 60 // pixels from the edge; edges
	g := e.grid
	light, colours := []float64{}, []float64{}
	look := func(at, step int) { // the edge between this pixel and the next
		var want, seen, wide colour
		for c := range 3 {
			want[c] = e.written(at + step)[c] - e.written(at)[c]
			seen[c] = e.shown(at + step)[c] - e.shown(at)[c]
			wide[c] = e.shown(at + (1+far)*step)[c] - e.shown(at - far*step)[c]
		}
		for c := range 3 {
			const steep, whole = 50, 0.7 // levels; share of the step
			if want[c] < steep && want[c] > -steep || wide[c]/want[c] < whole {
				continue
			}
			if share := float64(seen[c] / wide[c]); c == 0 {
				light = append(light, share)
			} else {
				colours = append(colours, share)
			}
		}
	}
	plain := func(at, step int) bool { // on both sides, as far as is looked at
		for k := range far {
			if e.differ(at-k*step, at-(k+1)*step) || e.differ(at+(k+1)*step, at+(k+2)*step) {
				return false
			}
		}
		return e.differ(at, at+step)
	}
	for y := g.Y0 + far; y < g.Y1-far-2; y++ {
		for x := g.X0 + far + y%5; x < g.X1-far-2; x += 5 { // every place of a group of pixels
			for _, step := range []int{1, g.Width} {
				if i := y*g.Width + x; plain(i, step) {
					look(i, step)
				}
			}
		}
	}
	if len(light) < least || len(colours) < least {
		return nil
	}
	slices.Sort(light)
	slices.Sort(colours)
	sharp, soft := light[len(light)/2], colours[len(colours)/2]
	if sharp < 0.85 || soft > 0.8*sharp {
		return nil
	}
	return sharing(max(0, soft))
}

// differ reports whether something else was written to two pixels.
func (e *examination) differ(i, j int) bool {
	p := e.wanted.Pix
	return p[3*i] != p[3*j] || p[3*i+1] != p[3*j+1] || p[3*i+2] != p[3*j+2]
}

// grey looks for a capture without colour of a picture that has some. A plain
// picture must be about as bright as it should, since one that is black has lost
// its colour otherwise, and another one as varied: where memory is dead it is not.
func (e *examination) grey() *Change {
	const sample = 8_000 // pixels
	var n, light, squares, colours, wanted, wantedLight, wantedSquares float64
	for i := range e.pixels(sample) {
		n++
		u, v := e.shown(i), e.written(i)
		light += float64(u[0])
		squares += float64(u[0] * u[0])
		// No mean is taken off: a tint is a colour.
		colours += float64(u[1]*u[1] + u[2]*u[2])
		wanted += float64(v[1]*v[1] + v[2]*v[2])
		wantedLight += float64(v[0])
		wantedSquares += float64(v[0] * v[0])
	}
	if n < 500 {
		return nil
	}
	const varied = 10 // levels
	contrast := math.Sqrt(max(0, squares/n-light*light/n/n))
	colours, wanted = math.Sqrt(colours/n), math.Sqrt(wanted/n)
	like := contrast > varied && colours < 0.25*contrast
	if math.Sqrt(max(0, wantedSquares/n-wantedLight*wantedLight/n/n)) < varied {
		like = light > 0.5*wantedLight && light < 2*wantedLight && light > 8*n
	}
	if wanted < 15 || colours > 0.12*wanted || !like {
		return nil
	}
	return &Change{
		Kind: Grey, What: fact.New("chain.grey"), Rival: fact.New("chain.grey-card"),
		Advice: fact.New("chain.look-grey"),
	}
}
