package lines

import (
	"math"
	"slices"
	"sort"

	"proveout/scoring/picture/raster"
)

// classFit is what a sample of the pixels of one lane class and channel says
// about the levels.
type classFit struct {
	bits  normal         // constant, neighbours, then one unknown a bit
	plain normal         // constant and predicted level
	bin   [32][3]float64 // by predicted level: count, sum predicted, sum captured
	slope []float64      // solved: gain of each bit
	rss   float64        // of the plain fit, a pixel
}

// fitLevels estimates gain, offset and gamma of each channel so that a fault in
// a few bits or lane classes does not pull them: gain is the median over lane
// classes of the median over bits, offset and gamma come from the lane classes
// that fit best. About sample pixels are looked at.
func (m *model) fitLevels(l *lanes, g *raster.Grid, codes []uint32, u, f [3][]float32, task Task, sample int) {
	w := g.Width
	classes := l.phases * l.banks
	fields := l.Mode.Format.Fields()
	all := make([][3]classFit, classes)
	skip := max(1, (g.X1-g.X0)*(g.Y1-g.Y0)/sample)
	row := make([]int16, w)
	var weights [8]float64
	var bit [3][]float64 // the level of each bit alone
	for ch, f := range fields {
		for k := range f.Bits {
			bit[ch] = append(bit[ch], l.weight(ch, k))
		}
	}
	var seen, exact [3]float64
	for y := g.Y0; y < g.Y1; y += skip {
		l.row(y, row)
		for x := g.X0; x < g.X1; x++ {
			i := y*w + x
			h := float64(m.centre(g, x, y))
			for ch := range 3 {
				v, p := float64(g.V[ch][i]), float64(f[ch][i])
				seen[ch]++
				if math.Abs(v-p) < 0.6 {
					exact[ch]++
				}
				if !m.usable(ch, p, v) {
					continue
				}
				c := &all[row[x]][ch]
				c.plain.addLine(p, v)
				b := &c.bin[min(31, max(0, int(p/8)))]
				b[0]++
				b[1] += p
				b[2] += v
				if task == LevelsOnly {
					continue
				}
				for k, w := range bit[ch] {
					weights[k] = h * w
				}
				c.bits.addBits(p-h*float64(u[ch][i]), codes[i]>>fields[ch].Shift&(1<<fields[ch].Bits-1), &weights, v)
			}
		}
	}
	for ch := range 3 {
		if m.sharp && exact[ch] > 0.5*seen[ch] { // a dump: nothing to estimate
			m.gain[ch], m.offset[ch], m.gamma[ch] = 1, 0, 1
			continue
		}
		m.channelLevels(ch, fields[ch].Bits, all, task)
	}
}

// usable reports whether a pixel tells anything: it does not when it is
// predicted, under the levels found so far, to be clipped at black or white and
// indeed looks so.
func (m *model) usable(ch int, predicted, captured float64) bool {
	if m.missing[ch] {
		return false
	}
	c := m.captureLevel(ch, predicted)
	margin := m.margin(ch)
	if c >= margin && c <= 255-margin {
		return true
	}
	return math.Abs(captured-min(255, max(0, c))) > 4*min(m.noise[ch], 12)+4
}

func (m *model) margin(ch int) float64 {
	if margin := 1.6 * min(m.noise[ch], 16); margin >= 1.2 {
		return margin
	}
	return -0.8
}

func (m *model) channelLevels(ch, bits int, all [][3]classFit, task Task) {
	type one struct {
		fit  *classFit
		gain float64
	}
	var good []one
	most := 0.0
	for k := range all {
		most = max(most, all[k][ch].plain.count)
	}
	for k := range all {
		c := &all[k][ch]
		if c.plain.count < max(100, 0.15*most) { // a bank of which only the edge is seen
			continue
		}
		x, ok := c.plain.solve(2)
		if !ok {
			continue
		}
		c.rss = max(0, c.plain.yy-x[0]*c.plain.b[0]-x[1]*c.plain.b[1]) / c.plain.count
		gain := x[1]
		unknowns := 2 + bits
		if task == LevelsOnly {
			good = append(good, one{c, gain})
			continue
		}
		s, ok := c.bits.solve(unknowns)
		if !ok && m.sharp { // no neighbours: leave them out
			c.bits.dropSecond()
			s, ok = c.bits.solve(unknowns)
		}
		if ok {
			c.slope = s[2:]
			gain = weightedMedian(c.slope)
		}
		good = append(good, one{c, gain})
	}
	if len(good) == 0 {
		return
	}
	good = slices.DeleteFunc(good, func(o one) bool { return o.gain < 0.02 })
	if len(good) == 0 {
		m.gain[ch] = 1
		return
	}
	// Lane classes that hardly follow are faulty, however well they fit.
	sort.Slice(good, func(a, b int) bool { return good[a].gain < good[b].gain })
	top := good[len(good)*3/4].gain
	good = slices.DeleteFunc(good, func(o one) bool { return o.gain < 0.6*top })
	m.gain[ch] = good[len(good)/2].gain
	sort.SliceStable(good, func(a, b int) bool { return good[a].fit.rss < good[b].fit.rss })
	limit := good[0].fit.rss*1.25 + 0.5
	var pool classFit
	for _, c := range good {
		if c.fit.rss > limit {
			break
		}
		pool.plain.merge(&c.fit.plain)
		for b := range pool.bin {
			for k := range 3 {
				pool.bin[b][k] += c.fit.bin[b][k]
			}
		}
	}
	n := pool.plain.count
	meanF, meanV := pool.plain.a[1][0]/n, pool.plain.b[0]/n
	m.offset[ch] = meanV - m.gain[ch]*meanF
	m.gamma[ch] = 1
	if x, ok := pool.plain.solve(2); ok && math.Abs(x[1]-m.gain[ch]) < 0.04*m.gain[ch] {
		m.gain[ch], m.offset[ch] = x[1], x[0]
		if task != FromPhotograph { // its small steps answer less for other reasons
			m.fitGamma(ch, &pool)
		}
	}
}

// fitGamma looks for an exponent that straightens the mean captured level over
// the predicted level; it keeps 1 unless the gain in fit is plain.
func (m *model) fitGamma(ch int, pool *classFit) {
	cost := func(gamma float64) (rss, gain, offset float64) {
		var n, sx, sy, sxx, sxy, syy float64
		for _, b := range pool.bin {
			if b[0] < 8 {
				continue
			}
			x, y := 255*math.Pow(max(0, b[1]/b[0])/255, gamma), b[2]/b[0]
			n += b[0]
			sx += b[0] * x
			sy += b[0] * y
			sxx += b[0] * x * x
			sxy += b[0] * x * y
			syy += b[0] * y * y
		}
		det := n*sxx - sx*sx
		if det <= 0 {
			return math.Inf(1), 1, 0
		}
		gain = (n*sxy - sx*sy) / det
		offset = (sy - gain*sx) / n
		return max(0, syy-gain*sxy-offset*sy) / n, gain, offset
	}
	straight, _, _ := cost(1)
	lo, hi := 0.35, 2.8
	const golden = 0.6180339887498949
	a, b := hi-golden*(hi-lo), lo+golden*(hi-lo)
	ca, _, _ := cost(a)
	cb, _, _ := cost(b)
	for range 30 {
		if ca < cb {
			hi, b, cb = b, a, ca
			a = hi - golden*(hi-lo)
			ca, _, _ = cost(a)
		} else {
			lo, a, ca = a, b, cb
			b = lo + golden*(hi-lo)
			cb, _, _ = cost(b)
		}
	}
	best := (lo + hi) / 2
	rss, gain, offset := cost(best)
	if rss < 0.4*straight && straight > 0.3 && math.Abs(best-1) > 0.03 && gain > 0.1 {
		m.gamma[ch], m.gain[ch], m.offset[ch] = best, gain, offset
	}
}

// weightedMedian is the median of the slopes of the bits, the lowest bit first,
// with weights that grow as the square root of the bit's: the upper bits are
// known best, but none may decide alone.
func weightedMedian(slope []float64) float64 {
	order := make([]int, len(slope))
	total := 0.0
	for i := range order {
		order[i] = i
		total += math.Sqrt(float64(int(1) << i))
	}
	sort.Slice(order, func(a, b int) bool { return slope[order[a]] < slope[order[b]] })
	sum := 0.0
	for _, i := range order {
		if sum += math.Sqrt(float64(int(1) << i)); sum > total/2 {
			return slope[i]
		}
	}
	return slope[order[len(order)-1]]
}

// upperMedian is the median, the upper one of two: faults only lower a slope.
func upperMedian(v []float64) float64 {
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	return s[len(s)/2]
}

func (n *normal) merge(o *normal) {
	for i := range n.a {
		for j := range n.a[i] {
			n.a[i][j] += o.a[i][j]
		}
		n.b[i] += o.b[i]
	}
	n.yy += o.yy
	n.count += o.count
}

// dropSecond pins the second unknown to 0.
func (n *normal) dropSecond() {
	for i := range n.a {
		n.a[1][i], n.a[i][1] = 0, 0
	}
	n.a[1][1], n.b[1] = 1, 0
}
