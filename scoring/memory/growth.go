package memory

import (
	"fmt"
	"math"
	"slices"
)

// qualify adds what the circumstances of a chip's errors say: growth with
// temperature or time, and a single data pattern.
func (d *diagnosis) qualify(v *chipView, base Kind) {
	weight := v.log.rows
	file := func(fd Finding) {
		fd.Bank, fd.Chip, fd.AddressLine = v.bank, v.chip, -1
		fd.Designator = v.org.Designator(v.bank, v.chip)
		weight--
		d.found = append(d.found, weighed{fd, weight})
	}
	if fd, ok := d.growth(v); ok {
		file(fd)
	}
	if fd, ok := d.onePattern(v, base); ok {
		file(fd)
	}
}

const growthParts = 8

// A profile is a quantity along an axis, in equal parts of its span.
type profile [growthParts]float64

// parts shares out the bins of an axis over equal parts of its span.
func (a *axis) parts(bin func(i int) float64) (out profile) {
	step := (a.high - a.low) / growthParts
	for i := range axisBins {
		n := bin(i)
		if n == 0 {
			continue
		}
		from, to := max(a.origin+float64(i)*a.width, a.low), min(a.origin+float64(i+1)*a.width, a.high)
		if to <= from { // the last value of the span opens a bin of its own
			out[growthParts-1] += n
			continue
		}
		for p := range growthParts {
			part := (min(to, a.low+float64(p+1)*step) - max(from, a.low+float64(p)*step)) / (to - from)
			if part > 0 {
				out[p] += part * n
			}
		}
	}
	return out
}

// along returns the counts of bins in equal parts of the axis' span.
func (b *bins) along(a *axis) profile {
	b.follow(a)
	return a.parts(func(i int) float64 { return float64(b.count[i]) })
}

// temperatures returns the mean temperature of equal parts of the scan, NaN
// where it is not known.
func (f *Failures) temperatures() profile {
	f.followWarmth()
	sum := f.time.parts(func(i int) float64 { return f.warmth[i].sum })
	n := f.time.parts(func(i int) float64 { return float64(f.warmth[i].n) })
	for p := range sum {
		sum[p] /= n[p] // 0/0 is NaN
	}
	return sum
}

// laplace returns Laplace's trend statistic of counts in equal parts: standard
// normal when the rate is constant, large when it rises. Source: D. R. Cox and
// P. A. W. Lewis, The Statistical Analysis of Series of Events, 1966, chapter 3
// (from memory).
func laplace(count profile) float64 {
	n, sum := 0.0, 0.0
	for p, c := range count {
		n += c
		sum += c * (float64(p) + 0.5) / growthParts
	}
	if n == 0 {
		return 0
	}
	return (sum/n - 0.5) * math.Sqrt(12*n)
}

func inOrder() profile { return profile{0, 1, 2, 3, 4, 5, 6, 7} }

// rises reports whether the second half has clearly more errors than the
// first and the parts rise together with x (rank correlation).
func rises(count, x profile) (ratio float64, ok bool) {
	order := make([]int, growthParts)
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		switch {
		case x[a] < x[b]:
			return -1
		case x[a] > x[b]:
			return 1
		}
		return a - b
	})
	var first, second float64
	for k, p := range order {
		if k < growthParts/2 {
			first += count[p]
		} else {
			second += count[p]
		}
	}
	ratio = (second + 0.5) / (first + 0.5)
	return ratio, ratio >= 1.5 && spearman(count, x) >= 0.7
}

// spearman is the rank correlation of two short series, ties averaged.
func spearman(a, b profile) float64 {
	ra, rb := ranks(a), ranks(b)
	var sa, sb, saa, sbb, sab float64
	for i := range ra {
		sa, sb = sa+ra[i], sb+rb[i]
		saa, sbb, sab = saa+ra[i]*ra[i], sbb+rb[i]*rb[i], sab+ra[i]*rb[i]
	}
	n := float64(growthParts)
	den := math.Sqrt((saa - sa*sa/n) * (sbb - sb*sb/n))
	if den == 0 {
		return 0
	}
	return (sab - sa*sb/n) / den
}

func ranks(a profile) (r profile) {
	for i := range a {
		less, same := 0, 0
		for j := range a {
			if a[j] < a[i] {
				less++
			} else if a[j] == a[i] {
				same++
			}
		}
		r[i] = float64(less) + float64(same+1)/2
	}
	return r
}

// growth tests whether a chip's errors grow. Temperature is named when it
// moved by 5 °C or more and the errors follow it; otherwise time.
func (d *diagnosis) growth(v *chipView) (Finding, bool) {
	all, heat := &d.f.time, &d.f.heat
	if v.log.rows < 30 {
		return Finding{}, false
	}
	warmed := heat.width > 0 && heat.high-heat.low >= 5
	if all.width > 0 && all.high > all.low && !v.sweptOnce() {
		count := v.log.timeBins.along(all)
		mean := d.f.temperatures()
		if warmed && followsClock(mean, heat.high-heat.low) {
			if ratio, ok := rises(count, mean); ok && poissonDiffers(count) {
				return growthFinding(GrowsWithTemperature, v, ratio, 0.9, fmt.Sprintf("%.0f to %.0f °C", heat.low, heat.high)), true
			}
		}
		if ratio, ok := rises(count, inOrder()); ok && laplace(count) > 4 {
			return growthFinding(GrowsWithTime, v, ratio, 0.9, fmt.Sprintf("%.0f s", all.high-all.low)), true
		}
	}
	if warmed && (all.width == 0 || all.high == all.low || !d.temperatureFollowsTime()) {
		count := v.log.heatBins.along(heat)
		if ratio, ok := rises(count, inOrder()); ok && laplace(count) > 4 {
			return growthFinding(GrowsWithTemperature, v, ratio, 0.6, fmt.Sprintf("%.0f to %.0f °C, time spent at each not known", heat.low, heat.high)), true
		}
	}
	return Finding{}, false
}

// followsClock reports whether the mean temperatures of the parts of the scan
// are known and spread over enough of the whole range to compare with.
func followsClock(mean profile, span float64) bool {
	low, high := math.Inf(1), math.Inf(-1)
	for _, m := range mean {
		if math.IsNaN(m) {
			return false
		}
		low, high = min(low, m), max(high, m)
	}
	return high-low >= max(5, span/4)
}

func (d *diagnosis) temperatureFollowsTime() bool {
	return followsClock(d.f.temperatures(), d.f.heat.high-d.f.heat.low)
}

// poissonDiffers reports whether the counts of equal parts differ by more than
// counting statistics explain (chi-square well above its 0.1 % point, 24.3 for
// 7 degrees of freedom).
func poissonDiffers(count profile) bool {
	n := 0.0
	for _, c := range count {
		n += c
	}
	chi := 0.0
	for _, c := range count {
		e := n / growthParts
		chi += (c - e) * (c - e) / e
	}
	return n > 0 && chi > 30
}

// sweptOnce reports whether the rows run through the memory once, so that
// time and address cannot be told apart.
func (v *chipView) sweptOnce() bool {
	var n, sx, sy, sxx, syy, sxy float64
	rows := v.log.sample
	for i := range rows {
		if x := rows[i].seconds - rows[0].seconds; !math.IsNaN(x) {
			y := float64(rows[i].word)
			n, sx, sy, sxx, syy, sxy = n+1, sx+x, sy+y, sxx+x*x, syy+y*y, sxy+x*y
		}
	}
	den := math.Sqrt((sxx - sx*sx/n) * (syy - sy*sy/n))
	return n > 2 && den > 0 && math.Abs(sxy-sx*sy/n)/den > 0.9
}

func growthFinding(kind Kind, v *chipView, ratio, purity float64, span string) Finding {
	fd := Finding{Kind: kind, Confidence: confidence(v.log.rows, purity),
		Where:    fmt.Sprintf("%s: %.1f times as many errors in the warmer half (%s)", v.name(), ratio, span),
		Advice:   "heat: seating of the heatsink, thermal compound, airflow; then cool the chip alone and see whether the errors go; then replace it",
		Evidence: []string{fmt.Sprintf("%d failing rows", v.log.rows)},
	}
	if kind == GrowsWithTime {
		fd.Where = fmt.Sprintf("%s: %.1f times as many errors in the later half (%s)", v.name(), ratio, span)
		fd.Advice = "log the temperature as well and repeat: heat is the usual cause of growth; else supply and regulators that sag as they warm"
	}
	return fd
}

// onePattern tests whether a chip fails at a single data pattern only.
func (d *diagnosis) onePattern(v *chipView, base Kind) (Finding, bool) {
	used, name, total := 0, "", int64(0)
	for i, n := range v.log.byPattern {
		if n > 0 && i < len(d.f.patterns) {
			used, name = used+1, d.f.patterns[i]
			total += n
		}
	}
	named := used == 1 && total == v.log.rows
	value, single := v.oneValue()
	if v.log.rows < 30 || (!named && !single) {
		return Finding{}, false
	}
	fd := Finding{Kind: OnePattern, Lines: slices.Clone(v.failing)}
	if named {
		fd.Where = fmt.Sprintf("%s fails at the pattern %q only", v.name(), name)
	} else {
		fd.Where = fmt.Sprintf("%s fails only where 0x%x was written", v.name(), value)
	}
	fd.Advice = "crosstalk, a weak supply or coupled cells: repeat with other patterns to make sure; look at decoupling and termination near the chip"
	static := base == LineStuck0 || base == LineStuck1 || base == ChipDead || base == LinesShorted || base == LinesSwapped
	switch {
	case static:
		// A stuck line, too, fails at one pattern of a pair only.
		fd.Confidence, fd.Alternative = 0.25, true
	case len(d.f.patterns) > 1:
		fd.Confidence = confidence(v.log.rows, 0.9)
	default:
		fd.Confidence = 0.5
		fd.Evidence = []string{"the list does not say whether other patterns were run"}
	}
	return fd, true
}

// oneValue returns the value written in every sampled row, when there is one.
func (v *chipView) oneValue() (uint64, bool) {
	first := v.log.sample[0].written
	for i := range v.log.sample {
		if v.log.sample[i].written != first {
			return 0, false
		}
	}
	return first, true
}
