package picture

import (
	"math"
	"slices"

	"proveout/plans/fact"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/lines"
	"proveout/scoring/picture/pattern"
)

// What a photograph shows of a colour that is there. A camera sees every colour
// of the screen with all of its own, one of them most; the weakest of three is
// seen at least a third as well as the strongest.
const (
	missingBelow = 0.1 // of the strongest colour: nothing in the photograph follows it
	deadBelow    = 0.3 // of the other bits of the colour: the bit is not shown
)

// photographedChannels looks for colours that are missing or exchanged, and for
// upper bits that are missing all over. It goes by what was written: a colour that
// is missing leaves the camera's own channel to follow the others that it sees
// too, which is no exchange.
func (c *comparison) photographedChannels(s *align.Screen) {
	if kind := c.f.Pattern.Kind; kind != pattern.Random && kind != pattern.RandomComplement {
		return
	}
	var best [3]int // captured channel that follows a written one most
	var strength [3]float64
	for b := range 3 {
		for a := range 3 {
			if v := c.topBits(s, a, b)[0]; v > strength[b] {
				best[b], strength[b] = a, v
			}
		}
	}
	strongest := slices.Max(strength[:])
	missing := false
	for b := range 3 {
		if strength[b] > missingBelow*strongest {
			c.deadBits(s, best[b], b)
			continue
		}
		missing = true
		c.missing[b] = true
		where := fact.New("picture.colour-not-seen", "colour", lines.Colour(b),
			"share", fact.In(100*strength[b]/strongest, "%").To(1))
		advice := fact.New("picture.look-colour", "colour", lines.Colour(b))
		c.r.find(plain(ChannelMissing, where, advice)).Strength = strength[b] / strongest
	}
	if exchanged := slices.Sorted(slices.Values(best[:])); missing || !slices.Equal(exchanged, []int{0, 1, 2}) {
		return
	}
	source := [3]int{}
	for b, a := range best {
		source[a] = b
	}
	c.swapBack(source)
}

// topBits are how the upper bits of a written channel move a captured one, per
// level, the largest first.
func (c *comparison) topBits(s *align.Screen, captured, written int) []float64 {
	field := c.f.Mode.Format.Fields()[written]
	top := slices.Clone(s.Follow.Bit[captured][written][field.Bits-align.TopBits(field) : field.Bits])
	slices.SortFunc(top, func(a, b float64) int { return int(math.Copysign(1, b-a)) })
	return top
}

// deadBits names the upper bits of a written channel that the captured one does
// not follow, while it follows the others. A channel behind such a bit tells
// nothing of lines: its levels were taken for wider than they are.
func (c *comparison) deadBits(s *align.Screen, captured, written int) {
	field := c.f.Mode.Format.Fields()[written]
	usual := c.topBits(s, captured, written)[0]
	for bit := field.Bits - align.TopBits(field); bit < field.Bits; bit++ {
		follows := s.Follow.Bit[captured][written][bit] / usual
		if follows > deadBelow {
			continue
		}
		c.missing[written] = true
		c.r.find(Finding{Fault: lines.ConverterFinding(c.f.Mode.Format, written, bit, follows, 0.02)})
	}
}
