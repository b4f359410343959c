package lines

import (
	"math"
	"sort"
	"sync"

	"proveout/scoring/picture/align"
)

// workers is how many goroutines go over the rows; all end before return.
const workers = 2

func overRows(from, to int, f func(part, from, to int)) {
	var wg sync.WaitGroup
	for k := range workers {
		wg.Go(func() { f(k, from+(to-from)*k/workers, from+(to-from)*(k+1)/workers) })
	}
	wg.Wait()
}

// A cell sums the deviations of the pixels of one lane class, channel and level.
type cell struct {
	a, q, n, r2 float64 // Σ h·r, Σ h², count, Σ r²: a/q is the mean deviation of the shown level
	clipped     float64 // pixels left out because they look clipped as predicted
}

// A tally holds the cells of one lane class and channel.
type tally struct {
	cells []cell
	n, r2 float64
	sum   float64
}

func (t *tally) variance() float64 {
	if t.n < 2 {
		return 0
	}
	return t.r2 / t.n
}

// within is the variance of the residuals about the mean of their level.
func (t *tally) within() float64 {
	var ss, n float64
	for _, c := range t.cells {
		if c.n > 1 {
			ss += max(0, c.r2-c.a*c.a/c.q)
			n += c.n - 1
		}
	}
	if n < 1 {
		return 0
	}
	return ss / n
}

// residuals returns, for every pixel and channel, how far the screen level read
// from the capture lies from the predicted one; NaN where it cannot be used.
func (m *model) residuals(g *align.Grid, f [3][]float32) (r [3][]float32) {
	const steps = 4
	nan := float32(math.NaN())
	for ch := range 3 {
		r[ch] = make([]float32, len(f[ch]))
		lo, hi := m.usableRange(ch)
		black, white, near := float32(m.screenLevel(ch, 0)), float32(m.screenLevel(ch, 255)), float32((4*min(m.noise[ch], 12)+4)/m.gain[ch])
		curve := make([]float32, 256*steps+1)
		for i := range curve {
			curve[i] = float32(m.screenLevel(ch, float64(i)/steps))
		}
		bias := biases(min(m.noise[ch], 16), m.gain[ch])
		sharp := m.hx[0][2]*m.hy[0][1] > 0.85
		scale, offset := float32(1/m.gain[ch]), float32(m.offset[ch])
		overRows(0, g.Height, func(_, from, to int) {
			for y := from; y < to; y++ {
				out := r[ch][y*g.Width : (y+1)*g.Width]
				if y < g.Y0 || y >= g.Y1 {
					for x := range out {
						out[x] = nan
					}
					continue
				}
				p, v := f[ch][y*g.Width:(y+1)*g.Width], g.V[ch][y*g.Width:(y+1)*g.Width]
				for x := range out {
					switch {
					case m.missing[ch] || x < g.X0 || x >= g.X1:
						out[x] = nan
						continue
					case m.gamma[ch] == 1:
						out[x] = (v[x]-offset)*scale - p[x]
					default:
						out[x] = curve[min(255*steps, max(0, int(v[x]*steps+0.5)))] - p[x]
					}
					switch {
					case p[x] >= lo && p[x] <= hi:
					case p[x] > 2*black-lo && p[x] < 2*white-hi: // half clipped by noise: right the mean
						c := float32(m.captureLevel(ch, float64(p[x])))
						out[x] -= bias[min(len(bias)-1, max(0, int((c+biasBelow)*biasSteps+0.5)))]
					case sharp: // compare with what clipping leaves
						out[x] += p[x] - min(white, max(black, p[x]))
					default: // predicted to be clipped: nothing is learnt when it looks so
						if d := out[x] + p[x] - min(white, max(black, p[x])); d < near && d > -near {
							out[x] = nan
						}
					}
				}
			}
		})
	}
	return r
}

// usableRange is the range of predicted levels that usable accepts.
func (m *model) usableRange(ch int) (lo, hi float32) {
	margin := m.margin(ch)
	return float32(m.screenLevel(ch, margin)), float32(m.screenLevel(ch, 255-margin))
}

// tabulate sums the residuals by lane class, channel and written level.
func (m *model) tabulate(l *lanes, g *align.Grid, codes []uint32, r [3][]float32) [][3]tally {
	classes := l.phases * l.banks
	fields := l.Mode.Format.Fields()
	var parts [workers][][3]tally
	overRows(g.Y0, g.Y1, func(part, from, to int) {
		t := make([][3]tally, classes)
		for k := range t {
			for ch := range 3 {
				t[k][ch].cells = make([]cell, 1<<fields[ch].Bits)
			}
		}
		row := make([]int16, g.Width)
		for y := from; y < to; y++ {
			l.row(y, row)
			hy := m.hy[g.BinY[y]][1]
			for x := g.X0; x < g.X1; x++ {
				i := y*g.Width + x
				h := hy * m.hx[g.BinX[x]][2]
				code := codes[i]
				k := &t[row[x]]
				for ch := range 3 {
					v := r[ch][i]
					s := &k[ch]
					if v != v {
						s.cells[code>>fields[ch].Shift&(1<<fields[ch].Bits-1)].clipped++
						continue
					}
					s.n++
					s.sum += float64(v)
					s.r2 += float64(v * v)
					c := &s.cells[code>>fields[ch].Shift&(1<<fields[ch].Bits-1)]
					c.a += float64(h * v)
					c.q += float64(h * h)
					c.n++
					c.r2 += float64(v * v)
				}
			}
		}
		parts[part] = t
	})
	out := parts[0]
	for _, p := range parts[1:] {
		for k := range p {
			for ch := range 3 {
				a, b := &out[k][ch], &p[k][ch]
				a.n += b.n
				a.sum += b.sum
				a.r2 += b.r2
				for v := range b.cells {
					a.cells[v].a += b.cells[v].a
					a.cells[v].q += b.cells[v].q
					a.cells[v].n += b.cells[v].n
					a.cells[v].r2 += b.cells[v].r2
					a.cells[v].clipped += b.cells[v].clipped
				}
			}
		}
	}
	for k := range out {
		for ch := range 3 {
			for v := range out[k][ch].cells {
				// What is left of a level that is mostly clipped is a biased choice.
				if c := &out[k][ch].cells[v]; c.clipped > 0.3*c.n {
					*c = cell{}
				}
			}
		}
	}
	return out
}

const biasBelow, biasSteps = 64, 8 // levels below 0, steps of a level

// biases lists by how much clipping at both ends moves the mean of a captured
// level, in levels of the screen, from -biasBelow to 255+biasBelow.
func biases(noise, gain float64) []float32 {
	out := make([]float32, (255+2*biasBelow)*biasSteps+1)
	for i := range out {
		c := float64(i)/biasSteps - biasBelow
		out[i] = float32((clipBias(c, noise) - clipBias(255-c, noise)) / gain)
	}
	return out
}

// clipBias is by how much clipping at 0 raises the mean of a level c with
// normal noise: σφ(c/σ) - c(1-Φ(c/σ)).
func clipBias(c, noise float64) float64 {
	if noise <= 0 {
		return max(0, -c)
	}
	z := c / noise
	return noise*math.Exp(-z*z/2)/math.Sqrt(2*math.Pi) - c*math.Erfc(z/math.Sqrt2)/2
}

// floor is the least noise that is assumed, in levels: rounding to whole levels.
const floor = 0.29

// noiseOf returns the noise of each channel: the lower quartile over the lane
// classes, so that faulty ones do not count.
func noiseOf(t [][3]tally) (out [3]float64) {
	for ch := range 3 {
		var v []float64
		most := 0.0
		for k := range t {
			most = max(most, t[k][ch].n)
		}
		for k := range t { // a bank of which only the plain edge is seen tells nothing
			if t[k][ch].n > max(50, 0.15*most) {
				v = append(v, math.Sqrt(t[k][ch].variance()))
			}
		}
		out[ch] = floor
		if len(v) > 0 {
			sort.Float64s(v)
			out[ch] = max(floor, v[(len(v)-1)/4])
		}
	}
	return out
}

// A ratio is how strongly a shown bit follows the written bit: 1 fully, 0 not at
// all, with its standard error. SE is +Inf when nothing is known.
type ratio struct{ value, se float64 }

// follow estimates the ratio of one bit from pairs of levels that differ in it.
func (t *tally) follow(bit int, level []float32, black, white float32, noise float64) ratio {
	var sum, weights float64
	weight := float64(level[1<<bit])
	b := 1 << bit
	for v := range t.cells {
		if v&b != 0 {
			continue
		}
		lo, hi := t.cells[v], t.cells[v|b]
		if lo.q < 0.5 || hi.q < 0.5 {
			continue
		}
		// What clipping leaves of the step is what can be seen.
		left := float64(min(white, max(black, level[v|b]))-min(white, max(black, level[v]))) / weight
		if left < 0.5 {
			continue
		}
		w := lo.q * hi.q / (lo.q + hi.q) * left * left
		sum += w * (hi.a/hi.q - lo.a/lo.q) / left
		weights += w
	}
	if weights == 0 {
		return ratio{0, math.Inf(1)}
	}
	// The class's own scatter counts when it is larger than the noise.
	s := max(noise, math.Sqrt(t.within()))
	return ratio{1 + sum/weights/weight, s / weight / math.Sqrt(weights)}
}
