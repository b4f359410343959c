package lines

import (
	"math"
	"sort"
	"sync"

	"proveout/scoring/picture/raster"
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
}

// A tally holds the cells of one lane class and channel.
type tally struct {
	cells   []cell
	clipped []float64 // by level: pixels left out because they look clipped as predicted
	n, r2   float64
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
// Only one row of so many is looked at. The old residuals, if any, are
// overwritten.
func (m *model) residuals(g *raster.Grid, f, old [3][]float32, every int) (r [3][]float32) {
	for ch := range 3 {
		r[ch] = old[ch]
		if len(r[ch]) != len(f[ch]) {
			r[ch] = make([]float32, len(f[ch]))
		}
		e := m.reader(ch)
		overRows(0, g.Height, func(_, from, to int) {
			for y := from; y < to; y++ {
				if skipped(g, y, every) {
					continue
				}
				at, end := y*g.Width, (y+1)*g.Width
				e.row(r[ch][at:end], f[ch][at:end], g.V[ch][at:end], g, y)
			}
		})
	}
	return r
}

// skipped reports whether a row is left out when one row of so many is looked at.
func skipped(g *raster.Grid, y, every int) bool { return every > 1 && (y-g.Y0)%every != 0 }

const curveSteps = 4 // of a level

// A reader turns captured levels of one channel into residuals.
type reader struct {
	*model
	ch                 int
	lo, hi             float32 // predicted levels that no clipping touches
	black, white, near float32
	scale, offset      float32
	curve              []float32 // screen level of a captured one; nil when that is a straight line
	bias               []float32
	sharp              bool
}

func (m *model) reader(ch int) *reader {
	e := &reader{model: m, ch: ch, sharp: m.hx[0][2]*m.hy[0][1] > 0.85,
		black: float32(m.screenLevel(ch, 0)), white: float32(m.screenLevel(ch, 255)), near: float32((4*min(m.noise[ch], 12) + 4) / m.gain[ch]),
		scale: float32(1 / m.gain[ch]), offset: float32(m.offset[ch]),
		bias: biases(min(m.noise[ch], 16), m.gain[ch])}
	e.lo, e.hi = m.usableRange(ch)
	if m.gamma[ch] != 1 {
		e.curve = make([]float32, 256*curveSteps+1)
		for i := range e.curve {
			e.curve[i] = float32(m.screenLevel(ch, float64(i)/curveSteps))
		}
	}
	return e
}

// row sets out to the residuals of row y from the predicted levels p and the
// captured levels v.
func (e *reader) row(out, p, v []float32, g *raster.Grid, y int) {
	nan := float32(math.NaN())
	from, to := g.X0, g.X1
	if y < g.Y0 || y >= g.Y1 || e.missing[e.ch] {
		from, to = 0, 0
	}
	for x := range out[:from] {
		out[x] = nan
	}
	for x := to; x < len(out); x++ {
		out[x] = nan
	}
	out, p, v = out[from:to], p[from:to], v[from:to]
	p, v = p[:len(out)], v[:len(out)]
	for x := range out {
		predicted := p[x]
		var r float32
		if e.curve == nil {
			r = (v[x]-e.offset)*e.scale - predicted
		} else {
			r = e.curve[min(255*curveSteps, max(0, int(v[x]*curveSteps+0.5)))] - predicted
		}
		if predicted < e.lo || predicted > e.hi {
			r = e.clipped(predicted, r)
		}
		out[x] = r
	}
}

// clipped returns the residual where clipping may have touched the capture.
func (e *reader) clipped(predicted, r float32) float32 {
	switch {
	case predicted > 2*e.black-e.lo && predicted < 2*e.white-e.hi: // half clipped by noise: right the mean
		c := float32(e.captureLevel(e.ch, float64(predicted)))
		return r - e.bias[min(len(e.bias)-1, max(0, int((c+biasBelow)*biasSteps+0.5)))]
	case e.sharp: // compare with what clipping leaves
		return r + predicted - min(e.white, max(e.black, predicted))
	}
	// Predicted to be clipped: nothing is learnt when it looks so.
	if d := r + predicted - min(e.white, max(e.black, predicted)); d < e.near && d > -e.near {
		return float32(math.NaN())
	}
	return r
}

// usableRange is the range of predicted levels that usable accepts.
func (m *model) usableRange(ch int) (lo, hi float32) {
	margin := m.margin(ch)
	return float32(m.screenLevel(ch, margin)), float32(m.screenLevel(ch, 255-margin))
}

// tabulate sums the residuals by lane class, channel and written level, over one
// row of so many.
func (m *model) tabulate(l *lanes, g *raster.Grid, codes []uint32, r [3][]float32, every int) [][3]tally {
	var parts [workers][][3]tally
	overRows(g.Y0, g.Y1, func(part, from, to int) {
		t := l.tallies()
		row := make([]int16, g.Width)
		for y := from; y < to; y++ {
			if skipped(g, y, every) {
				continue
			}
			l.row(y, row)
			m.tabulateRow(t, l, g, codes, r, row, y)
		}
		parts[part] = t
	})
	h := float64(m.centre(g, 0, 0)) // of every pixel, when there is one phase only
	out := parts[0]
	for _, p := range parts[1:] {
		for k := range p {
			for ch := range 3 {
				a := out[k][ch].cells
				for v, b := range p[k][ch].cells {
					a[v].a += b.a
					a[v].q += b.q
					a[v].n += b.n
					a[v].r2 += b.r2
					out[k][ch].clipped[v] += p[k][ch].clipped[v]
				}
			}
		}
	}
	for k := range out {
		for ch := range 3 {
			t := &out[k][ch]
			for v := range t.cells {
				c := &t.cells[v]
				t.n += c.n
				t.r2 += c.r2
				if !g.Phased {
					c.q = c.n * h * h
				}
				// What is left of a level that is mostly clipped is a biased choice.
				if t.clipped[v] > 0.3*c.n {
					*c = cell{}
				}
			}
		}
	}
	return out
}

func (l *lanes) tallies() [][3]tally {
	fields := l.Mode.Format.Fields()
	t := make([][3]tally, l.phases*l.banks)
	for k := range t {
		for ch := range 3 {
			t[k][ch].cells, t[k][ch].clipped = make([]cell, 1<<fields[ch].Bits), make([]float64, 1<<fields[ch].Bits)
		}
	}
	return t
}

// tabulateRow adds the residuals of row y, whose lane classes are given.
func (m *model) tabulateRow(t [][3]tally, l *lanes, g *raster.Grid, codes []uint32, r [3][]float32, row []int16, y int) {
	from, to := y*g.Width+g.X0, y*g.Width+g.X1
	hy := m.hy[g.PhaseY[y]][1]
	h := float64(hy * m.hx[g.PhaseX[0]][2])
	row, bins := row[g.X0:g.X1], g.PhaseX[g.X0:g.X1]
	for ch, f := range l.Mode.Format.Fields() {
		shift, mask := f.Shift, uint32(1<<f.Bits-1)
		res, code := r[ch][from:to], codes[from:to]
		res, code, bins = res[:len(row)], code[:len(row)], bins[:len(row)]
		for x, k := range row {
			v, level := float64(res[x]), code[x]>>shift&mask
			if v != v {
				t[k][ch].clipped[level]++
				continue
			}
			c := &t[k][ch].cells[level]
			if g.Phased {
				h = float64(hy * m.hx[bins[x]][2])
				c.q += h * h
			}
			c.a += h * v
			c.n++
			c.r2 += v * v
		}
	}
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
