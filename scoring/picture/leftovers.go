package picture

import (
	"fmt"
	"math"
	"slices"

	"proveout/scoring/picture/align"
	"proveout/scoring/picture/pattern"
)

// geometry looks for edges of the picture that are dark although they lie
// inside the capture, and leaves them out of the analysis.
func (c *comparison) geometry() {
	if !c.random() || c.texture() != align.Fine {
		return
	}
	g := c.grid
	line := func(at func(i int) int, n int) bool { // dark and flat
		var s, q float64
		count := 0
		for i := 0; i < n; i += 3 {
			k := at(i)
			v := float64(g.V[0][k]+g.V[1][k]+g.V[2][k]) / 3
			s += v
			q += v * v
			count++
		}
		mean := s / float64(count)
		return mean < 42 && math.Sqrt(max(0, q/float64(count)-mean*mean)) < 13
	}
	column := func(x int) bool { return line(func(i int) int { return i*g.Width + x }, g.Height) }
	row := func(y int) bool { return line(func(i int) int { return y*g.Width + i }, g.Width) }
	var left, right, top, bottom int
	for left < (g.X1-g.X0)/3 && column(g.X0+left) {
		left++
	}
	for right < (g.X1-g.X0)/3 && column(g.X1-1-right) {
		right++
	}
	for top < (g.Y1-g.Y0)*3/4 && row(g.Y0+top) {
		top++
	}
	for bottom < (g.Y1-g.Y0)*3/4 && row(g.Y1-1-bottom) {
		bottom++
	}
	if c.bankEdge(g.Y0 + top) {
		top = 0
	}
	if c.bankEdge(g.Y1 - bottom) {
		bottom = 0
	}
	if max(left, right, top, bottom) < 3 {
		return
	}
	g.X0, g.X1, g.Y0, g.Y1 = g.X0+left, g.X1-right, g.Y0+top, g.Y1-bottom
	f := plain(Geometry, fmt.Sprintf("cut off: %d pixels left, %d right, %d at the top, %d at the bottom", left, right, top, bottom),
		"Check the timing of the mode (blanking, active width and height) and the size setting of monitor and capture device.")
	f.Region = &Region{g.X0, g.Y0, g.X1 - g.X0, g.Y1 - g.Y0}
	f.Strength = float64(max(left, right, top, bottom))
	c.r.Findings = append(c.r.Findings, f)
}

// bankEdge reports whether a bank of the memory ends at a row: what is dark
// beyond it is a lost bank, not a cut picture.
func (c *comparison) bankEdge(row int) bool {
	if !c.known {
		return false
	}
	for k := 1; k < len(c.buffer.Org.Banks); k++ {
		at := int((int64(k)*c.buffer.Org.BankBytes() - c.buffer.Base) / int64(c.f.Mode.LineBytes()))
		if at > 0 && at < c.f.Mode.Height && row >= at-2 && row <= at+3 {
			return true
		}
	}
	return false
}

// channels looks for missing and exchanged channels by how the captured
// channels go with the written ones, and puts exchanged ones right.
func (c *comparison) channels() {
	switch c.f.Pattern.Kind {
	case pattern.Random, pattern.RandomComplement:
	default:
		return
	}
	var n float64
	var sc, sw, qc, qw [3]float64
	var x [3][3]float64
	g := c.grid
	skip := max(1, g.Width*g.Height/40000) | 1
	for i := g.Y0 * g.Width; i < g.Y1*g.Width; i += skip {
		if col := i % g.Width; col < g.X0 || col >= g.X1 {
			continue
		}
		n++
		for a := range 3 {
			v, w := float64(g.V[a][i]), float64(c.wanted.Pix[3*i+a])
			sc[a] += v
			qc[a] += v * v
			sw[a] += w
			qw[a] += w * w
			for b := range 3 {
				x[a][b] += v * float64(c.wanted.Pix[3*i+b])
			}
		}
	}
	if n < 100 {
		return
	}
	names := [3]string{"red", "green", "blue"}
	var source [3]int
	for a := range 3 {
		source[a] = a
		sd := math.Sqrt(max(0, qc[a]/n-sc[a]*sc[a]/n/n))
		best, r := a, [3]float64{}
		for b := range 3 {
			wd := math.Sqrt(max(1e-9, qw[b]/n-sw[b]*sw[b]/n/n))
			if sd > 0 {
				r[b] = (x[a][b]/n - sc[a]*sw[b]/n/n) / (sd * wd)
			}
			if r[b] > r[best] {
				best = b
			}
		}
		switch {
		case sd < 14 && r[best] < 0.12:
			c.missing[a] = true
			f := plain(ChannelMissing, fmt.Sprintf("%s is at level %.0f all over", names[a], sc[a]/n),
				fmt.Sprintf("Check the %s line from converter to connector: joint, filter, protection diodes, cable.", names[a]))
			f.Strength = sc[a] / n
			c.r.Findings = append(c.r.Findings, f)
		case best != a && r[best] > 0.25 && r[a] < r[best]/2:
			source[a] = best
		}
	}
	c.swap(source, names)
}

func (c *comparison) swap(source [3]int, names [3]string) {
	if source == [3]int{0, 1, 2} {
		return
	}
	what := ""
	v := c.grid.V
	for a, b := range source {
		if a != b {
			if what != "" {
				what += ", "
			}
			what += fmt.Sprintf("%s shows %s", names[a], names[b])
			c.grid.V[b] = v[a]
		}
	}
	c.r.Findings = append(c.r.Findings, plain(ChannelSwapped, what,
		"Check the order of the colour lines: cable, connector, rework wires between converter and connector; and the pixel format of the driver."))
}

// leftovers looks into what the faults named so far leave unexplained.
func (c *comparison) leftovers() {
	if len(c.r.Findings) > 0 {
		return // what they leave is theirs
	}
	exact := c.r.Route == Digital
	switch c.f.Pattern.Kind {
	case pattern.Random, pattern.RandomComplement, pattern.BitPlane, pattern.Solid, pattern.BitSolid:
	default:
		if !exact {
			return // sampling phase changes fine detail more than a fault does
		}
	}
	rest := c.rest()
	if rest == nil {
		return
	}
	if c.displaced(rest) {
		return
	}
	if !c.stripes(rest) {
		c.specks(rest)
	}
}

// rest is the mean residual of the channels in units of its noise, or nil when
// no channel can be used; NaN where nothing is known.
func (c *comparison) rest() []float32 {
	out := make([]float32, c.grid.Width*c.grid.Height)
	var k [3]float32
	n := float32(0)
	for ch := range 3 {
		if !c.missing[ch] {
			k[ch] = float32(1 / c.report.Clean[ch])
			n++
		}
	}
	if n == 0 {
		return nil
	}
	scale := float32(1 / math.Sqrt(float64(n)))
	r := c.report.Residual
	// Marks and strips have edges that any sampling moves: they are left out of
	// an analogue capture.
	mark, side := 0, 0
	if c.r.Route != Digital {
		mark, side = c.f.Mode.Layout().Mark+3, 4
	}
	w, h := c.grid.Width, c.grid.Height
	nan := float32(math.NaN())
	from, to := min(w, side+c.grid.X0), max(0, c.grid.X1-side)
	for y := range h {
		line := out[y*w : (y+1)*w]
		known := y >= mark && y < h-mark && from < to
		for x := range line {
			if !known || x < from || x >= to {
				line[x] = nan
			}
		}
		if !known {
			continue
		}
		line = line[from:to]
		for ch := range 3 {
			if k := k[ch] * scale; k != 0 {
				for x, v := range r[ch][y*w+from : y*w+to] {
					line[x] += v * k
				}
			}
		}
	}
	return out
}

const tile = 16

// displaced looks for blocks whose content is that of another place.
func (c *comparison) displaced(rest []float32) bool {
	if c.texture() != align.Fine {
		return false
	}
	w, h := c.grid.Width, c.grid.Height
	nx, ny := w/tile, h/tile
	x0, y0, x1, y1, count := nx, ny, -1, -1, 0
	limit := 9.0
	for _, n := range c.report.Clean { // a digital picture is exact: small errors are no displacement
		limit = max(limit, 250/(n*n)/3)
	}
	for ty := range ny {
		for tx := range nx {
			var q float64
			n := 0
			for y := ty * tile; y < (ty+1)*tile; y++ {
				for _, v := range rest[y*w+tx*tile : y*w+(tx+1)*tile] {
					if v == v {
						q += float64(v) * float64(v)
						n++
					}
				}
			}
			if n > tile*tile/3 && q/float64(n) > limit {
				x0, y0, x1, y1 = min(x0, tx), min(y0, ty), max(x1, tx), max(y1, ty)
				count++
			}
		}
	}
	if count < 2 || count*3 < (x1-x0+1)*(y1-y0+1) || count > nx*ny*2/3 {
		return false
	}
	region := Region{x0 * tile, y0 * tile, (x1 - x0 + 1) * tile, (y1 - y0 + 1) * tile}
	aligned := c.report.Correct(c.grid)
	cx, cy := region.X+region.Width/2, region.Y+region.Height/2
	pw, ph := min(64, max(16, region.Width-tile)), min(64, max(16, region.Height-tile))
	dx, dy, score := align.Trace(aligned, c.wanted, max(0, min(w-pw, cx-pw/2)), max(0, min(h-ph, cy-ph/2)), pw, ph)
	where := fmt.Sprintf("a block of %d×%d pixels at %d,%d shows other content", region.Width, region.Height, region.X, region.Y)
	confidence := 0.7
	if score > 9 && (dx != 0 || dy != 0) {
		where = fmt.Sprintf("a block of %d×%d pixels at %d,%d shows what belongs %d pixels left and %d above", region.Width, region.Height, region.X, region.Y, dx, dy)
		confidence = 0.95
	} else if 2*region.Width*region.Height > w*h || min(region.Width, region.Height) == tile {
		return false // stripes or noise all over, or what an edge leaves, rather than a block
	}
	f := plain(Displaced, where, "Content that lands in the wrong place points to address lines, page or refresh logic, or to the copy engine of the chip.")
	f.Region, f.Strength, f.Confidence = &region, math.Hypot(float64(dx), float64(dy)), confidence
	c.r.Findings = append(c.r.Findings, f)
	return true
}

// stripes looks for columns and rows whose mean is off.
func (c *comparison) stripes(rest []float32) bool {
	found := false
	w, h := c.grid.Width, c.grid.Height
	cols, rows := make([]sum, w), make([]sum, h)
	level := (c.report.Clean[0] + c.report.Clean[1] + c.report.Clean[2]) / 3
	most := max(3, 20*math.Sqrt(3)/level) // 20 levels
	for y := range h {
		for x, v := range rest[y*w : (y+1)*w] {
			if v == v { // a few isolated pixels make no stripe
				v := min(most, max(-most, float64(v)))
				cols[x].add(v)
				rows[y].add(v)
			}
		}
	}
	for k, s := range [][]sum{cols, rows} {
		hits, strength := offLines(s, level)
		if len(hits) < 2 {
			continue
		}
		period, ph, share := bestPeriod(hits, len(s))
		what := [2]string{"columns", "rows"}[k]
		where := fmt.Sprintf("%d %s stand out by %.1f levels", len(hits), what, strength)
		if share > 0.8 && period > 1 {
			where += fmt.Sprintf(", every %d from %d", period, ph)
		}
		f := plain(Stripe, where, "Stripes of one period point to one lane of the bus, to the supply of the converter or to crosstalk; compare the period with the bus width.")
		f.Strength = strength
		c.r.Findings = append(c.r.Findings, f)
		found = true
	}
	return found
}

type sum struct{ n, s float64 }

func (s *sum) add(v float64) { s.n++; s.s += v }

// offLines lists lines whose mean is off by more than seven standard errors and
// more than a level and a half.
func offLines(s []sum, level float64) (hits []int, strength float64) {
	var means []float64
	for _, v := range s {
		if v.n >= 40 {
			means = append(means, v.s/v.n)
		}
	}
	if len(means) == 0 {
		return nil, 0
	}
	slices.Sort(means)
	usual := means[len(means)/2]
	for i, v := range s {
		if v.n < 40 {
			continue
		}
		mean := v.s/v.n - usual
		if math.Abs(mean)*math.Sqrt(v.n) > 7 && math.Abs(mean)*level/math.Sqrt(3) > 1.5 {
			hits = append(hits, i)
			strength += math.Abs(mean) * level / math.Sqrt(3)
		}
	}
	return hits, strength / float64(max(1, len(hits)))
}

// bestPeriod returns period and phase that hold the largest share of the lines
// and are filled best.
func bestPeriod(hits []int, n int) (period, ph int, share float64) {
	best := 0.0
	for p := 2; p <= 128 && p < n/2; p++ {
		count := make([]int, p)
		for _, x := range hits {
			count[x%p]++
		}
		for k, c := range count {
			in := float64(c) / float64(len(hits))
			fill := float64(c) / (float64(n-k)/float64(p) + 1)
			if v := in * min(1, fill+0.1); v > best+1e-9 {
				best, period, ph, share = v, p, k, in
			}
		}
	}
	return period, ph, share
}

// specks looks for isolated wrong pixels.
func (c *comparison) specks(rest []float32) {
	for _, f := range c.r.Findings { // a weak chip has named them already
		if f.Kind == "chip-weak" || f.Kind == Noise || f.Kind == Displaced {
			return
		}
	}
	far, n := 0, 0
	limit := 6.0
	for ch := range 3 {
		switch {
		case c.missing[ch]:
		case c.r.Route == Digital:
			limit = max(limit, 6/c.report.Clean[ch])
		default: // edges between sampling phases leave a few large residuals
			limit = max(limit, 7, 28/c.report.Clean[ch])
		}
	}
	x0, y0, x1, y1 := c.grid.Width, c.grid.Height, 0, 0
	for i, v := range rest {
		if v != v {
			continue
		}
		n++
		if a := math.Abs(float64(v)); a > limit {
			far++
			x, y := i%c.grid.Width, i/c.grid.Width
			x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
		}
	}
	if n == 0 || far < 8 || float64(far)/float64(n) < 5e-5 {
		return
	}
	f := plain(Noise, fmt.Sprintf("%d isolated pixels (%.2g of the picture) are far off", far, float64(far)/float64(n)),
		"Check supply and clock of the converter, the memory clock and its termination; compare with a lower memory clock.")
	f.Region = &Region{x0, y0, x1 - x0 + 1, y1 - y0 + 1}
	f.Strength = float64(far) / float64(n)
	c.r.Findings = append(c.r.Findings, f)
}
