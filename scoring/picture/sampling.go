package picture

import (
	"math"
	"slices"

	"proveout/plans/fact"
)

// Dirty sampling: what is too much. Of simulated clean captures with noise up to
// 8, blur up to 0.7 and scales of 1 to 2, most have no jitter that is significant,
// the worst had 0.04 pixels and a blur of 0.95.
const (
	mostJitter = 0.07 // pixels, standard deviation from line to line or column to column
	mostBlur   = 1.1  // screen pixels; single columns cannot be told apart from there on
)

// sampling looks for columns that were not taken at their time: rows that lie
// now more to the left and now more to the right (a clock or a phase that
// jitters), columns that wander along the line (a clock that beats with that of
// the card), or single columns that run into one another altogether.
func (c *comparison) sampling() {
	if !c.random() || c.r.Route == Digital {
		return
	}
	pixels := func(v float64) fact.Amount { return fact.In(v, "").To(0.01) }
	if blur := c.r.Blur; blur > mostBlur {
		c.dirty(fact.New("picture.columns-blurred", "pixels", pixels(blur)), blur)
		return
	}
	rows, columns := c.displacements()
	jitter, wander := excess(rows), excess(columns)
	switch {
	case jitter > mostJitter && jitter >= wander:
		c.dirty(fact.New("picture.sampling-jitters", "pixels", pixels(jitter)), jitter)
	case wander > mostJitter:
		c.dirty(fact.New("picture.sampling-beats", "pixels", pixels(wander)), wander)
	}
}

func (c *comparison) dirty(where fact.Fact, strength float64) {
	f := c.r.find(plain(Noise, where, fact.New("picture.look-sampling")))
	f.Form, f.Strength, f.Region = Sampling, strength, regionOf(c.grid)
}

// A displacement sums how the residuals of a row or column go with the slope of
// the pattern across: by least squares it lies Σ slope·residual over Σ slope² to
// the left.
type displacement struct{ products, slopes, residuals, n float64 }

func (d *displacement) add(slope, residual float64) {
	d.products += slope * residual
	d.slopes += slope * slope
	d.residuals += residual * residual
	d.n++
}

// displacements sums one channel over the inside of the picture.
func (c *comparison) displacements() (rows, columns []displacement) {
	g, channel := c.grid, 1
	for channel != 0 && c.missing[channel] {
		channel = (channel + 1) % 3
	}
	edge := c.f.Mode.Layout().Mark + 3
	rows, columns = make([]displacement, g.Height), make([]displacement, g.Width)
	pix := c.wanted.Pix
	skip := 1 + g.Height/400
	for y := max(edge, g.Y0); y < min(g.Height-edge, g.Y1); y += skip {
		for x := max(4, g.X0+4); x < min(g.Width, g.X1)-4; x++ {
			i := y*g.Width + x
			r := float64(c.report.Residual[channel][i])
			if r != r {
				continue
			}
			slope := float64(int(pix[3*i+3+channel])-int(pix[3*i-3+channel])) / 2
			rows[y].add(slope, r)
			columns[x].add(slope, r)
		}
	}
	return rows, columns
}

// excess returns the standard deviation of the displacements, in pixels, beyond
// what their standard errors explain; medians, so that faults in some rows or
// columns do not count. It is 0 when there is none that is significant.
func excess(all []displacement) float64 {
	var at, variance []float64
	for _, d := range all {
		if d.n < 60 || d.slopes < 60*100 {
			continue
		}
		at = append(at, d.products/d.slopes)
		variance = append(variance, d.residuals/d.n/d.slopes)
	}
	if len(at) < 20 {
		return 0
	}
	usual := median(at)
	for i := range at {
		at[i] = (at[i] - usual) * (at[i] - usual)
	}
	const half = 0.4549 // median of the square of a standard normal value
	spread, expected := median(at)/half, median(variance)
	if spread < 4*expected {
		return 0
	}
	return math.Sqrt(spread - expected)
}

// median is the upper one of two middle values.
func median(v []float64) float64 { return slices.Sorted(slices.Values(v))[len(v)/2] }
