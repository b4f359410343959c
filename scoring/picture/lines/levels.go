package lines

import (
	"cmp"
	"math"
	"math/bits"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// A levelBin sums the pixels of one range of predicted levels.
type levelBin struct{ count, predicted, captured float64 }

// levelBins is how many ranges of 8 levels there are.
const levelBins = 32

// A classFit is what a sample of the pixels of one lane class and channel says
// about the levels.
type classFit struct {
	bits normal   // constant, one unknown a bit, then the neighbours
	line lineSums // captured over predicted level
	bins [levelBins]levelBin

	gain float64 // once solved
	rest float64 // mean square that the line leaves
}

// fitLevels estimates gain, offset and gamma of each channel so that a fault in
// a few bits or lane classes does not pull them: gain is the median over lane
// classes of the median over bits, offset and gamma come from the lane classes
// that fit best. About sample pixels are looked at.
func (v *view) fitLevels(sample int) {
	m := v.model
	all, exact := v.classFits(sample)
	for channel := range 3 {
		if m.sharp && exact[channel] > 0.5 { // a dump: nothing to estimate
			m.gain[channel], m.offset[channel], m.gamma[channel] = 1, 0, 1
			continue
		}
		var fits []*classFit
		for k := range all {
			fits = append(fits, &all[k][channel])
		}
		v.fitChannelLevels(channel, fits)
	}
}

// classFits gathers the sums of every lane class and channel, and the share of
// each channel's pixels that are captured as predicted.
func (v *view) classFits(sample int) (all [][3]classFit, exact [3]float64) {
	const same = 0.6 // levels: what rounding to whole levels leaves, and a little
	g := v.grid
	all = make([][3]classFit, v.phases*v.banks)
	skip := max(1, (g.X1-g.X0)*(g.Y1-g.Y0)/sample)
	seen := 0.0
	for y, classes := range v.rows(g.Y0, g.Y1, skip) {
		for x := g.X0; x < g.X1; x++ {
			i := y*g.Width + x
			seen++
			own := float64(v.model.centre(g, x, y))
			for channel, field := range v.fields {
				captured, predicted := float64(g.V[channel][i]), float64(v.predicted[channel][i])
				if math.Abs(captured-predicted) < same {
					exact[channel]++
				}
				if !v.model.usable(channel, predicted, captured) && !v.few[channel] {
					continue
				}
				c := &all[classes[x]][channel]
				c.line.add(1, predicted, captured)
				bin := &c.bins[min(levelBins-1, max(0, int(predicted/8)))]
				bin.count++
				bin.predicted += predicted
				bin.captured += captured
				if v.task == LevelsOnly {
					continue
				}
				terms := [most]float64{1}
				code := field.Of(v.codes[i])
				levels := v.level[channel]
				for rest := code; rest != 0; rest &= rest - 1 { // the bits that are 1
					bit := bits.TrailingZeros32(rest)
					terms[1+bit] = own * float64(levels[1<<bit])
				}
				terms[1+field.Bits] = predicted - own*float64(v.shown[channel][i])
				c.bits.add(terms[:2+field.Bits], captured)
			}
		}
	}
	for channel := range exact {
		exact[channel] /= max(1, seen)
	}
	return all, exact
}

// fitChannelLevels sets the levels of one channel from the fits of the lane
// classes.
func (v *view) fitChannelLevels(channel int, fits []*classFit) {
	m := v.model
	fits = v.solveClasses(channel, fits)
	if len(fits) == 0 {
		return
	}
	// No device turns the screen down to a fiftieth; a class that looks so shows
	// something else.
	fits = slices.DeleteFunc(fits, func(c *classFit) bool { return c.gain < 0.02 })
	if len(fits) == 0 {
		m.gain[channel] = 1
		return
	}
	// Lane classes that hardly follow are faulty, however well they fit.
	slices.SortFunc(fits, func(a, b *classFit) int { return cmp.Compare(a.gain, b.gain) })
	high := fits[len(fits)*3/4].gain
	fits = slices.DeleteFunc(fits, func(c *classFit) bool { return c.gain < 0.6*high })
	m.gain[channel] = fits[len(fits)/2].gain
	// A fault leaves more of the captured levels unexplained than noise does. The
	// half level allows for classes that are all but exact.
	slices.SortStableFunc(fits, func(a, b *classFit) int { return cmp.Compare(a.rest, b.rest) })
	limit := fits[0].rest*1.25 + 0.5
	var pool classFit
	for _, c := range fits {
		if c.rest > limit {
			break
		}
		pool.line.merge(c.line)
		for b := range pool.bins {
			pool.bins[b].count += c.bins[b].count
			pool.bins[b].predicted += c.bins[b].predicted
			pool.bins[b].captured += c.bins[b].captured
		}
	}
	s := &pool.line
	m.offset[channel] = s.y/s.n - m.gain[channel]*(s.x/s.n)
	m.gamma[channel] = 1
	// Where bits and whole levels agree on the gain the whole levels know better:
	// they use every pixel. Where they do not, faults are in the picture.
	if slope, offset, _, ok := s.solve(); ok && math.Abs(slope-m.gain[channel]) < 0.04*m.gain[channel] {
		m.gain[channel], m.offset[channel] = slope, offset
		if v.task != FromPhotograph && hasLevels(&pool.bins) { // its small steps answer less for other reasons
			m.fitGamma(channel, &pool.bins)
		}
	}
}

// solveClasses solves the fit of every class of which enough is seen.
func (v *view) solveClasses(channel int, fits []*classFit) (solved []*classFit) {
	most := 0.0
	for _, c := range fits {
		most = max(most, c.line.n)
	}
	unknowns := 2 + v.fields[channel].Bits
	if v.model.sharp { // there are no neighbours to be told apart
		unknowns--
	}
	for _, c := range fits {
		if c.line.n < max(100, 0.15*most) { // a bank of which only the edge is seen
			continue
		}
		slope, _, rest, ok := c.line.solve()
		if !ok {
			continue
		}
		c.gain, c.rest = slope, rest
		solved = append(solved, c)
		if v.task == LevelsOnly {
			continue
		}
		if answers, ok := c.bits.solve(unknowns); ok {
			c.gain = medianOfBits(answers[1:][:v.fields[channel].Bits])
		}
	}
	return solved
}

// setFew notes the channels of which a picture has few levels: what clipping leaves of
// those is all that there is to tell the curve.
func (v *view) setFew() {
	for channel, levels := range v.shown {
		var bins [levelBins]levelBin
		for i := 0; i < len(levels); i += 7 {
			bins[int(levels[i])/8].count++
		}
		v.few[channel] = !hasLevels(&bins)
	}
}

// hasLevels reports whether a picture has levels enough to tell a curve: at a few
// levels and the edges between them an error of the smoothing looks like one.
func hasLevels(bins *[levelBins]levelBin) bool {
	const enough, part = 6, 0.01
	total, filled := 0.0, 0
	for _, b := range bins {
		total += b.count
	}
	for _, b := range bins {
		if b.count > part*total {
			filled++
		}
	}
	return filled >= enough
}

// fitGamma looks for an exponent that straightens the mean captured level over
// the predicted level. It keeps 1 unless the straight line leaves something to be
// explained, and the exponent explains most of it: clipping and faults bend the
// curve a little too.
func (m *model) fitGamma(channel int, bins *[levelBins]levelBin) {
	fit := func(gamma float64) (gain, offset, rest float64) {
		var s lineSums
		for _, b := range bins {
			if b.count >= 8 {
				screen := 255 * math.Pow(max(0, b.predicted/b.count)/255, gamma)
				s.add(b.count, screen, b.captured/b.count)
			}
		}
		gain, offset, rest, ok := s.solve()
		if !ok {
			return 1, 0, math.Inf(1)
		}
		return gain, offset, rest
	}
	_, _, straight := fit(1)
	best := least(0.35, 2.8, func(gamma float64) float64 { _, _, rest := fit(gamma); return rest })
	gain, offset, rest := fit(best)
	if rest < 0.4*straight && straight > 0.3 && math.Abs(best-1) > 0.03 && gain > 0.1 {
		m.gamma[channel], m.gain[channel], m.offset[channel] = best, gain, offset
	}
}

// least finds where a function of one valley is least, by golden section.
func least(low, high float64, f func(float64) float64) float64 {
	const golden = 0.6180339887498949
	a, b := high-golden*(high-low), low+golden*(high-low)
	fa, fb := f(a), f(b)
	for range 30 {
		if fa < fb {
			high, b, fb = b, a, fa
			a = high - golden*(high-low)
			fa = f(a)
		} else {
			low, a, fa = a, b, fb
			b = low + golden*(high-low)
			fb = f(b)
		}
	}
	return (low + high) / 2
}

// medianOfBits is the median of the gains of the bits, the lowest bit first,
// with weights that grow as the square root of the bit's: the upper bits are
// known best, but none may decide alone.
func medianOfBits(gains []float64) float64 {
	weights := make([]float64, len(gains))
	for bit := range weights {
		weights[bit] = math.Sqrt(float64(int(1) << bit))
	}
	stat.SortWeighted(gains, weights)
	return stat.Quantile(0.5, stat.Empirical, gains, weights)
}
