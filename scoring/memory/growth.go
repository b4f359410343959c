package memory

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"proveout/plans/fact"
)

// qualify adds what the circumstances of a chip's errors say: growth with
// temperature or time, and a single data pattern.
func (d *diagnosis) qualify(v *chipView, base Kind, rows int64) {
	file := func(fd Fault, ok bool) {
		if ok {
			rows--
			fd.Bank, fd.Chip, fd.Designator = v.bank, v.chip, v.designator()
			d.found = append(d.found, weighed{fd, rows})
		}
	}
	file(d.growth(v))
	file(d.onePattern(v, base))
}

const growthParts = 8

// A profile is a quantity along a span, in equal parts of it.
type profile [growthParts]float64

// part is the part of the span that a value lies in.
func (s span) part(x float64) int {
	return min(int((x-s.low)/(s.high-s.low)*growthParts), growthParts-1)
}

// wide says whether more than one value was seen.
func (s span) wide() bool { return s.high > s.low }

// along counts the chip's sampled rows along a span by one of their values.
func (v *chipView) along(s span, value func(*sampleRow) float64) (count profile) {
	for i := range v.log.sample {
		if x := value(&v.log.sample[i]); !math.IsNaN(x) {
			count[s.part(x)]++
		}
	}
	return count
}

func secondsOf(row *sampleRow) float64 { return row.seconds }
func celsiusOf(row *sampleRow) float64 { return row.celsius }

// temperatures returns the mean temperature of equal parts of the scan, NaN
// where it is not known.
func (d *diagnosis) temperatures() profile {
	var sum, rows profile
	for _, v := range d.views {
		for i := range v.log.sample {
			row := &v.log.sample[i]
			if !math.IsNaN(row.seconds) && !math.IsNaN(row.celsius) {
				part := d.f.time.part(row.seconds)
				sum[part] += row.celsius
				rows[part]++
			}
		}
	}
	for part := range sum {
		sum[part] /= rows[part] // 0/0 is NaN
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

// rises reports whether the half of the parts with the higher x has clearly
// more errors than the other, and the parts rise together with x.
func rises(count, x profile) (ratio float64, ok bool) {
	order := make([]int, growthParts)
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(x[a], x[b]) })
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

// spearman is the rank correlation of two profiles, ties averaged; NaN when
// all parts of one are the same.
func spearman(a, b profile) float64 {
	ranksA, ranksB := ranks(a), ranks(b)
	return stat.Correlation(ranksA[:], ranksB[:], nil)
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
//
// Counts are compared along time, where equal parts are equal chances to fail.
// Where the time is not known, or the temperature in it, rows are counted along
// the temperature instead; then nobody knows how long the card stood at each,
// and the confidence is less.
func (d *diagnosis) growth(v *chipView) (Fault, bool) {
	time, heat := d.f.time, d.f.heat
	if v.log.rows < 30 {
		return Fault{}, false
	}
	warmed := heat.high-heat.low >= 5
	from, to := fact.In(heat.low, "").To(1), fact.In(heat.high, "°C").To(1)
	if time.wide() && !v.sweptOnce() {
		count := v.along(time, secondsOf)
		mean := d.temperatures()
		if warmed && followsClock(mean, heat) {
			if ratio, ok := rises(count, mean); ok && poissonDiffers(count) {
				return v.grows(GrowsWithTemperature, 0.9,
					fact.New("memory.warmer-half", "chip", v.name(), "ratio", times(ratio), "from", from, "to", to),
					fact.New("memory.look-heat")), true
			}
		}
		if ratio, ok := rises(count, inOrder()); ok && laplace(count) > 4 {
			took := fact.In(time.high-time.low, "s").To(1)
			return v.grows(GrowsWithTime, 0.9,
				fact.New("memory.later-half", "chip", v.name(), "ratio", times(ratio), "span", took),
				fact.New("memory.look-time")), true
		}
	}
	if warmed && (!time.wide() || !followsClock(d.temperatures(), heat)) {
		count := v.along(heat, celsiusOf)
		if ratio, ok := rises(count, inOrder()); ok && laplace(count) > 4 {
			return v.grows(GrowsWithTemperature, 0.6,
				fact.New("memory.warmer-half-untimed", "chip", v.name(), "ratio", times(ratio), "from", from, "to", to),
				fact.New("memory.look-heat")), true
		}
	}
	return Fault{}, false
}

func (v *chipView) grows(kind Kind, purity float64, where, advice fact.Fact) Fault {
	rows := fact.New("memory.failing-rows", "n", v.log.rows)
	return finding(kind, purity, where, advice, rows)
}

func times(ratio float64) fact.Amount { return fact.In(ratio, "").To(0.1) }

// followsClock reports whether the mean temperatures of the parts of the scan
// are known and spread over enough of the whole range to compare with.
func followsClock(mean profile, heat span) bool {
	low, high := math.Inf(1), math.Inf(-1)
	for _, m := range mean {
		if math.IsNaN(m) {
			return false
		}
		low, high = min(low, m), max(high, m)
	}
	return high-low >= max(5, (heat.high-heat.low)/4)
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
		expected := n / growthParts
		chi += (c - expected) * (c - expected) / expected
	}
	return n > 0 && chi > 30
}

// sweptOnce reports whether the rows run through the memory once, so that
// time and address cannot be told apart.
func (v *chipView) sweptOnce() bool {
	var seconds, words []float64
	rows := v.log.sample
	for i := range rows {
		if after := rows[i].seconds - rows[0].seconds; !math.IsNaN(after) {
			seconds, words = append(seconds, after), append(words, float64(rows[i].word))
		}
	}
	return len(seconds) > 2 && math.Abs(stat.Correlation(seconds, words, nil)) > 0.9
}

// onePattern tests whether a chip fails at a single data pattern only.
func (d *diagnosis) onePattern(v *chipView, base Kind) (Fault, bool) {
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
		return Fault{}, false
	}
	where := fact.New("memory.only-value", "chip", v.name(), "value", hex(value))
	if named {
		where = fact.New("memory.only-pattern", "chip", v.name(), "pattern", name)
	}
	fd := finding(OnePattern, 0.5, where, fact.New("memory.look-pattern"))
	fd.Lines = v.failing
	static := []Kind{LineStuck0, LineStuck1, ChipDead, LinesShorted, LinesSwapped}
	switch {
	case slices.Contains(static, base):
		// A stuck line, too, fails at one pattern of a pair only.
		fd.Confidence, fd.Alternative = 0.25, true
	case len(d.f.patterns) > 1:
		fd.Confidence = 0.9
	default:
		fd.Evidence = []fact.Fact{fact.New("memory.other-patterns-unknown")}
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
