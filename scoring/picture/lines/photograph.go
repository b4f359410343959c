package lines

import (
	"math"
	"slices"

	"proveout/scoring/picture/raster"
)

// insideOf leaves out what a photograph reads otherwise: the strips of the
// identification, two levels in wide fields, and the columns that the surround of
// the screen smears into.
func insideOf(g *raster.Grid, mark int) *raster.Grid {
	const side = 4
	inner := *g
	inner.Y0, inner.Y1 = max(g.Y0, mark+2), min(g.Y1, g.Height-mark-2)
	inner.X0, inner.X1 = max(g.X0, side), min(g.X1, g.Width-side)
	return &inner
}

// What a photograph can tell of small steps: the coding of the photograph shows
// them smaller in one lane class than in another, by up to a level and a half,
// whatever the standard error says. Found on photographs of clean cards.
const (
	finest     = 6.0 // levels; a finer bit is not judged
	systematic = 0.4 // levels, one standard error
)

// compareClasses scales the ratios of each bit by what is usual over the lane
// classes. A photograph answers less to small steps than to large ones (clipping,
// coding), and does so in every lane class alike; what differs is added to the
// standard error.
func (j *judge) compareClasses() {
	const follows, coarse = 0.4, 30
	for channel, f := range j.fields {
		for bit := range f.Bits {
			weight, usual := j.weight(channel, bit), j.usual(channel, bit)
			for k := range j.ratios {
				r := &j.ratios[k][channel][bit]
				// A bit that hardly shows in any class tells nothing, but for a
				// coarse one, which would show if the converter were whole.
				if weight < finest || weight < coarse && usual <= follows {
					r.se = math.Inf(1)
					continue
				}
				if usual > follows {
					r.value, r.se = r.value/usual, r.se/usual
				}
				r.se = math.Hypot(r.se, systematic/weight)
			}
		}
	}
}

// usual is the median ratio of a bit over the lane classes, 1 when fewer than
// two tell. Of two, the one nearer to 1 counts: exchanged lines raise a ratio,
// all other faults lower it. Of an even number, the upper of the middle two, for
// the same reason.
func (j *judge) usual(channel, bit int) float64 {
	var all []float64
	for k := range j.ratios {
		if r := j.ratios[k][channel][bit]; r.se < 0.15 {
			all = append(all, r.value)
		}
	}
	slices.Sort(all)
	switch {
	case len(all) < 2:
		return 1
	case len(all) == 2 && all[0]*all[1] > 1:
		return all[0]
	}
	return all[len(all)/2]
}
