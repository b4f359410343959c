package picture

import (
	"math"

	"gonum.org/v1/gonum/stat"

	"proveout/plans/fact"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/lines"
	"proveout/scoring/picture/metric"
)

// geometry looks for edges of the picture that are dark although they lie
// inside the capture, and leaves them out of the analysis.
func (c *comparison) geometry() {
	if !c.random() || c.texture() != align.Fine {
		return
	}
	g := c.grid
	column := func(x int) bool { return c.dark(g.Height, func(i int) int { return i*g.Width + x }) }
	row := func(y int) bool { return c.dark(g.Width, func(i int) int { return y*g.Width + i }) }
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
	most := max(left, right, top, bottom)
	if most < 3 {
		return
	}
	g.X0, g.X1, g.Y0, g.Y1 = g.X0+left, g.X1-right, g.Y0+top, g.Y1-bottom
	where := fact.New("picture.cut-off", "left", left, "right", right, "top", top, "bottom", bottom)
	f := c.r.find(plain(Geometry, where, fact.New("picture.look-geometry")))
	f.Region, f.Strength = regionOf(g), float64(most)
}

// dark reports whether a row or column of so many pixels is dark and flat: noise
// of a dozen levels about black is, content is not.
func (c *comparison) dark(n int, at func(i int) int) bool {
	var sum, squares, count float64
	for i := 0; i < n; i += 3 {
		k := at(i)
		v := float64(c.grid.V[0][k]+c.grid.V[1][k]+c.grid.V[2][k]) / 3
		sum += v
		squares += v * v
		count++
	}
	mean := sum / count
	return mean < 42 && math.Sqrt(max(0, squares/count-mean*mean)) < 13
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
	g := c.grid
	var captured, written [3][]float64
	skip := max(1, g.Width*g.Height/40_000) | 1
	for i := g.Y0 * g.Width; i < g.Y1*g.Width; i += skip {
		if x := i % g.Width; x < g.X0 || x >= g.X1 {
			continue
		}
		for channel := range 3 {
			captured[channel] = append(captured[channel], float64(g.V[channel][i]))
			written[channel] = append(written[channel], float64(c.wanted.Pix[3*i+channel]))
		}
	}
	if len(captured[0]) < 100 {
		return
	}
	source := [3]int{0, 1, 2}
	for a := range 3 {
		if stat.PopStdDev(written[a], nil) < 10 {
			continue // a picture of one's own in other colours
		}
		mean, sd := stat.PopMeanStdDev(captured[a], nil)
		var goes [3]float64 // with the written channels
		best := a
		for b := range 3 {
			if sd > 0 {
				goes[b] = stat.Correlation(captured[a], written[b], nil)
			}
			if goes[b] > goes[best] {
				best = b
			}
		}
		switch {
		case sd < 14 && goes[best] < 0.12:
			c.missing[a] = true
			where := fact.New("picture.colour-level", "colour", lines.Colour(a), "level", fact.In(mean, "").To(1))
			advice := fact.New("picture.look-colour", "colour", lines.Colour(a))
			c.r.find(plain(ChannelMissing, where, advice)).Strength = mean
		case best != a && goes[best] > 0.08 && goes[a] < goes[best]/2:
			source[a] = best
		}
	}
	c.swapBack(source)
}

// levelsOff looks for levels that no device makes of black and white: then something
// else than the device has been described.
func (c *comparison) levelsOff() bool {
	for channel := range 3 {
		black := c.r.Offset[channel]
		white := black + 255*c.r.Gain[channel]
		if c.missing[channel] || black > -60 && black < 110 && white > black+35 && white < 420 {
			continue
		}
		where := fact.New("picture.levels-off", "colour", lines.Colour(channel),
			"black", fact.In(black, "").To(1), "white", fact.In(white, "").To(1))
		c.r.find(plain(Unexplained, where, fact.New("picture.look-unexplained")))
		return true
	}
	return false
}

// weakChannels looks for a channel that is much weaker than the others, as one whose
// highest converter bit is missing looks in a picture of few levels. A dump changes
// hardly any level, and so none beside others.
func (c *comparison) weakChannels() {
	least := 0.7
	if c.r.Route == Digital {
		least = 0.9
	}
	strongest := 0
	for channel, gain := range c.r.Gain {
		if !c.missing[channel] && (c.missing[strongest] || gain > c.r.Gain[strongest]) {
			strongest = channel
		}
	}
	for channel, gain := range c.r.Gain {
		share := gain / c.r.Gain[strongest]
		if c.missing[channel] || share > least {
			continue
		}
		where := fact.New("picture.colour-weak", "colour", lines.Colour(channel), "other", lines.Colour(strongest),
			"share", fact.In(100*share, "%").To(1))
		f := c.r.find(plain(ChannelWeak, where, fact.New("picture.look-weak-colour", "colour", lines.Colour(channel))))
		f.Strength = share
	}
}

// swapBack puts exchanged channels right.
func (c *comparison) swapBack(source [3]int) {
	var swaps []fact.Fact
	v := c.grid.V
	for a, b := range source {
		if a != b {
			swaps = append(swaps, fact.New("picture.colour-shows", "colour", lines.Colour(a), "other", lines.Colour(b)))
			c.grid.V[b] = v[a]
		}
	}
	if len(swaps) > 0 {
		where := fact.New("picture.colours-exchanged", "exchanged", fact.ListOf(fact.Comma, swaps))
		c.r.find(plain(ChannelSwapped, where, fact.New("picture.look-order")))
	}
}

// leftovers looks into what the faults named so far leave unexplained.
func (c *comparison) leftovers() {
	if len(c.r.Findings) > 0 || !c.random() {
		return // what they leave is theirs; other patterns: see unexplained
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
	var used []int
	for channel, missing := range c.missing {
		if !missing {
			used = append(used, channel)
		}
	}
	if len(used) == 0 {
		return nil
	}
	var perNoise [3]float32
	for _, channel := range used {
		perNoise[channel] = float32(1 / c.report.Clean[channel] / math.Sqrt(float64(len(used))))
	}
	// Marks and strips have edges that any sampling moves: they are left out of
	// an analogue capture.
	mark, side := 0, 0
	if c.r.Route != Digital {
		mark, side = c.f.Mode.Layout().Mark+3, 4
	}
	g := c.grid
	out := make([]float32, g.Width*g.Height)
	for i := range out {
		x, y := i%g.Width, i/g.Width
		if y < mark || y >= g.Height-mark || x < g.X0+side || x >= g.X1-side {
			out[i] = float32(math.NaN())
			continue
		}
		for _, channel := range used {
			out[i] += c.report.Residual[channel][i] * perNoise[channel]
		}
	}
	return out
}

// displaced looks for blocks whose content is that of another place.
func (c *comparison) displaced(rest []float32) bool {
	if c.texture() != align.Fine {
		return false
	}
	region, ok := c.wrongTiles(rest)
	if !ok {
		return false
	}
	w, h := c.grid.Width, c.grid.Height
	cx, cy := region.X+region.Width/2, region.Y+region.Height/2
	pw, ph := min(64, max(16, region.Width-tile)), min(64, max(16, region.Height-tile))
	x, y := max(0, min(w-pw, cx-pw/2)), max(0, min(h-ph, cy-ph/2))
	dx, dy, score := align.Trace(c.report.Correct(c.grid), c.wanted, x, y, pw, ph)
	where := fact.New("picture.block", "width", region.Width, "height", region.Height, "x", region.X, "y", region.Y)
	confidence := 0.7
	if score > 9 && (dx != 0 || dy != 0) { // standard deviations: of 65 536 places none reaches that by chance
		where = fact.New("picture.block-from", "width", region.Width, "height", region.Height,
			"x", region.X, "y", region.Y, "left", dx, "above", dy)
		confidence = 0.95
	} else if 2*region.Width*region.Height > w*h || min(region.Width, region.Height) == tile {
		return false // stripes or noise all over, or what an edge leaves, rather than a block
	}
	f := c.r.find(plain(Displaced, where, fact.New("picture.look-displaced")))
	f.Region, f.Strength, f.Confidence = &region, math.Hypot(float64(dx), float64(dy)), confidence
	return true
}

const tile = 16

// wrongTiles is the part of the picture whose tiles differ by far more than the
// noise, as those of other content do. It is false for a few tiles here and there,
// and for most of the picture.
func (c *comparison) wrongTiles(rest []float32) (region metric.Region, ok bool) {
	w := c.grid.Width
	across, down := w/tile, c.grid.Height/tile
	limit := 9.0                       // variances
	for _, n := range c.report.Clean { // a digital picture is exact: small errors are no displacement
		limit = max(limit, 250/(n*n)/3)
	}
	limit *= c.noiseShare()
	x0, y0, x1, y1, count := across, down, -1, -1, 0
	for ty := range down {
		for tx := range across {
			squares, n := 0.0, 0
			for y := ty * tile; y < (ty+1)*tile; y++ {
				for _, v := range rest[y*w+tx*tile : y*w+(tx+1)*tile] {
					if v == v {
						squares += float64(v) * float64(v)
						n++
					}
				}
			}
			if n > tile*tile/3 && squares/float64(n) > limit {
				x0, y0, x1, y1 = min(x0, tx), min(y0, ty), max(x1, tx), max(y1, ty)
				count++
			}
		}
	}
	if count < 2 || count*3 < (x1-x0+1)*(y1-y0+1) || count > across*down*2/3 {
		return region, false
	}
	return metric.Region{X: x0 * tile, Y: y0 * tile, Width: (x1 - x0 + 1) * tile, Height: (y1 - y0 + 1) * tile}, true
}

// noiseShare is which share of the noise's variance is left without what a large part
// of other content adds to it; 1 when there is no such part.
func (c *comparison) noiseShare() float64 {
	least := 1.0
	for channel, residuals := range c.report.Residual {
		if share := usualNoise(residuals) / c.report.Clean[channel]; !c.missing[channel] && share < 0.6 {
			least = min(least, max(0.2, share))
		}
	}
	return least * least
}

// stripes looks for columns and rows whose mean is off.
func (c *comparison) stripes(rest []float32) bool {
	found := false
	w, h := c.grid.Width, c.grid.Height
	columns, rows := make([]sum, w), make([]sum, h)
	level := (c.report.Clean[0] + c.report.Clean[1] + c.report.Clean[2]) / 3
	most := max(3, 20*math.Sqrt(3)/level) // 20 levels
	for y := range h {
		for x, v := range rest[y*w : (y+1)*w] {
			if v == v { // a few isolated pixels make no stripe
				v := min(most, max(-most, float64(v)))
				columns[x].add(v)
				rows[y].add(v)
			}
		}
	}
	for k, sums := range [][]sum{columns, rows} {
		hits, strength := offLines(sums, level)
		if len(hits) < 2 {
			continue
		}
		n, by := len(hits), levels(strength)
		where := []fact.Fact{
			fact.New("picture.columns-stand-out", "n", n, "levels", by),
			fact.New("picture.rows-stand-out", "n", n, "levels", by),
		}[k]
		if period, first, share := bestPeriod(hits, len(sums)); share > 0.8 && period > 1 {
			where = fact.New("picture.every", "lines", where, "period", period, "first", first)
		}
		c.r.find(plain(Stripe, where, fact.New("picture.look-stripe"))).Strength = strength
		found = true
	}
	return found
}

type sum struct{ n, s float64 }

func (s *sum) add(v float64) { s.n++; s.s += v }

// offLines lists lines whose mean is off by more than seven standard errors and
// more than a level and a half.
func offLines(all []sum, level float64) (hits []int, strength float64) {
	const enough = 40 // pixels
	var means []float64
	for _, s := range all {
		if s.n >= enough {
			means = append(means, s.s/s.n)
		}
	}
	if len(means) == 0 {
		return nil, 0
	}
	usual := median(means)
	for i, s := range all {
		off := math.Abs(s.s/s.n - usual)
		if inLevels := off * level / math.Sqrt(3); s.n >= enough && off*math.Sqrt(s.n) > 7 && inLevels > 1.5 {
			hits = append(hits, i)
			strength += inLevels
		}
	}
	return hits, strength / float64(max(1, len(hits)))
}

// bestPeriod returns period and phase that hold the largest share of the lines
// and are filled best.
func bestPeriod(hits []int, n int) (period, first int, share float64) {
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
				best, period, first, share = v, p, k, in
			}
		}
	}
	return period, first, share
}

// specks looks for isolated wrong pixels.
func (c *comparison) specks(rest []float32) {
	limit := 6.0 // standard deviations
	for channel := range 3 {
		switch {
		case c.missing[channel]:
		case c.r.Route == Digital:
			limit = max(limit, 6/c.report.Clean[channel])
		default: // edges between sampling phases leave a few large residuals
			limit = max(limit, 7, 28/c.report.Clean[channel])
		}
	}
	far, n := 0, 0
	x0, y0, x1, y1 := c.grid.Width, c.grid.Height, 0, 0
	for i, v := range rest {
		if v != v {
			continue
		}
		n++
		if math.Abs(float64(v)) > limit {
			far++
			x, y := i%c.grid.Width, i/c.grid.Width
			x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
		}
	}
	share := float64(far) / float64(max(1, n))
	if far < 8 || share < 5e-5 {
		return
	}
	where := fact.New("picture.isolated-pixels", "n", far, "share", lines.TwoDigits(share))
	f := c.r.find(plain(Noise, where, fact.New("picture.look-noise")))
	f.Region, f.Strength = &metric.Region{X: x0, Y: y0, Width: x1 - x0 + 1, Height: y1 - y0 + 1}, share
}
