package lines

import (
	"slices"

	"proveout/scoring/picture/raster"
)

// fitSmoothing estimates the smoothing of each sampling phase by least squares on
// a sample of the pixels, as the median of the three channels: a channel that is
// missing or full of faults does not pull it. The rows of the edge, where
// neighbours are alike, are left out.
func (m *model) fitSmoothing(g *raster.Grid, shown planes, edge int) {
	across, down := m.smoothingSums(g, shown, edge, 50_000)
	m.setAcross(&across)
	m.setDown(&down)
	m.settleSharp()
}

// fitPlainSmoothing is fitSmoothing for a pattern that is all alike in one direction
// or has few edges. What it does not tell is taken to be as if nothing were smoothed.
// Each direction is estimated from what smoothing in the other leaves of the pattern,
// first the one in which the pattern varies more.
func (m *model) fitPlainSmoothing(g *raster.Grid, shown planes) {
	const sample = 25_000
	const faint = 2 // levels, root mean square, that neighbours must differ by to tell anything
	acrossFirst := variesAcross(shown[1], g.Width)
	smoothed := shown
	for round := range 3 {
		across, down := m.smoothingSums(g, smoothed, 0, sample)
		one := identity()
		one.sharp = false
		if (round == 1) != acrossFirst {
			for channel := range across {
				for phase := range across[channel] {
					across[channel][phase].prefer(3, 6, faint)
				}
			}
			m.setAcross(&across)
			one.across = m.across
		} else {
			for channel := range down {
				for phase := range down[channel] {
					down[channel][phase].prefer(2, 4, faint)
				}
			}
			m.setDown(&down)
			one.down = m.down
		}
		for channel := range smoothed {
			if round < 2 {
				smoothed[channel] = one.smooth(g, shown[channel])
			}
		}
	}
	m.settleSharp()
}

// variesAcross reports whether pixels differ more from their neighbours beside them than
// from those below.
func variesAcross(levels []float32, width int) bool {
	var across, down float64
	for i := width; i < len(levels); i++ {
		a, b := float64(levels[i]-levels[i-1]), float64(levels[i]-levels[i-width])
		across += a * a
		down += b * b
	}
	return across > down
}

func (m *model) setAcross(sums *[3][raster.Phases]normal) {
	for phase := range raster.Phases {
		for d, w := range weightsOf(sums, phase, 5) {
			m.across[phase][d] = float32(w)
		}
	}
}

func (m *model) setDown(sums *[3][raster.Phases]normal) {
	for phase := range raster.Phases {
		for d, w := range weightsOf(sums, phase, 3) {
			m.down[phase][d] = float32(w)
		}
	}
}

// settleSharp takes weights that are next to nothing for none. A dump smooths
// nothing. Faults leave weights of some thousandths beside the pixel's own; a device
// that smooths, at least some hundredths.
func (m *model) settleSharp() {
	const nothing = 0.006
	m.sharp = true
	for phase := range raster.Phases {
		for d, w := range m.across[phase] {
			m.sharp = m.sharp && (d == 2 || max(w, -w) < nothing)
		}
		for d, w := range m.down[phase] {
			m.sharp = m.sharp && (d == 1 || max(w, -w) < nothing)
		}
	}
	if m.sharp {
		m.across, m.down = identity().across, identity().down
	}
}

// smoothingSums gathers captured levels over a constant and the shown levels of
// the pixel and its neighbours, by channel and sampling phase, of about so many
// pixels. Clipped levels are left out, but not where the edges count: there they are
// most of what tells the sum of the weights.
func (m *model) smoothingSums(
	g *raster.Grid, shown planes, edge, sample int,
) (across, down [3][raster.Phases]normal) {
	if g.Phased {
		sample *= 3 // to be shared among the phases
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
				if edge > 0 && (captured > 252 || captured < 3) && (u[i] > 245 || u[i] < 10) {
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
