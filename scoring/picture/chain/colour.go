package chain

import (
	"math"

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
	if !ok || s[0].all() < 0.2 {
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
	return &Change{
		Kind:   SharedColour,
		What:   fact.New("chain.shared-colour", "share", fact.In(100*most.share(), "%").To(1)),
		Advice: fact.New("chain.look-shared-colour"),
	}
}

// grey looks for a capture without colour of a picture that has some.
func (e *examination) grey() *Change {
	const sample = 8_000 // pixels
	var n, light, squares, writtenLight, writtenSquares, colours, wanted float64
	for i := range e.pixels(sample) {
		n++
		u, v := e.shown(i), e.written(i)
		light += float64(u[0])
		squares += float64(u[0] * u[0])
		writtenLight += float64(v[0])
		writtenSquares += float64(v[0] * v[0])
		// No mean is taken off: a tint is a colour.
		colours += float64(u[1]*u[1] + u[2]*u[2])
		wanted += float64(v[1]*v[1] + v[2]*v[2])
	}
	if n < 500 {
		return nil
	}
	contrast := math.Sqrt(max(0, squares/n-light*light/n/n))
	if plain := writtenSquares/n-writtenLight*writtenLight/n/n < 1; plain {
		contrast = light / n / 2 // it has none, and shows by its level that it is not black
	}
	colours, wanted = math.Sqrt(colours/n), math.Sqrt(wanted/n)
	if wanted < 15 || contrast < 10 || colours > 0.12*wanted || colours > 0.25*contrast {
		return nil
	}
	return &Change{
		Kind: Grey, What: fact.New("chain.grey"), Rival: fact.New("chain.grey-card"),
		Advice: fact.New("chain.look-grey"),
	}
}
