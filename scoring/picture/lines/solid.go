package lines

import (
	"math"
	"slices"
	"sort"

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

// A Stripe is a lane class that deviates in a channel.
type Stripe struct {
	Bank, Phase, Period, Channel int
	Levels, SE                   float64 // of the photograph, against the other lane classes
}

// A flat is the sum of one lane class and channel in one block of the screen.
type flat struct{ n, sum float64 }

const (
	solidColumns = 8   // blocks across
	leastStep    = 4.0 // levels of the photograph
)

// ReadSolid reads a photograph of a bit solid, not levelled, on the grid of the
// pattern. Only the quarters of the screen nearest the identification strips are
// used, where the place of each pixel is known best. Levels are taken from the
// white and black of the strips and from the solid itself, so that exposure and
// tone curve do not matter; light that varies over the screen cancels, because
// each pixel is compared with those around it. The standard error comes from how
// well the blocks of the screen agree. With one lane class there are no stripes,
// and nothing is tested.
func ReadSolid(b Buffer, s Solid, g *raster.Grid, wanted *raster.RGB) (Solid, error) {
	l, err := newLanes(b)
	if err != nil || l.phases < 2 {
		return s, err
	}
	edge := b.Mode.Layout().Mark
	white, black := patches(g, wanted, edge, s.Channel)
	taps, ok := strips(g, wanted, edge)
	if !ok {
		return s, nil
	}
	deviation, solid := l.deviations(g, edge, taps)
	level := solid[s.Channel]
	s.Step = level - black
	if w := l.weight(s.Channel, s.Bit); s.Inverted && w >= 60 {
		s.Step = white - level
	} else if s.Inverted { // the light differs by more than that between strips and solid
		s.Step = (level - black) * w / (255 - w)
	}
	if l.phases == 2 { // half of the pixels may show another level
		s.Step = (white - black) * l.weight(s.Channel, s.Bit) / 255
	}
	biggest := make([]float64, l.banks) // what smears into other columns and channels hangs on it
	for ch := range 3 {
		for k, d := range deviation[ch] {
			if math.Abs(d.Levels) > max(4, 7*d.SE) {
				biggest[k/l.phases] = max(biggest[k/l.phases], math.Abs(d.Levels))
			}
		}
	}
	for ch := range 3 {
		for k, d := range deviation[ch] {
			if d.SE > 0 && math.Abs(d.Levels) > max(4, 7*d.SE, 0.5*biggest[k/l.phases]) {
				s.Stripes = append(s.Stripes, Stripe{k / l.phases, k % l.phases, l.phases, ch, d.Levels, d.SE})
			}
		}
	}
	if s.Step < leastStep || white-black < 40 {
		return s, nil
	}
	for bank := range l.banks {
		for chip := range l.Org.ChipsPerBank() {
			for line := range l.Org.ChipBits {
				var rs []ratio
				for _, sl := range l.slots(bank, chip, line) {
					d := deviation[s.Channel][sl.class]
					if sl.channel != s.Channel || sl.bit != s.Bit || d.SE <= 0 {
						continue
					}
					lost := -d.Levels
					if s.Inverted {
						lost = d.Levels
					}
					if off := math.Abs(lost); off > 0.15*s.Step && (lost < 0 || off < 0.5*biggest[bank] || !l.likely(off/s.Step)) {
						continue // something else shows there
					}
					rs = append(rs, ratio{1 - lost/s.Step, d.SE / s.Step})
				}
				if c := combine(rs); c.se < 0.07 {
					s.Lines = append(s.Lines, SolidLine{bank, chip, line, c.value, c.se})
				}
			}
		}
	}
	s.explained(l)
	return s, nil
}

// likely reports whether a deviation in steps of the bit under test can come from
// its line. That of another bit is twice the step or more, or half of it or less,
// and with two lane classes shows in the wrong one as well: what half a step
// means there, an open line or another bit, stays open.
func (l *lanes) likely(steps float64) bool {
	return steps < math.Sqrt2 && (l.phases > 2 || steps > 1/math.Sqrt2)
}

// explained drops the stripes that a failing line under test, or with two lane
// classes its mirror image, explains.
func (s *Solid) explained(l *lanes) {
	bad := map[int]bool{}
	for _, t := range s.Lines {
		if t.State() == Bad {
			for _, sl := range l.slots(t.Bank, t.Chip, t.Line) {
				if sl.channel == s.Channel && sl.bit == s.Bit {
					bad[sl.class] = true
				}
			}
		}
	}
	s.Stripes = slices.DeleteFunc(s.Stripes, func(t Stripe) bool {
		if t.Channel != s.Channel {
			return false
		}
		k := t.Bank*t.Period + t.Phase
		return bad[k] || t.Period == 2 && bad[k^1]
	})
}

// State says whether the answer is as written. It is NotJudged between.
func (t SolidLine) State() State {
	switch {
	case t.Shown < 0.7 && 1-t.Shown > 7*t.SE:
		return Bad
	case t.Shown > 0.82 && t.Shown-0.5 > 4.5*t.SE:
		return Good
	}
	return NotJudged
}

// deviations returns by channel and lane class how far its level lies from the
// others, and the level of the solid itself. What the photograph smears into the
// neighbouring columns is taken out by the taps.
func (l *lanes) deviations(g *raster.Grid, edge int, taps [5]float64) (out [3][]Stripe, level [3]float64) {
	classes := l.phases * l.banks
	quarter := max(8, (g.Height-2*edge)/4)
	bands := [][2]int{{edge + 3, edge + 3 + quarter/2}, {edge + 3 + quarter/2, edge + quarter},
		{g.Height - edge - quarter, g.Height - edge - quarter/2 - 3}, {g.Height - edge - quarter/2 - 3, g.Height - edge - 3}}
	var all [3][]float64
	var parts [3][][]float64 // deviations of each class by block
	for ch := range 3 {
		parts[ch] = make([][]float64, classes)
	}
	row := make([]int16, g.Width)
	reach := l.phases
	for _, band := range bands {
		for col := range solidColumns {
			x0, x1 := max(reach, g.Width*col/solidColumns), min(g.Width-reach, g.Width*(col+1)/solidColumns)
			var sums [3][]flat
			for ch := range 3 {
				sums[ch] = make([]flat, classes)
			}
			for y := band[0]; y < band[1]; y++ {
				l.row(y, row)
				for ch := range 3 {
					v := g.V[ch][y*g.Width : (y+1)*g.Width]
					for x := x0; x < x1; x++ {
						f := &sums[ch][row[x]]
						f.n++
						f.sum += float64(v[x]) - around(v, x, l.phases)
						all[ch] = append(all[ch], float64(v[x]))
					}
				}
			}
			for ch := range 3 {
				for bank := range l.banks {
					addBlock(parts[ch][bank*l.phases:(bank+1)*l.phases], sums[ch][bank*l.phases:(bank+1)*l.phases], taps)
				}
			}
		}
	}
	for ch := range 3 {
		out[ch] = make([]Stripe, classes)
		for k, p := range parts[ch] {
			out[ch][k].Levels, out[ch][k].SE = meanOf(p)
		}
		for bank := range l.banks {
			shade(out[ch][bank*l.phases : (bank+1)*l.phases])
		}
		sort.Float64s(all[ch])
		if n := len(all[ch]); n > 0 {
			level[ch] = all[ch][n/2]
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

// addBlock adds the deviation of each class of a bank from the median of the
// others in one block.
func addBlock(parts [][]float64, sums []flat, taps [5]float64) {
	var means []float64
	for _, f := range sums {
		if f.n < 12 {
			return // too little of this bank, or of this class, in the block
		}
		means = append(means, f.sum/f.n)
	}
	means = unsmear(means, taps)
	for k := range sums {
		var others []float64
		for j, m := range means {
			if j != k {
				others = append(others, m)
			}
		}
		sort.Float64s(others)
		n := len(others)
		parts[k] = append(parts[k], means[k]-(others[n/2]+others[(n-1)/2])/2)
	}
}

// meanOf returns mean and standard error; 0 when there are too few values.
func meanOf(v []float64) (mean, se float64) {
	n := float64(len(v))
	if n < 6 {
		return 0, 0
	}
	for _, x := range v {
		mean += x / n
	}
	for _, x := range v {
		se += (x - mean) * (x - mean)
	}
	return mean, math.Sqrt(se/(n-1)/n) + 1e-3
}

// plain reports whether the wanted level is the same all around a pixel.
func plain(wanted *raster.RGB, x, y, rx, ry int) bool {
	w := wanted.Width
	v := wanted.Pix[3*(y*w+x)]
	for dy := -ry; dy <= ry; dy++ {
		for dx := -rx; dx <= rx; dx++ {
			if xx, yy := x+dx, y+dy; xx < 0 || yy < 0 || xx >= w || yy >= wanted.Height || wanted.Pix[3*(yy*w+xx)] != v {
				return false
			}
		}
	}
	return true
}

// patches returns the captured levels of white and black in the marks and
// identification strips.
func patches(g *raster.Grid, wanted *raster.RGB, edge, ch int) (white, black float64) {
	var w, b flat
	for y := range g.Height {
		if y >= edge-1 && y < g.Height-edge+1 {
			continue
		}
		for x := range g.Width {
			i := y*g.Width + x
			v := wanted.Pix[3*i]
			if v != 0 && v != 255 || !plain(wanted, x, y, 2, 2) {
				continue
			}
			f := &b
			if v == 255 {
				f = &w
			}
			f.n++
			f.sum += float64(g.V[ch][i])
		}
	}
	return w.sum / max(1, w.n), b.sum / max(1, b.n)
}

// strips returns the smearing across, from two pixels left to two right, with
// the sum 1, that the black and white cells show. It is false when they show
// none that could be undone.
func strips(g *raster.Grid, wanted *raster.RGB, edge int) (taps [5]float64, ok bool) {
	var n normal
	var f [6]float64
	f[0] = 1
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
				f[1+d] = float64(wanted.Pix[3*(i+d-2)])
			}
			n.add(f[:], float64(g.V[0][i]+g.V[1][i]+g.V[2][i])/3)
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
	return taps, total > 0 && taps[2] > 0.35
}

// unsmear undoes the taps on a profile that repeats, by van Cittert's iteration.
func unsmear(m []float64, taps [5]float64) []float64 {
	n := len(m)
	out := slices.Clone(m)
	next := make([]float64, n)
	for range 12 {
		for i := range out {
			smeared := 0.0
			for d, t := range taps {
				smeared += t * out[((i+d-2)%n+n)%n]
			}
			next[i] = out[i] + m[i] - smeared
		}
		copy(out, next)
	}
	return out
}

// shade leaves out the classes beside one that deviates much more: the place of
// the pixels is not known well enough to tell what they show themselves.
func shade(d []Stripe) {
	n := len(d)
	if n < 3 {
		return
	}
	before := slices.Clone(d)
	for i := range d {
		for _, j := range []int{(i + 1) % n, (i + n - 1) % n} {
			big := math.Abs(before[j].Levels)
			if big > max(4, 7*before[j].SE) && math.Abs(before[i].Levels) < 0.5*big {
				d[i].SE = 0
			}
		}
	}
}
