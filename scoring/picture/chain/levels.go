package chain

import (
	"math"
	"math/bits"

	"proveout/plans/fact"
)

// A palette is which colours and levels a picture is made of.
type palette struct {
	colours int
	level   [3][256]bool
}

// count is how many levels of a channel occur, low and high the ends.
func (p *palette) count(channel int) (n, low, high int) {
	low = -1
	for v, occurs := range p.level[channel] {
		if occurs {
			n++
			high = v
			if low < 0 {
				low = v
			}
		}
	}
	return n, low, high
}

// even reports whether the levels of a channel are evenly spaced, to what rounding
// and the replication of bits move them, and at least twice as far apart as when there are so many of them.
func (p *palette) even(channel, many int) bool {
	n, low, high := p.count(channel)
	if n < 2 || many < 3 {
		return false
	}
	step := float64(high-low) / float64(n-1)
	if step < 1.8*255/float64(many-1) {
		return false
	}
	k := 0
	for v, occurs := range p.level[channel] {
		if !occurs {
			continue
		}
		if math.Abs(float64(v)-float64(low)-step*float64(k)) > 0.8 {
			return false
		}
		k++
	}
	return true
}

// fewColours looks for a capture of far fewer colours than were written. Only a
// capture without noise shows it: whole levels, few of them.
func (e *examination) fewColours() *Change {
	const sampled, many = 20_000, 1_000 // pixels; colours of a sample that are no palette
	seen, whole := e.captured(sampled)
	if !whole {
		return nil
	}
	made, shows := e.made(sampled), e.shows()
	if seen.colours > many && fewer(&seen, &made, shows) == [3]bool{} {
		return nil
	}
	if seen, whole = e.captured(math.MaxInt); !whole {
		return nil
	}
	made = e.made(math.MaxInt)
	if !chosen(&seen, &made) && !coarse(&seen, &made, shows) {
		return nil
	}
	return &Change{
		Kind: FewColours, What: fact.New("chain.few-colours", "n", seen.colours, "written", made.colours),
		Rival: fact.New("chain.few-colours-card"), Advice: fact.New("chain.look-few-colours"),
	}
}

// fewer tells which channels show at most six tenths of the levels that were
// written to the channel that they show.
func fewer(seen, made *palette, shows [3]int) (out [3]bool) {
	for channel, b := range shows {
		n, _, _ := seen.count(channel)
		many, _, _ := made.count(b)
		out[channel] = many > 2 && 10*n <= 6*many
	}
	return out
}

// shows tells which written channel each captured one goes with: another one
// where colours are exchanged.
func (e *examination) shows() (out [3]int) {
	var all [3][3]correlation
	for i := range e.pixels(2_000) {
		for a := range 3 {
			for b := range 3 {
				all[a][b].add(float64(e.grid.V[a][i]), float64(e.wanted.Pix[3*i+b]))
			}
		}
	}
	for a := range 3 {
		out[a] = a
		for b := range 3 {
			if all[a][b].value() > 0.8 && all[a][a].value() < 0.2 {
				out[a] = b
			}
		}
	}
	return out
}

// chosen reports whether the colours are a palette that was chosen for the
// picture: few, and not all that the levels of the three channels could give, as
// they are where bits are missing.
func chosen(seen, made *palette) bool {
	if seen.colours > 256 || made.colours <= 4*seen.colours {
		return false
	}
	all := 1
	for channel := range 3 {
		n, _, _ := seen.count(channel)
		if n < 2 {
			return false // a colour is missing
		}
		all *= n
	}
	return seen.colours*10 < 9*all
}

// coarse reports whether levels were rounded to fewer from end to end, or by two
// bits and more in all channels: a line that is stuck on a bus of 8 bits takes one
// bit of each.
func coarse(seen, made *palette, shows [3]int) bool {
	less := fewer(seen, made, shows)
	rounded, ends, deep := 0, true, false
	for channel, b := range shows {
		many, low, high := made.count(b)
		if !less[channel] || !seen.even(channel, many) {
			continue
		}
		rounded++
		n, shownLow, shownHigh := seen.count(channel)
		ends = ends && shownLow == low && shownHigh == high
		deep = deep || 10*n <= 3*many
	}
	return rounded > 0 && ends || rounded == 3 && deep
}

// pixels visits about so many pixels inside the picture.
func (e *examination) pixels(sample int) func(yield func(i int) bool) {
	x0, y0, x1, y1 := e.inside(0)
	return func(yield func(i int) bool) {
		if x1 <= x0 || y1 <= y0 {
			return
		}
		step := max(1, (x1-x0)*(y1-y0)/sample)
		if step > 1 {
			step |= 1
		}
		for y := y0; y < y1; y++ {
			for x := x0 + y*7%step; x < x1; x += step {
				if !yield(y*e.grid.Width + x) {
					return
				}
			}
		}
	}
}

// captured counts the colours of a sample of the capture; it is false where
// levels lie between whole ones.
func (e *examination) captured(sample int) (p palette, whole bool) {
	set := newColourSet(sample)
	for i := range e.pixels(sample) {
		var rgb [3]int
		for channel := range 3 {
			v := e.grid.V[channel][i]
			rgb[channel] = int(v + 0.5)
			if d := v - float32(rgb[channel]); d > 0.02 || d < -0.02 {
				return p, false
			}
			p.level[channel][rgb[channel]&255] = true
		}
		set.add(rgb[0], rgb[1], rgb[2])
	}
	p.colours = set.count()
	return p, true
}

// made counts the colours that were written.
func (e *examination) made(sample int) (p palette) {
	set := newColourSet(sample)
	for i := range e.pixels(sample) {
		r, g, b := e.wanted.Pix[3*i], e.wanted.Pix[3*i+1], e.wanted.Pix[3*i+2]
		p.level[0][r], p.level[1][g], p.level[2][b] = true, true, true
		set.add(int(r), int(g), int(b))
	}
	p.colours = set.count()
	return p
}

// A colourSet has a bit for each colour of 24 bits, or for several of them.
type colourSet []uint64

// newColourSet is for so many colours: those of a small sample seldom share a bit.
func newColourSet(most int) colourSet {
	if most <= 1<<15 {
		return make(colourSet, 1<<12)
	}
	return make(colourSet, 1<<18)
}

func (s colourSet) add(r, g, b int) {
	c := uint32((r&255)<<16 | (g&255)<<8 | b&255)
	c = c * 0x9E3779B1 & (1<<24 - 1) // an odd factor: no two colours become one
	c >>= 24 - (bits.Len(uint(len(s))) - 1 + 6)
	s[c>>6] |= 1 << (c & 63)
}

func (s colourSet) count() (n int) {
	for _, w := range s {
		n += bits.OnesCount64(w)
	}
	return n
}
