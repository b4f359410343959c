package picture

import (
	"fmt"
	"math"
	"slices"
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
	if c.r.Blur > mostBlur {
		f := c.dirty(fmt.Sprintf("neighbouring columns run into one another (blur of %.2f pixels): lines of one pixel are lost", c.r.Blur))
		f.Strength = c.r.Blur
		c.r.Findings = append(c.r.Findings, f)
		return
	}
	rows, columns := c.displacements()
	jitter, wander := excess(rows), excess(columns)
	switch {
	case jitter > mostJitter && jitter >= wander:
		f := c.dirty(fmt.Sprintf("the sampling jitters: lines lie %.2f pixels to either side of their place", jitter))
		f.Strength = jitter
		c.r.Findings = append(c.r.Findings, f)
	case wander > mostJitter:
		f := c.dirty(fmt.Sprintf("the sampling beats along the line: columns lie %.2f pixels to either side of their place", wander))
		f.Strength = wander
		c.r.Findings = append(c.r.Findings, f)
	}
}

func (c *comparison) dirty(where string) Finding {
	f := plain(Noise, where, "Set clock (all pixels of a line) and phase of the capture device and capture again; when it stays, compare with a second device, then look at the pixel clock of the card: its supply, filter and reference.")
	f.Form = Sampling
	g := c.grid
	f.Region = &Region{g.X0, g.Y0, g.X1 - g.X0, g.Y1 - g.Y0}
	return f
}

// A displacement sums how the residuals of a row or column go with the slope of
// the pattern across: Σ slope·r over Σ slope² is how far it lies to the left.
type displacement struct{ sr, ss, rr, n float64 }

// displacements sums one channel over the inside of the picture.
func (c *comparison) displacements() (rows, columns []displacement) {
	g, ch := c.grid, 1
	for ch != 0 && c.missing[ch] {
		ch = (ch + 1) % 3
	}
	edge := c.f.Mode.Layout().Mark + 3
	rows, columns = make([]displacement, g.Height), make([]displacement, g.Width)
	residual, pix := c.report.Residual[ch], c.wanted.Pix
	skip := 1 + g.Height/400
	for y := max(edge, g.Y0); y < min(g.Height-edge, g.Y1); y += skip {
		row := &rows[y]
		for x := max(4, g.X0+4); x < min(g.Width, g.X1)-4; x++ {
			i := y*g.Width + x
			r := float64(residual[i])
			if r != r {
				continue
			}
			s := float64(int(pix[3*i+3+ch])-int(pix[3*i-3+ch])) / 2
			col := &columns[x]
			row.sr += s * r
			row.ss += s * s
			row.rr += r * r
			row.n++
			col.sr += s * r
			col.ss += s * s
			col.rr += r * r
			col.n++
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
		if d.n < 60 || d.ss < 60*100 {
			continue
		}
		at = append(at, d.sr/d.ss)
		variance = append(variance, d.rr/d.n/d.ss)
	}
	if len(at) < 20 {
		return 0
	}
	usual := middle(at)
	for i := range at {
		at[i] = (at[i] - usual) * (at[i] - usual)
	}
	const half = 0.4549 // median of the square of a standard normal value
	spread, expected := middle(at)/half, middle(variance)
	if spread < 4*expected {
		return 0
	}
	return math.Sqrt(spread - expected)
}

func middle(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}
