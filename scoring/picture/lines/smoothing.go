package lines

import (
	"math"
	"slices"

	"proveout/scoring/picture/raster"
)

// fitSmoothing estimates the smoothing of each sampling phase by least squares on
// a sample of the pixels, as the median of the three channels: a channel that is
// missing or full of faults does not pull it. The rows of the edge, where
// neighbours are alike, are left out.
func (m *model) fitSmoothing(g *raster.Grid, shown planes, edge int) {
	across, down := m.smoothingSums(g, shown, edge)
	// A dump smooths nothing. Faults leave weights of some thousandths beside the
	// pixel's own; a device that smooths, at least some hundredths.
	const nothing = 0.006
	m.sharp = true
	for phase := range raster.Phases {
		h, v := weightsOf(&across, phase, 5), weightsOf(&down, phase, 3)
		for d := range h {
			m.across[phase][d] = float32(h[d])
			m.sharp = m.sharp && (d == 2 || math.Abs(h[d]) < nothing)
		}
		for d := range v {
			m.down[phase][d] = float32(v[d])
			m.sharp = m.sharp && (d == 1 || math.Abs(v[d]) < nothing)
		}
	}
	if m.sharp {
		m.across, m.down = identity().across, identity().down
	}
}

// smoothingSums gathers captured levels over a constant and the shown levels of
// the pixel and its neighbours, by channel and sampling phase.
func (m *model) smoothingSums(g *raster.Grid, shown planes, edge int) (across, down [3][raster.Phases]normal) {
	sample := 50_000
	if g.Phased {
		sample = 150_000 // to be shared among the phases
	}
	skip := max(1, (g.X1-g.X0)*(g.Y1-g.Y0)/sample) | 1
	width := g.Width
	terms := [6]float64{1}
	from := 0 // moves from row to row, so that every lane class is met
	for y := max(edge, 1, g.Y0); y < min(g.Height-edge, g.Height-1, g.Y1); y++ {
		for x := max(2, g.X0) + from%skip; x < min(width-2, g.X1); x += skip {
			i := y*width + x
			for channel := range 3 {
				u, captured := shown[channel], float64(g.V[channel][i])
				if (captured > 252 || captured < 3) && (u[i] > 245 || u[i] < 10) {
					continue // clipped
				}
				for d := range 5 {
					terms[1+d] = float64(u[i+d-2])
				}
				across[channel][g.PhaseX[x]].add(terms[:6], captured)
				terms[1], terms[2], terms[3] = float64(u[i-width]), float64(u[i]), float64(u[i+width])
				down[channel][g.PhaseY[y]].add(terms[:4], captured)
			}
		}
		from += 7
	}
	return across, down
}

// weightsOf solves one phase for each channel and returns the median weights,
// scaled to the sum 1; only the pixel itself where they are not known.
func weightsOf(sums *[3][raster.Phases]normal, phase, taps int) []float64 {
	var known [][]float64
	for channel := range 3 {
		if sums[channel][phase].count < 300 { // a few tens for each weight
			continue
		}
		c, ok := sums[channel][phase].solve(taps + 1)
		if !ok {
			continue
		}
		weights, total := c[1:], 0.0
		for _, v := range weights {
			total += v
		}
		if total < 0.15 { // the channel hardly follows: missing
			continue
		}
		for d := range weights {
			weights[d] /= total
		}
		known = append(known, weights)
	}
	out := make([]float64, taps)
	sum := 0.0
	for d := range out {
		var v []float64
		for _, weights := range known {
			v = append(v, weights[d])
		}
		slices.Sort(v)
		switch len(v) {
		case 0:
		case 2:
			out[d] = (v[0] + v[1]) / 2
		default:
			out[d] = v[len(v)/2]
		}
		sum += out[d]
	}
	for d := range out {
		out[d] /= sum
	}
	// With less than a fifth of its light in its place a pixel could not be told
	// from its neighbours: then something else was fitted.
	if len(known) == 0 || out[taps/2] < 0.2 {
		clear(out)
		out[taps/2] = 1
	}
	return out
}

// smooth smooths one channel as the capture did.
func (m *model) smooth(g *raster.Grid, shown []float32) []float32 {
	if m.sharp {
		return shown
	}
	w, h := g.Width, g.Height
	out := make([]float32, len(shown))
	padded := make([]float32, w+4) // two black pixels on either side
	row := padded[2 : 2+w]
	for y := range h {
		k := m.down[g.PhaseY[y]]
		middle := shown[y*w : (y+1)*w]
		above, below := middle, middle
		if y > 0 {
			above = shown[(y-1)*w : y*w]
		}
		if y < h-1 {
			below = shown[(y+1)*w : (y+2)*w]
		}
		for x := range row {
			row[x] = k[0]*above[x] + k[1]*middle[x] + k[2]*below[x]
		}
		for x := range row {
			t := &m.across[g.PhaseX[x]]
			s := padded[x : x+5 : x+5]
			out[y*w+x] = t[0]*s[0] + t[1]*s[1] + t[2]*s[2] + t[3]*s[3] + t[4]*s[4]
		}
	}
	return out
}
