package thermal

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// A Row is one line of a log. NaN stands for a column that is not there; Time
// and Temp are needed.
type Row struct{ Time, Temp, Ambient, Power, Second, Clock, FPS float64 }

const mostBins = 4096

// An Accumulator takes a log of any length row by row in bounded memory. Up to
// 4096 rows are kept as they are; beyond that, means over equal times, at most
// 4096 of them, with the lowest and highest reading of each. Peak, gaps, row
// counts and the display step come from every row. The zero value is ready.
type Accumulator struct {
	bins    []bin
	width   float64 // s; 0 as long as rows are kept as they are
	origin  float64
	last    float64
	rows    int
	dropped int
	peak    float64
	peakAt  float64
	steps   steps
	gap     gapWatch
	back    error
	has     [5]bool
}

type bin struct {
	time, temp, low, high float64
	n                     float64
	other                 [5]float64
	count                 [5]float64
}

// Add takes one row. A time that runs backward is reported by Analyse.
func (a *Accumulator) Add(r Row) {
	if !finite(r.Time) || !finite(r.Temp) {
		a.dropped++
		return
	}
	if a.rows == 0 {
		a.origin, a.peak, a.peakAt = r.Time, r.Temp, r.Time
	} else if r.Time < a.last {
		if a.back == nil {
			a.back = fmt.Errorf("row %d: time runs backward, from %g s to %g s", a.rows+a.dropped+1, a.last, r.Time)
		}
		return
	} else {
		a.gap.add(a.last, r.Time)
	}
	a.rows++
	a.last = r.Time
	if r.Temp > a.peak {
		a.peak, a.peakAt = r.Temp, r.Time
	}
	a.steps.add(r.Temp)
	if a.width == 0 {
		if len(a.bins) < mostBins {
			a.bins = append(a.bins, bin{low: r.Temp, high: r.Temp})
			a.put(&a.bins[len(a.bins)-1], r)
			return
		}
		a.decimate()
	}
	k := int((r.Time - a.origin) / a.width)
	for k >= mostBins {
		a.halve()
		k = int((r.Time - a.origin) / a.width)
	}
	for len(a.bins) <= k {
		a.bins = append(a.bins, bin{low: math.Inf(1), high: math.Inf(-1)})
	}
	b := &a.bins[k]
	b.low, b.high = min(b.low, r.Temp), max(b.high, r.Temp)
	a.put(b, r)
}

func (a *Accumulator) put(b *bin, r Row) {
	b.n++
	b.time += r.Time - a.origin
	b.temp += r.Temp
	for i, v := range [...]float64{r.Ambient, r.Power, r.Second, r.Clock, r.FPS} {
		if v == v {
			b.other[i] += v
			b.count[i]++
			a.has[i] = true
		}
	}
}

// decimate puts the rows kept so far into bins of equal time.
func (a *Accumulator) decimate() {
	rows := a.bins
	a.bins = make([]bin, 0, mostBins)
	a.width = max((a.last-a.origin)/(mostBins/2), 1e-9)
	for _, one := range rows {
		k := min(int(one.time/a.width), mostBins-1)
		for len(a.bins) <= k {
			a.bins = append(a.bins, bin{low: math.Inf(1), high: math.Inf(-1)})
		}
		a.bins[k].merge(one)
	}
}

// halve joins neighbouring bins and doubles their width.
func (a *Accumulator) halve() {
	half := (len(a.bins) + 1) / 2
	for i := range half {
		b := a.bins[2*i]
		if 2*i+1 < len(a.bins) {
			b.merge(a.bins[2*i+1])
		}
		a.bins[i] = b
	}
	a.bins = a.bins[:half]
	a.width *= 2
}

func (b *bin) merge(c bin) {
	b.time += c.time
	b.temp += c.temp
	b.n += c.n
	b.low, b.high = min(b.low, c.low), max(b.high, c.high)
	for i := range b.other {
		b.other[i] += c.other[i]
		b.count[i] += c.count[i]
	}
}

// Analyse judges what was added so far. resolution is the display step in °C,
// deduced when zero.
func (a *Accumulator) Analyse(resolution float64, o Options) (Report, error) {
	if a.back != nil {
		return Report{}, a.back
	}
	if a.rows == 0 {
		return Report{}, ErrNoReadings
	}
	if resolution == 0 {
		resolution = a.steps.resolution()
	}
	l := Log{Resolution: resolution}
	var low, high []float64
	cols := l.columns()
	for i := range a.bins {
		b := &a.bins[i]
		if b.n == 0 {
			continue
		}
		l.Time = append(l.Time, a.origin+b.time/b.n)
		l.Temp = append(l.Temp, b.temp/b.n)
		low, high = append(low, b.low), append(high, b.high)
		for k := range cols {
			if a.has[k] {
				*cols[k] = append(*cols[k], b.other[k]/b.count[k]) // 0/0 is NaN: no reading
			}
		}
	}
	seen := extent{
		peak: a.peak, peakAt: a.peakAt, rows: a.rows, dropped: a.dropped,
		gaps: a.gap.list(), decimated: a.width > 0,
	}
	if a.width == 0 {
		low, high = nil, nil
		seen.gaps = gaps(l.Time)
	}
	return analyse(l, low, high, seen, o), nil
}

// gapWatch keeps the longest times between readings of a long log.
type gapWatch struct {
	n       float64
	total   float64
	longest [64]Gap
	kept    int
	least   float64 // shortest of the kept, once all places are taken
}

func (g *gapWatch) add(from, to float64) {
	d := to - from
	g.n++
	g.total += d
	if d <= g.least {
		return
	}
	if g.kept < len(g.longest) {
		g.longest[g.kept] = Gap{from, to}
		g.kept++
		if g.kept < len(g.longest) {
			return
		}
	} else {
		k := 0
		for i := range g.longest {
			if g.longest[i].To-g.longest[i].From < g.longest[k].To-g.longest[k].From {
				k = i
			}
		}
		g.longest[k] = Gap{from, to}
	}
	g.least = math.Inf(1)
	for _, x := range g.longest {
		g.least = min(g.least, x.To-x.From)
	}
}

// list returns those longer than five mean steps, in order of time.
func (g *gapWatch) list() []Gap {
	out := []Gap{}
	limit := 5 * g.total / math.Max(1, g.n)
	for _, x := range g.longest[:g.kept] {
		if x.To-x.From > limit {
			out = append(out, x)
		}
	}
	slices.SortFunc(out, func(a, b Gap) int { return cmp.Compare(a.From, b.From) })
	return out
}
