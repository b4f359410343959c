package lines

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"proveout/scoring/picture/raster"
)

// residuals returns, for every pixel and channel, how far the screen level read
// from the capture lies from the predicted one; NaN where it cannot be used.
// Only one row of so many is looked at. The old residuals, if any, are
// overwritten.
func (m *model) residuals(g *raster.Grid, predicted, old planes, every int) (out planes) {
	for channel := range 3 {
		out[channel] = old[channel]
		if len(out[channel]) != len(predicted[channel]) {
			out[channel] = make([]float32, len(predicted[channel]))
		}
		r := m.reader(channel)
		for y := range g.Height {
			if (y-g.Y0)%every == 0 {
				at, end := y*g.Width, (y+1)*g.Width
				r.row(out[channel][at:end], predicted[channel][at:end], g.V[channel][at:end], g, y)
			}
		}
	}
	return out
}

const curveSteps = 4 // of a level

// A reader turns captured levels of one channel into residuals.
//
// Clipping needs care. A level near black or white with noise is clipped on one
// side only, which moves its mean: that is put right. A level that is predicted to
// be clipped tells nothing when it looks clipped, and much when it does not.
type reader struct {
	*model
	channel       int
	low, high     float32 // predicted levels that no clipping touches
	black, white  float32 // screen levels at which the capture is clipped
	near          float32
	scale, offset float32
	curve         []float32 // screen level of a captured one; nil when that is a straight line
	bias          []float32
	crisp         bool // a pixel shows little but itself
}

func (m *model) reader(channel int) *reader {
	margin := m.margin(channel)
	r := &reader{
		model: m, channel: channel,
		low: float32(m.screenLevel(channel, margin)), high: float32(m.screenLevel(channel, 255-margin)),
		black: float32(m.screenLevel(channel, 0)), white: float32(m.screenLevel(channel, 255)),
		near:  float32(m.looksClipped(channel) / m.gain[channel]),
		scale: float32(1 / m.gain[channel]), offset: float32(m.offset[channel]),
		bias:  biases(min(m.noise[channel], mostNoise), m.gain[channel]),
		crisp: m.across[0][2]*m.down[0][1] > 0.85,
	}
	if m.gamma[channel] != 1 {
		r.curve = make([]float32, 256*curveSteps+1)
		for i := range r.curve {
			r.curve[i] = float32(m.screenLevel(channel, float64(i)/curveSteps))
		}
	}
	return r
}

// row sets out to the residuals of row y.
func (r *reader) row(out, predicted, captured []float32, g *raster.Grid, y int) {
	nan := float32(math.NaN())
	from, to := g.X0, g.X1
	if y < g.Y0 || y >= g.Y1 || r.missing[r.channel] {
		from, to = 0, 0
	}
	for x := range out[:from] {
		out[x] = nan
	}
	for x := to; x < len(out); x++ {
		out[x] = nan
	}
	out, predicted, captured = out[from:to], predicted[from:to], captured[from:to]
	predicted, captured = predicted[:len(out)], captured[:len(out)]
	for x := range out {
		p := predicted[x]
		var d float32
		if r.curve == nil {
			d = (captured[x]-r.offset)*r.scale - p
		} else {
			d = r.curve[min(255*curveSteps, max(0, int(captured[x]*curveSteps+0.5)))] - p
		}
		if p < r.low || p > r.high {
			d = r.clipped(p, d)
		}
		out[x] = d
	}
}

// clipped returns the residual where clipping may have touched the capture.
func (r *reader) clipped(predicted, residual float32) float32 {
	left := min(r.white, max(r.black, predicted)) // what clipping leaves of it
	switch {
	case predicted > 2*r.black-r.low && predicted < 2*r.white-r.high: // half clipped by noise: right the mean
		c := float32(r.captureLevel(r.channel, float64(predicted)))
		return residual - r.bias[min(len(r.bias)-1, max(0, int((c+biasBelow)*biasSteps+0.5)))]
	case r.crisp:
		return residual + predicted - left
	}
	// Smoothed levels are not clipped pixel by pixel: nothing is learnt when it
	// looks as predicted.
	if d := residual + predicted - left; d < r.near && d > -r.near {
		return float32(math.NaN())
	}
	return residual
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

// clipBias is by how much clipping at 0 raises the mean of a level c with normal
// noise. The mean of max(0, X) is σφ(c/σ) + cΦ(c/σ), so that it is
// σφ(c/σ) - c(1-Φ(c/σ)).
func clipBias(c, noise float64) float64 {
	if noise <= 0 {
		return max(0, -c)
	}
	z := c / noise
	return noise*distuv.UnitNormal.Prob(z) - c*distuv.UnitNormal.Survival(z)
}

// A cell sums the residuals of the pixels of one lane class, channel and level. A
// bit that is shown wrongly by d moves the residual by weight·d, where weight is
// the share of its light that smoothing leaves in the pixel: by least squares d is
// weighted/weight.
type cell struct {
	weighted float64 // Σ weight·residual
	weight   float64 // Σ weight²
	count    float64
	squares  float64 // Σ residual²
}

func (c *cell) deviation() float64 { return c.weighted / c.weight }

// A tally holds the cells of one lane class and channel.
type tally struct {
	cells          []cell
	clipped        []float64 // by level: pixels left out because they look clipped as predicted
	count, squares float64   // of all cells
}

// variance is that of all residuals.
func (t *tally) variance() float64 {
	if t.count < 2 {
		return 0
	}
	return t.squares / t.count
}

// within is the variance of the residuals about the mean of their level.
func (t *tally) within() float64 {
	var squares, n float64
	for _, c := range t.cells {
		if c.count > 1 {
			squares += max(0, c.squares-c.weighted*c.weighted/c.weight)
			n += c.count - 1
		}
	}
	if n < 1 {
		return 0
	}
	return squares / n
}

// tally sums the residuals by lane class, channel and written level, over one
// row of so many.
func (v *view) tally(every int) [][3]tally {
	out := make([][3]tally, v.phases*v.banks)
	for k := range out {
		for channel, f := range v.fields {
			out[k][channel] = tally{cells: make([]cell, 1<<f.Bits), clipped: make([]float64, 1<<f.Bits)}
		}
	}
	for y, classes := range v.rows(v.grid.Y0, v.grid.Y1, every) {
		v.tallyRow(out, classes, y)
	}
	for k := range out {
		for channel := range 3 {
			out[k][channel].settle(v.grid, v.model)
		}
	}
	return out
}

// settle finishes a tally of all rows.
func (t *tally) settle(g *raster.Grid, m *model) {
	own := float64(m.centre(g, 0, 0)) // of every pixel, when there is one phase only
	for level := range t.cells {
		c := &t.cells[level]
		t.count += c.count
		t.squares += c.squares
		if !g.Phased {
			c.weight = c.count * own * own
		}
		// What is left of a level that is mostly clipped is a biased choice.
		if t.clipped[level] > 0.3*c.count {
			*c = cell{}
		}
	}
}

// tallyRow adds the residuals of row y, whose lane classes are given.
func (v *view) tallyRow(t [][3]tally, classes []int16, y int) {
	g := v.grid
	from, to := y*g.Width+g.X0, y*g.Width+g.X1
	down := v.model.down[g.PhaseY[y]][1]
	own := float64(down * v.model.across[g.PhaseX[0]][2])
	classes, phases := classes[g.X0:g.X1], g.PhaseX[g.X0:g.X1]
	for channel, f := range v.fields {
		shift, mask := f.Shift, f.Mask()
		residual, codes := v.residual[channel][from:to], v.codes[from:to]
		residual, codes, phases = residual[:len(classes)], codes[:len(classes)], phases[:len(classes)]
		for x, k := range classes {
			r, level := float64(residual[x]), codes[x]>>shift&mask
			if r != r {
				t[k][channel].clipped[level]++
				continue
			}
			c := &t[k][channel].cells[level]
			if g.Phased {
				own = float64(down * v.model.across[phases[x]][2])
				c.weight += own * own
			}
			c.weighted += own * r
			c.count++
			c.squares += r * r
		}
	}
}
