package picture

import (
	"math"
	"slices"

	"proveout/plans/fact"
	"proveout/scoring/picture/chain"
	"proveout/scoring/picture/lines"
	"proveout/scoring/picture/metric"
	"proveout/scoring/picture/pattern"
)

// unexplained looks for what a capture of a pattern with few different places shows
// beside what was written.
//
// How a capture device smooths is never known exactly, and at the edges of such a
// pattern that makes more levels than many a fault. But places of the pattern that
// look alike, a few pixels around, and that were sampled at the same phase, must
// look alike in the capture, whatever the device does; what is off its likes is a
// fault. Most are right even where a chip is dead, since the picture has several. And
// where they are not, their middle is far off what was written.
//
// A random picture has no two places alike: its lines are judged instead. Of one with
// one random bit the others are only compared with what was written.
func (c *comparison) unexplained() {
	kind := c.f.Pattern.Kind
	if kind == pattern.Random || kind == pattern.RandomComplement || len(c.r.Findings) > 0 {
		return
	}
	l := c.likes()
	if l.far.n >= leastOff && l.rowsExchanged() {
		change := chain.Change{Kind: chain.SwappedRows, What: fact.New("chain.swapped-rows"),
			Advice: fact.New("chain.look-rows")}
		c.r.Chain = append(c.r.Chain, change)
		c.r.doubt(change.What)
		return
	}
	if c.lanesOff(l) || c.stripesOf(l) {
		return
	}
	far := l.far
	share := float64(far.n) / float64(max(1, far.of))
	switch {
	case far.n < leastOff:
		return
	case kind == 0 && share > mostOfOwn:
		c.unsettled = true
		c.r.doubt(fact.New("picture.own-elsewhere", "share", fact.In(100*share, "%").To(1)))
		return
	case kind == 0 && share < leastOfOwn:
		c.unsettled = true
		c.r.doubt(fact.New("picture.own-edges", "n", far.n))
		return
	}
	where := fact.New("picture.differs", "n", far.n, "share", lines.TwoDigits(share), "levels", levels(far.most))
	f := c.r.find(plain(Unexplained, where, fact.New("picture.look-unexplained")))
	f.Region, f.Strength = &far.Region, share
}

// How many samples must be off to be a finding. A picture of one's own has no marks: of
// one that is off in a large part it may lie elsewhere or be another one; and what is
// off in a very small part may be edges of colours that the device blends.
const (
	leastOff              = 10
	leastOfOwn, mostOfOwn = 0.002, 0.3 // shares
)

// offPixels sums samples that are off.
type offPixels struct {
	metric.Region
	n, of int
	most  float64 // levels
}

func (o *offPixels) add(x, y int, by float64) {
	if o.n == 0 {
		o.Region = metric.Region{X: x, Y: y, Width: 1, Height: 1}
	}
	x0, y0 := min(o.X, x), min(o.Y, y)
	x1, y1 := max(o.X+o.Width, x+1), max(o.Y+o.Height, y+1)
	o.Region = metric.Region{X: x0, Y: y0, Width: x1 - x0, Height: y1 - y0}
	o.n++
	o.most = max(o.most, by)
}

// What a capture device may make of a level, in levels and in shares of how much the
// pattern varies: just around a pixel, where the place counts, and in the blocks
// around, where a compressed picture rings. Set on clean captures of two outside
// simulations.
const (
	alikeLevels, alikeNear, alikeWide = 9, 0.12, 0.09 // off the likes
	modelNear                         = 0.35          // off what is written, where there are no likes
	meanLevels, meanNear, meanWide    = 3, 0.09, 0.03 // mean of a column or row
	laneLevels, laneNear              = 1.5, 0.015    // mean of what lies on the same data lines
	mostInMean                        = 20            // a single pixel in a mean
	noises                            = 5.5           // standard deviations
	exactLevels                       = 4             // off in a dump
	fewest                            = 9             // likes
	fewestInMean                      = 100           // pixels
	keeps                             = 31            // likes whose middle is taken
	mostNoise                         = 12            // levels; more is no noise
)

// likes are the places of a pattern that look alike.
type likes struct {
	c                    *comparison
	kind                 []int32 // of each pixel; -1 outside
	count                []int32
	kept                 [][3][keeps]float32
	middle               [][3]float32
	noise                [3]float64             // screen levels
	wide                 func(x, y int) float64 // see blocks
	far                  offPixels
	columns, rows, lanes [3][]sum // of what pixels are off by
}

func (c *comparison) likes() *likes {
	l := &likes{c: c, kind: make([]int32, c.grid.Width*c.grid.Height)}
	if c.random() {
		l.count, l.kept = make([]int32, 1), make([][3][keeps]float32, 1)
		for channel, residuals := range c.report.Residual {
			l.noise[channel] = min(mostNoise, usualNoise(residuals))
		}
	} else {
		l.sort()
		l.settle()
	}
	l.judge()
	return l
}

// rowsExchanged reports whether the capture shows what was written when its rows are
// exchanged in pairs, as fields in the wrong order leave them: the few edges of a
// pattern tell that only when something is off.
func (l *likes) rowsExchanged() bool {
	g, pix := l.c.grid, l.c.wanted.Pix
	const off = 60 // levels
	count := func(row func(y int) int) (n int) {
		for y := max(1, g.Y0); y < min(g.Y1, g.Height-2); y++ {
			from := row(y)
			for x := g.X0; x < g.X1; x++ {
				for channel := range 3 {
					v := l.level(channel, from*g.Width+x)
					if math.Abs(float64(v)-float64(pix[3*(y*g.Width+x)+channel])) > off {
						n++
					}
				}
			}
		}
		return n
	}
	straight := count(func(y int) int { return y })
	even := count(func(y int) int { return y ^ 1 })
	odd := count(func(y int) int { return (y + 1) ^ 1 - 1 })
	return 10*min(even, odd) < straight
}

// sort finds the likes of every pixel, and remembers some of each kind.
func (l *likes) sort() {
	g, pix := l.c.grid, l.c.wanted.Pix
	w, h := g.Width, g.Height
	const prime = 0x9E3779B97F4A7C15
	spread := func(row []uint64, y int) {
		colour := func(x int) uint64 {
			i := 3 * (y*w + min(max(x, 0), w-1))
			return uint64(pix[i])<<16 | uint64(pix[i+1])<<8 | uint64(pix[i+2]) + 1
		}
		for x := range row {
			k := uint64(0)
			for d := -3; d <= 3; d++ {
				k = (k ^ colour(x+d)) * prime
				k ^= k >> 29
			}
			row[x] = k
		}
	}
	above, middle, below := make([]uint64, w), make([]uint64, w), make([]uint64, w)
	spread(middle, 0)
	copy(above, middle)
	known := map[uint64]int32{}
	turn := uint32(1)
	lastKey, last := uint64(0), int32(-1)
	for y := range h {
		spread(below, min(y+1, h-1))
		for x := range w {
			i := y*w + x
			if !l.inside(x, y) {
				l.kind[i] = -1
				continue
			}
			key := ((above[x]*prime^middle[x])*prime ^ below[x]) * prime
			key ^= uint64(g.PhaseX[x])<<5 ^ uint64(g.PhaseY[y])
			if key != lastKey || last < 0 {
				at, ok := known[key]
				if !ok {
					at = int32(len(l.count))
					known[key] = at
					l.count = append(l.count, 0)
					l.kept = append(l.kept, [3][keeps]float32{})
				}
				lastKey, last = key, at
			}
			l.kind[i] = last
			slot := l.count[last]
			l.count[last]++
			if slot >= keeps { // any of those seen so far is as likely to be keeps
				turn = turn*1664525 + 1013904223
				slot = int32(uint64(turn) * uint64(l.count[last]) >> 32)
			}
			if slot < keeps {
				for channel := range 3 {
					l.kept[last][channel][slot] = l.level(channel, i)
				}
			}
		}
		above, middle, below = middle, below, above
	}
}

// inside reports whether a pixel was captured with all that smoothing takes in.
func (l *likes) inside(x, y int) bool {
	g := l.c.grid
	edge := 0
	if !l.c.report.Sharp {
		edge = 2
	}
	return x >= g.X0+edge && x < g.X1-edge && y >= g.Y0+edge && y < g.Y1-edge
}

// level is the screen level read of a pixel.
func (l *likes) level(channel, i int) float32 {
	return (l.c.grid.V[channel][i] - float32(l.c.r.Offset[channel])) / float32(l.c.r.Gain[channel])
}

// settle takes the middle of the likes, and the noise from how far those of plain
// places lie apart.
func (l *likes) settle() {
	l.middle = make([][3]float32, len(l.count))
	var off [3][]float64
	for k := range l.kept {
		n := int(min(l.count[k], keeps))
		for channel := range 3 {
			kept := l.kept[k][channel][:n]
			slices.Sort(kept)
			// The mean of the middle half: whole levels leave a median too coarse.
			m, half := float32(0), kept[n/4:n-n/4]
			for _, v := range half {
				m += v / float32(len(half))
			}
			l.middle[k][channel] = m
			if n == keeps && len(off[channel]) < 20_000 {
				for _, v := range kept {
					off[channel] = append(off[channel], math.Abs(float64(v-m)))
				}
			}
		}
	}
	for channel := range 3 {
		if len(off[channel]) > 0 {
			slices.Sort(off[channel])
			// Where noise is clipped on one side a half lies at the middle.
			at := off[channel]
			l.noise[channel] = min(mostNoise, max(1.4826*at[len(at)/2], 1.19*at[len(at)*8/10]))
		}
	}
}

// judge compares every pixel with its likes, and their middle with what was written.
func (l *likes) judge() {
	g := l.c.grid
	l.wide = l.blocks()
	lanes := l.c.buffer.Phases()
	own := l.c.f.Pattern.Kind == 0
	exact := l.exact()
	for channel := range 3 {
		l.columns[channel], l.rows[channel] = make([]sum, g.Width), make([]sum, g.Height)
		l.lanes[channel] = make([]sum, lanes)
		if l.c.missing[channel] {
			continue
		}
		noise := noises * l.noise[channel]
		least, leastOfModel := alikeLevels+noise, 2*alikeLevels+noise
		if exact {
			least, leastOfModel = exactLevels, exactLevels
		}
		for i, k := range l.kind {
			if k < 0 {
				continue
			}
			l.far.of++
			x, y := i%g.Width, i/g.Width
			v := l.level(channel, i)
			if alike := l.count[k] >= fewest && (!own || l.near(channel, x, y) == 0); alike {
				d := float64(v - l.middle[k][channel])
				most := max(-mostInMean, min(mostInMean, d))
				l.columns[channel][x].add(most)
				l.rows[channel][y].add(most)
				l.lanes[channel][i%lanes].add(math.Abs(most))
				if off := math.Abs(d); off > least && (exact || off > alikeLevels+noise+
					alikeNear*l.near(channel, x, y)+alikeWide*l.wide(x, y)) {
					l.far.add(x, y, off)
					continue
				}
				v = l.middle[k][channel]
			}
			left := l.c.report.Residual[channel][i]
			if left != left {
				continue // clipped, as it should be
			}
			if off := math.Abs(float64(v - l.level(channel, i) + left)); off > leastOfModel {
				around := l.wide(x, y)
				varies := around // nothing else tells what a device makes of one's own picture
				if !own {
					varies = l.near(channel, x, y)
				}
				if exact || off > 2*alikeLevels+noise+modelNear*varies+alikeWide*around {
					l.far.add(x, y, off)
				}
			}
		}
	}
}

// exact reports whether a picture came pixel for pixel, as a dump does: then nothing is
// off by little, as compression leaves much of what lies by an edge, and a fault is off
// by the weight of a bit.
func (l *likes) exact() bool {
	if l.c.r.Route != Digital {
		return false
	}
	const rounding, little, rare = 0.6, 3.5, 1000 // levels, levels, one of so many
	n, small := 0, 0
	for channel, residuals := range l.c.report.Residual {
		if l.c.missing[channel] {
			continue
		}
		for i := 0; i < len(residuals); i += 3 {
			n++
			if r := math.Abs(float64(residuals[i])); r > rounding && r < little {
				small++
			}
		}
	}
	return rare*small < n
}

// near is how much a channel of the pattern varies just around a pixel.
func (l *likes) near(channel, x, y int) float64 {
	g, pix := l.c.grid, l.c.wanted.Pix
	low, high := uint8(255), uint8(0)
	for v := max(0, y-1); v <= min(g.Height-1, y+1); v++ {
		for u := max(0, x-2); u <= min(g.Width-1, x+2); u++ {
			p := pix[3*(v*g.Width+u)+channel]
			low, high = min(low, p), max(high, p)
		}
	}
	return float64(high - low)
}

// blocks returns how much the pattern varies, in its strongest channel, in the block of
// 8×8 pixels of a pixel and those around it: what is compressed rings in all channels.
func (l *likes) blocks() func(x, y int) float64 {
	const side = 8
	g, pix := l.c.grid, l.c.wanted.Pix
	across, down := (g.Width+side-1)/side, (g.Height+side-1)/side
	low, high := make([][3]uint8, across*down), make([][3]uint8, across*down)
	for i := range low {
		low[i] = [3]uint8{255, 255, 255}
	}
	for y := range g.Height {
		for x := range g.Width {
			b, i := y/side*across+x/side, 3*(y*g.Width+x)
			for channel := range 3 {
				low[b][channel] = min(low[b][channel], pix[i+channel])
				high[b][channel] = max(high[b][channel], pix[i+channel])
			}
		}
	}
	return func(x, y int) float64 {
		a, b := [3]uint8{255, 255, 255}, [3]uint8{}
		for v := max(0, y/side-1); v <= min(down-1, y/side+1); v++ {
			for u := max(0, x/side-1); u <= min(across-1, x/side+1); u++ {
				for channel := range 3 {
					a[channel] = min(a[channel], low[v*across+u][channel])
					b[channel] = max(b[channel], high[v*across+u][channel])
				}
			}
		}
		most := 0.0
		for channel := range 3 {
			most = max(most, float64(b[channel])-float64(a[channel]))
		}
		return most
	}
}

// lanesOff looks for pixels that lie on the same data lines and are off their likes, to
// either side.
func (c *comparison) lanesOff(l *likes) bool {
	for channel, sums := range l.lanes {
		near := 0.0
		for y := range 8 {
			along, _ := l.nearAlong(channel, 1, (2*y+1)*c.grid.Height/16)
			near += along / 8
		}
		hits, strength := l.off(sums, channel, func(int) float64 { return laneLevels + laneNear*near })
		if n := len(hits); n == 0 || 2*n > len(sums) {
			continue
		}
		where := fact.New("picture.lanes-off", "n", len(hits), "period", len(sums), "colour", lines.Colour(channel),
			"levels", levels(strength))
		advice := fact.New("picture.look-lanes")
		if !c.known {
			advice = fact.New("picture.look-stripe")
		}
		c.r.find(plain(Stripe, where, advice)).Strength = strength
		return true
	}
	return false
}

// off lists the sums whose mean differs from the usual one by what is significant and
// more than a device may make of it, with how far they are off on average.
func (l *likes) off(sums []sum, channel int, most func(at int) float64) (hits []int, strength float64) {
	var means []float64
	for _, s := range sums {
		if s.n >= fewestInMean {
			means = append(means, s.s/s.n)
		}
	}
	if len(means) == 0 {
		return nil, 0
	}
	usual := median(means)
	for at, s := range sums {
		if s.n < fewestInMean {
			continue
		}
		mean := math.Abs(s.s/s.n - usual)
		if mean*math.Sqrt(s.n) > 7*max(0.5, l.noise[channel]) && mean > most(at) {
			hits = append(hits, at)
			strength += mean
		}
	}
	return hits, strength / float64(max(1, len(hits)))
}

// stripesOf looks for columns and rows that are off their likes: by more than others
// are, or by more than any device makes of them.
func (c *comparison) stripesOf(l *likes) bool {
	found := false
	for k := range 2 {
		var all []int
		strength, size := 0.0, 0
		for channel := range 3 {
			sums := [2][]sum{l.columns[channel], l.rows[channel]}[k]
			size = len(sums)
			usual := meanLevels + usuallyOff(sums)
			hits, by := l.off(sums, channel, func(at int) float64 {
				near, wide := l.nearAlong(channel, k, at)
				most := meanNear*near + meanWide*wide
				return max(meanLevels+0.75*most, min(usual, meanLevels+most))
			})
			for _, at := range hits {
				if !slices.Contains(all, at) {
					all = append(all, at)
				}
			}
			strength = max(strength, by)
		}
		if len(all) < 2 {
			continue
		}
		slices.Sort(all)
		n, by := len(all), levels(strength)
		where := []fact.Fact{
			fact.New("picture.columns-stand-out", "n", n, "levels", by),
			fact.New("picture.rows-stand-out", "n", n, "levels", by),
		}[k]
		if period, first, share := bestPeriod(all, size); share > 0.8 && period > 1 {
			where = fact.New("picture.every", "lines", where, "period", period, "first", first)
		}
		c.r.find(plain(Stripe, where, fact.New("picture.look-stripe"))).Strength = strength
		found = true
	}
	return found
}

// usuallyOff is how far the means of most columns or rows lie off at the most.
func usuallyOff(sums []sum) float64 {
	var off []float64
	for _, s := range sums {
		if s.n > 0 {
			off = append(off, math.Abs(s.s/s.n))
		}
	}
	if len(off) == 0 {
		return 0
	}
	return 6 * median(off)
}

// nearAlong is how much the pattern varies around the pixels of a column (0) or row (1),
// on average: just around them in one channel, and in their blocks.
func (l *likes) nearAlong(channel, direction, at int) (near, wide float64) {
	g := l.c.grid
	n := 0.0
	for i := 5; i < []int{g.Height, g.Width}[direction]; i += 11 {
		x, y := at, i
		if direction == 1 {
			x, y = i, at
		}
		near += l.near(channel, x, y)
		wide += l.wide(x, y)
		n++
	}
	return near / max(1, n), wide / max(1, n)
}
