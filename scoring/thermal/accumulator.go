package thermal

import (
	"cmp"
	"math"
	"slices"

	"proveout/plans/fact"
	"proveout/scoring/holes"
)

// An Accumulator takes a log of any length row by row in bounded memory. Up to
// 4096 rows are kept as they are; beyond that, means over equal times, at most
// 4096 of them. The highest reading, gaps, row counts and the display step come from
// every row.
// The zero value is ready.
type Accumulator struct {
	screen   screen
	bins     []bin
	width    float64 // s; 0 as long as rows are kept as they are
	origin   float64
	last     float64
	rows     int
	dropped  int
	highest  float64
	steps    displaySteps
	gaps     longGaps
	backward error
}

const mostBins = 4096

// A bin holds the sums over the rows of a stretch of time, which is counted from
// the first row.
type bin struct{ sum, count [quantities]float64 }

func (b *bin) merge(c bin) {
	for q := range b.sum {
		b.sum[q] += c.sum[q]
		b.count[q] += c.count[q]
	}
}

func (b *bin) mean(q Quantity) float64 { return b.sum[q] / b.count[q] }

// Add takes one row. A time that runs backward is reported by Analyse. A reading
// that no card can give is left out and counted.
func (a *Accumulator) Add(r Row) {
	if !finite(r[Time]) || !finite(r[Temperature]) {
		a.dropped++
		return
	}
	for _, row := range a.screen.pass(r) {
		a.take(row)
	}
}

// take takes a row that a card may have given.
func (a *Accumulator) take(r Row) {
	time, temp := r[Time], r[Temperature]
	if a.rows == 0 {
		a.origin, a.highest = time, temp
	} else if time < a.last {
		if a.backward == nil {
			a.backward = fact.New("thermal.time-runs-backward", "row", a.rows+a.dropped+a.screen.count+1,
				"from", fact.In(a.last, "s").Whole(), "to", fact.In(time, "s").Whole()).Err()
		}
		return
	} else {
		a.gaps.add(holes.Hole{From: a.last, To: time})
	}
	a.rows++
	a.last = time
	a.highest = max(a.highest, temp)
	a.steps.add(temp)
	if a.width == 0 && len(a.bins) == mostBins {
		a.startBins()
	}
	r[Time] -= a.origin
	b := a.binFor(r[Time])
	for q, v := range r {
		if !math.IsNaN(v) {
			b.sum[q] += v
			b.count[q]++
		}
	}
}

// binFor returns the bin of a time counted from the first row; a new one for each
// row as long as there are few.
func (a *Accumulator) binFor(time float64) *bin {
	at := len(a.bins)
	if a.width > 0 {
		for at = int(time / a.width); at >= mostBins; at = int(time / a.width) {
			a.halve()
		}
	}
	for len(a.bins) <= at {
		a.bins = append(a.bins, bin{})
	}
	return &a.bins[at]
}

// startBins puts the rows kept so far into bins of equal time, as many as fill
// half of the places, so that there is room to go on.
func (a *Accumulator) startBins() {
	rows := a.bins
	a.bins = make([]bin, 0, mostBins)
	a.width = max((a.last-a.origin)/(mostBins/2), 1e-9)
	for _, row := range rows {
		a.binFor(row.sum[Time]).merge(row)
	}
}

// halve joins neighbouring bins and doubles their width.
func (a *Accumulator) halve() {
	half := (len(a.bins) + 1) / 2
	for i := range half {
		joined := a.bins[2*i]
		if 2*i+1 < len(a.bins) {
			joined.merge(a.bins[2*i+1])
		}
		a.bins[i] = joined
	}
	a.bins = a.bins[:half]
	a.width *= 2
}

// Analyse judges what was added so far; more may be added afterwards. resolution
// is the display step in °C, deduced when zero. A log that cannot be judged gives
// a [fact.Error] that says why.
func (a *Accumulator) Analyse(resolution float64, o Options) (Report, error) {
	unsettled, doubted := a.screen.waiting()
	if len(unsettled) > 0 { // too few came to doubt any of them
		b := *a // which holds no other row
		for _, row := range unsettled {
			b.take(row)
		}
		a = &b
	}
	if a.backward != nil {
		return Report{}, a.backward
	}
	if a.rows == 0 {
		return Report{}, fact.New("thermal.no-reading").Err()
	}
	if resolution == 0 {
		resolution = a.steps.resolution()
	}
	log := a.samples()
	log.resolution = resolution
	seen := Input{Readings: a.rows, Dropped: a.dropped, Decimated: a.width > 0, Resolution: resolution}
	seen.Impossible, seen.Odd, seen.Leaps = a.screen.count+doubted, a.screen.odd, a.screen.leaps
	if seen.Decimated {
		seen.Gaps = a.gaps.list(o.Every)
	} else {
		seen.Gaps = gaps(log.time, longestStep(o.Every, usualStep(log.time)))
	}
	return analyse(log, seen, Hottest{Highest: a.highest}, o), nil
}

// samples are the means of the bins that are not empty.
func (a *Accumulator) samples() samples {
	var all bin
	for _, b := range a.bins {
		all.merge(b)
	}
	var s samples
	for i := range a.bins {
		b := &a.bins[i]
		if b.count[Time] == 0 {
			continue
		}
		s.time = append(s.time, a.origin+b.mean(Time))
		s.temp = append(s.temp, b.mean(Temperature))
		for q := Ambient; q < quantities; q++ {
			if all.count[q] > 0 {
				s.other[q] = append(s.other[q], b.mean(q)) // 0/0 is NaN: no reading
			}
		}
	}
	return s
}

// longGaps keeps the longest times between the rows of a log that is too long to
// keep its rows.
type longGaps struct {
	n       float64
	total   float64
	longest []holes.Hole
	least   float64 // s; one that is not longer need not be kept
}

const keptGaps = 256

func (g *longGaps) add(gap holes.Hole) {
	length := gap.To - gap.From
	g.n++
	g.total += length
	if length <= g.least {
		return
	}
	g.longest = append(g.longest, gap)
	if len(g.longest) == 2*keptGaps {
		g.longest = longestOf(g.longest)
		last := g.longest[keptGaps-1]
		g.least = last.To - last.From
	}
}

// longestOf puts the longest first and leaves out those beyond keptGaps.
func longestOf(gaps []holes.Hole) []holes.Hole {
	slices.SortStableFunc(gaps, func(a, b holes.Hole) int { return cmp.Compare(b.To-b.From, a.To-a.From) })
	return gaps[:min(len(gaps), keptGaps)]
}

// list returns those longer than may be, in order of time.
func (g *longGaps) list(every float64) []holes.Hole {
	out := []holes.Hole{}
	limit := longestStep(every, g.total/math.Max(1, g.n))
	for _, gap := range longestOf(slices.Clone(g.longest)) {
		if gap.To-gap.From > limit {
			out = append(out, gap)
		}
	}
	slices.SortFunc(out, func(a, b holes.Hole) int { return cmp.Compare(a.From, b.From) })
	return out
}
