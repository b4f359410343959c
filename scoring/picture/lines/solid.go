package lines

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A Solid is what a photograph of a bit solid tells: one bit of one channel is 1
// in every pixel and all other bits 0, or the other way round. A data line that
// fails there shows as a stripe set of the lane period.
type Solid struct {
	Channel, Bit int
	Inverted     bool

	Lines   []SolidLine // lines that could be tested
	Stripes []Stripe    // what deviates for another reason
	Step    float64     // levels of the photograph that a failing line makes
}

// A SolidLine is how one data line answered.
type SolidLine struct {
	Bank, Chip, Line int
	Shown            float64 // 1 as written, 0 the opposite, 0.5 now this and now that
	SE               float64
}

// State says whether the answer is as written. It is NotJudged between. A line
// that is open shows ½: bad begins well above that, and good well above bad. The
// standard error comes from at most 32 blocks, so that Student's t with 31 degrees
// of freedom holds: it is beyond 7 in 7 of 10⁸ cases, and above 4.5 in 4 of 10⁵,
// which a second picture, the complement, has to repeat.
func (t SolidLine) State() State {
	switch {
	case t.Shown < 0.7 && 1-t.Shown > 7*t.SE:
		return Bad
	case t.Shown > 0.82 && t.Shown-0.5 > 4.5*t.SE:
		return Good
	}
	return NotJudged
}

// A Stripe is a lane class that deviates in a channel.
type Stripe struct {
	Bank, Phase, Period, Channel int
	Levels, SE                   float64 // of the photograph, against the other lane classes
}

// stands reports whether a stripe is one: four levels, which the eye sees too, and
// more than the seven standard errors of a clean card.
func (s Stripe) stands() bool { return math.Abs(s.Levels) > max(4, 7*s.SE) }

// A meanOf sums values.
type meanOf struct{ n, sum float64 }

func (m *meanOf) add(v float64) { m.n++; m.sum += v }

func (m *meanOf) value() float64 { return m.sum / max(1, m.n) }

// ReadSolid reads a photograph of a bit solid, not levelled, on the grid of the
// pattern. Only the quarters of the screen nearest the identification strips are
// used, where the place of each pixel is known best. Levels are taken from the
// white and black of the strips and from the solid itself, so that exposure and
// tone curve do not matter; light that varies over the screen cancels, because
// each pixel is compared with those around it. The standard error comes from how
// well the blocks of the screen agree. With one lane class there are no stripes,
// and nothing is tested.
func ReadSolid(b Buffer, p pattern.Pattern, g *raster.Grid, wanted *raster.RGB) (Solid, error) {
	channel, bit, complement := p.Plane()
	s := Solid{Channel: channel, Bit: bit, Inverted: complement == pattern.Inverted}
	l, err := newLanes(b)
	if err != nil || l.phases < 2 {
		return s, err
	}
	edge := b.Mode.Layout().Mark
	white, black := stripLevels(g, wanted, edge, channel)
	taps, ok := stripSmoothing(g, wanted, edge)
	if !ok {
		return s, nil
	}
	deviation, level := l.deviations(g, edge, taps)
	s.setStep(l, level[channel], white, black)
	biggest := make([]float64, l.banks) // what smears into other columns and channels hangs on it
	for _, classes := range deviation {
		for _, d := range classes {
			if d.stands() {
				biggest[d.Bank] = max(biggest[d.Bank], math.Abs(d.Levels))
			}
		}
	}
	for _, classes := range deviation {
		for _, d := range classes {
			if d.SE > 0 && d.stands() && math.Abs(d.Levels) > 0.5*biggest[d.Bank] {
				s.Stripes = append(s.Stripes, d)
			}
		}
	}
	const leastStep, leastContrast = 4, 40 // levels of the photograph
	if s.Step < leastStep || white-black < leastContrast {
		return s, nil
	}
	s.testLines(l, deviation[channel], biggest)
	s.dropExplained(l)
	return s, nil
}

// setStep works out by how much a failing line changes the level of the solid.
func (s *Solid) setStep(l *lanes, level, white, black float64) {
	weight := l.weight(s.Channel, s.Bit)
	switch {
	case l.phases == 2: // half of the pixels may show another level
		s.Step = (white - black) * weight / 255
	case !s.Inverted:
		s.Step = level - black
	case weight >= 60:
		s.Step = white - level
	default: // the light differs by more than that between strips and solid
		s.Step = (level - black) * weight / (255 - weight)
	}
}

// testLines judges the lines that hold the bit under test.
func (s *Solid) testLines(l *lanes, deviation []Stripe, biggest []float64) {
	const largestSE = 0.07 // of a step
	for bank := range l.banks {
		for chip := range l.Org.ChipsPerBank() {
			for line := range l.Org.ChipBits {
				var all []ratio
				for _, sl := range l.slots(bank, chip, line) {
					d := deviation[sl.class]
					if sl.channel != s.Channel || sl.bit != s.Bit || d.SE <= 0 {
						continue
					}
					lost := -d.Levels
					if s.Inverted {
						lost = d.Levels
					}
					off := math.Abs(lost)
					other := lost < 0 || off < 0.5*biggest[bank] || !l.likely(off/s.Step)
					if off > 0.15*s.Step && other {
						continue // something else shows there
					}
					all = append(all, ratio{1 - lost/s.Step, d.SE / s.Step})
				}
				if r := combine(all); r.se < largestSE {
					s.Lines = append(s.Lines, SolidLine{bank, chip, line, r.value, r.se})
				}
			}
		}
	}
}

// likely reports whether a deviation in steps of the bit under test can come from
// its line. That of another bit is twice the step or more, or half of it or less,
// and with two lane classes shows in the wrong one as well: what half a step
// means there, an open line or another bit, stays open.
func (l *lanes) likely(steps float64) bool {
	return steps < math.Sqrt2 && (l.phases > 2 || steps > 1/math.Sqrt2)
}

// dropExplained drops the stripes that a failing line under test, or with two lane
// classes its mirror image, explains.
func (s *Solid) dropExplained(l *lanes) {
	bad := map[int]bool{}
	for _, t := range s.Lines {
		for _, sl := range l.slots(t.Bank, t.Chip, t.Line) {
			if t.State() == Bad && sl.channel == s.Channel && sl.bit == s.Bit {
				bad[sl.class] = true
			}
		}
	}
	s.Stripes = slices.DeleteFunc(s.Stripes, func(t Stripe) bool {
		k := t.Bank*t.Period + t.Phase
		return t.Channel == s.Channel && (bad[k] || t.Period == 2 && bad[k^1])
	})
}

// deviations returns by channel and lane class how far its level lies from the
// others, and the level of the solid itself. What the photograph smears into the
// neighbouring columns is taken out by the taps.
func (l *lanes) deviations(g *raster.Grid, edge int, taps [5]float64) (out [3][]Stripe, level [3]float64) {
	const columns = 8 // blocks across
	quarter := max(8, (g.Height-2*edge)/4)
	bands := [][2]int{
		{edge + 3, edge + 3 + quarter/2}, {edge + 3 + quarter/2, edge + quarter},
		{g.Height - edge - quarter, g.Height - edge - quarter/2 - 3},
		{g.Height - edge - quarter/2 - 3, g.Height - edge - 3},
	}
	var levels [3][]float64
	blocks := make([][3][]float64, l.phases*l.banks) // deviations of each class and channel by block
	for _, band := range bands {
		for column := range columns {
			from := max(l.phases, g.Width*column/columns)
			to := min(g.Width-l.phases, g.Width*(column+1)/columns)
			sums := make([][3]meanOf, len(blocks))
			for y, classes := range l.rows(band[0], band[1], 1) {
				for channel := range 3 {
					row := g.V[channel][y*g.Width : (y+1)*g.Width]
					for x := from; x < to; x++ {
						sums[classes[x]][channel].add(float64(row[x]) - around(row, x, l.phases))
						levels[channel] = append(levels[channel], float64(row[x]))
					}
				}
			}
			for bank := range l.banks {
				first, end := l.classesOf(bank)
				for channel := range 3 {
					addBlock(blocks[first:end], sums[first:end], channel, taps)
				}
			}
		}
	}
	for channel := range 3 {
		for k := range blocks {
			s := Stripe{Bank: k / l.phases, Phase: k % l.phases, Period: l.phases, Channel: channel}
			s.Levels, s.SE = meanAndError(blocks[k][channel])
			out[channel] = append(out[channel], s)
		}
		if n := len(levels[channel]); n > 0 {
			slices.Sort(levels[channel])
			level[channel] = levels[channel][n/2]
		}
	}
	return out, level
}

// around is the mean of one period about a pixel; with an even period the two
// ends count half, so that a slope of the light drops out.
func around(v []float32, x, period int) float64 {
	h := period / 2
	s := 0.0
	for i := x - h; i <= x+h; i++ {
		s += float64(v[i])
	}
	if period%2 == 0 {
		s -= float64(v[x-h]+v[x+h]) / 2
	}
	return s / float64(period)
}

// addBlock adds, for each class of a bank, its deviation from the median of the
// others in one block, unless too little is seen of the bank or of a class.
func addBlock(blocks [][3][]float64, sums [][3]meanOf, channel int, taps [5]float64) {
	const enough = 12 // pixels
	var means []float64
	for k := range sums {
		m := &sums[k][channel]
		if m.n < enough {
			return
		}
		means = append(means, m.value())
	}
	means = unsmeared(means, taps)
	for k := range means {
		others := slices.Delete(slices.Clone(means), k, k+1)
		slices.Sort(others)
		n := len(others)
		median := (others[n/2] + others[(n-1)/2]) / 2
		blocks[k][channel] = append(blocks[k][channel], means[k]-median)
	}
}

// meanAndError returns mean and standard error; 0 when there are too few values.
// A thousandth of a level is added, so that blocks that agree by chance are not
// trusted without bound.
func meanAndError(v []float64) (mean, se float64) {
	if len(v) < 6 {
		return 0, 0
	}
	mean, sd := stat.MeanStdDev(v, nil)
	return mean, stat.StdErr(sd, float64(len(v))) + 1e-3
}

// plain reports whether the wanted level is the same all around a pixel.
func plain(wanted *raster.RGB, x, y, reachX, reachY int) bool {
	if x < reachX || y < reachY || x >= wanted.Width-reachX || y >= wanted.Height-reachY {
		return false
	}
	v, _, _ := wanted.At(x, y)
	for dy := -reachY; dy <= reachY; dy++ {
		for dx := -reachX; dx <= reachX; dx++ {
			if near, _, _ := wanted.At(x+dx, y+dy); near != v {
				return false
			}
		}
	}
	return true
}

// stripLevels returns the captured levels of white and black in the marks and
// identification strips.
func stripLevels(g *raster.Grid, wanted *raster.RGB, edge, channel int) (white, black float64) {
	var w, b meanOf
	for i, captured := range g.V[channel] {
		x, y := i%g.Width, i/g.Width
		if y >= edge-1 && y < g.Height-edge+1 || !plain(wanted, x, y, 2, 2) {
			continue
		}
		switch wanted.Pix[3*i] {
		case 255:
			w.add(float64(captured))
		case 0:
			b.add(float64(captured))
		}
	}
	return w.value(), b.value()
}

// stripSmoothing returns the smearing across, from two pixels left to two right,
// with the sum 1, that the black and white cells show. It is false when they show
// none that could be undone.
func stripSmoothing(g *raster.Grid, wanted *raster.RGB, edge int) (taps [5]float64, ok bool) {
	var n normal
	terms := [6]float64{1}
	for y := range g.Height {
		if y >= edge-2 && y < g.Height-edge+2 {
			continue
		}
		for x := 2; x < g.Width-2; x++ {
			if !plain(wanted, x, y, 0, 2) {
				continue
			}
			i := y*g.Width + x
			for d := range 5 {
				terms[1+d] = float64(wanted.Pix[3*(i+d-2)])
			}
			n.add(terms[:], float64(g.V[0][i]+g.V[1][i]+g.V[2][i])/3)
		}
	}
	c, ok := n.solve(6)
	if !ok {
		return taps, false
	}
	total := c[1] + c[2] + c[3] + c[4] + c[5]
	for d := range taps {
		taps[d] = c[1+d] / total
	}
	// With little more than a third of its light in its place a pixel cannot be
	// told from its neighbours any more.
	return taps, total > 0 && taps[2] > 0.35
}

// unsmeared undoes the taps on a profile that repeats, by van Cittert's iteration.
func unsmeared(profile []float64, taps [5]float64) []float64 {
	n := len(profile)
	out := slices.Clone(profile)
	next := make([]float64, n)
	for range 12 {
		for i := range out {
			smeared := 0.0
			for d, t := range taps {
				smeared += t * out[((i+d-2)%n+n)%n]
			}
			next[i] = out[i] + profile[i] - smeared
		}
		copy(out, next)
	}
	return out
}
