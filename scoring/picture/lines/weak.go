package lines

import (
	"fmt"
	"math"

	"proveout/scoring/memory"
)

// outliers holds, for one lane class and channel, how many residuals lie far
// outside the noise, and how many of them look like the flip of which bit.
type outliers struct {
	n, far, h float64
	sum       float64
	flips     [8]float64
}

// weak looks for a chip whose bits flip now and then: the residuals of its lane
// classes then have a few large values, or a larger scatter, in just the
// channels that the chip holds.
func (v *view) weak(rep *Report) {
	const limit = 5.5
	if len(rep.Findings) > 2 {
		return
	}
	noise := v.noise
	o, spread := v.countOutliers(noise, limit)
	type guess struct {
		bank, chip       int
		rate, fit, count float64
	}
	var best guess
	total := 0.0
	for k := range o {
		for ch := range 3 {
			total += o[k][ch].far
		}
	}
	for bank := range v.banks {
		for chip := range v.Org.ChipsPerBank() {
			var es, ss, count float64
			for k := bank * v.phases; k < (bank+1)*v.phases; k++ {
				for ch := range 3 {
					c := o[k][ch]
					if c.n < 50 {
						continue
					}
					s := 0.0
					for bit, p := range v.wires[k][ch] {
						if p.Chip == chip && v.weight(ch, bit)*c.h > (limit+0.8)*noise[ch] {
							s++
						}
					}
					es += c.far * s
					ss += c.n * s * s
					if s > 0 {
						count += c.far
					}
				}
			}
			if ss == 0 {
				continue
			}
			// Of chips that hold bits of the same channel, the one whose bits the sizes
			// of the outliers fit is meant.
			if fit := es * es / ss * (0.05 + v.votes(o, bank, chip)/max(1, total)); fit > best.fit {
				best = guess{bank, chip, es / ss, fit, count}
			}
		}
	}
	if best.count >= 10 && best.count > 0.85*total && best.rate > 5e-5 {
		if v.uneven(o, best.bank, best.chip, (limit+0.8)*noise[0], (limit+0.8)*noise[1], (limit+0.8)*noise[2]) {
			return // what is left of clipping or of the smoothing, not bits that flip
		}
		v.addWeak(rep, best.bank, best.chip, best.rate, fmt.Sprintf("%.0f of %.0f far outliers lie in its bits", best.count, total))
		return
	}
	if total > 30 && best.count < 0.6*total {
		return // spread over the card: reported as noise by the caller
	}
	if v.task != FromPhotograph {
		v.weakByScatter(rep, spread, noise)
	}
}

// votes counts the outliers that look like the flip of a bit of the chip.
func (v *view) votes(o [][3]outliers, bank, chip int) (sum float64) {
	for k := bank * v.phases; k < (bank+1)*v.phases; k++ {
		for ch := range 3 {
			for bit, p := range v.wires[k][ch] {
				if p.Chip == chip {
					sum += o[k][ch].flips[bit]
				}
			}
		}
	}
	return sum
}

// uneven reports whether some bit of a chip, of those whose flip is larger than
// the least step of its channel, flips far less often than the others do: a weak
// chip spoils all its bits alike, while what a model of the capture device leaves
// over looks like the flips of the lower ones only. The significance of one in a
// thousand is shared among the bits (Bonferroni).
func (v *view) uneven(o [][3]outliers, bank, chip int, least ...float64) bool {
	var flips, seen [3][8]float64
	var all, exposed, bits, far float64
	for k := bank * v.phases; k < (bank+1)*v.phases; k++ {
		for ch := range 3 {
			c := o[k][ch]
			far += c.far
			for bit, p := range v.wires[k][ch] {
				if c.n >= 50 && p.Chip == chip && v.weight(ch, bit)*c.h > least[ch] {
					if seen[ch][bit] == 0 {
						bits++
					}
					flips[ch][bit] += c.flips[bit]
					seen[ch][bit] += c.n
					all += c.flips[bit]
					exposed += c.n
				}
			}
		}
	}
	if all < far/4 {
		return true // few of them look like any flip
	}
	for ch := range seen {
		for bit, n := range seen[ch] {
			if n == 0 {
				continue
			}
			expected := all * n / exposed
			if flips[ch][bit] < expected/4 && poissonTail(flips[ch][bit], expected) < 0.001/bits {
				return true
			}
		}
	}
	return false
}

// poissonTail is the chance of at most n events when so many are expected.
func poissonTail(n, expected float64) float64 {
	if expected <= 0 {
		return 1
	}
	sum := 0.0
	for k := 0.0; k <= n; k++ {
		lg, _ := math.Lgamma(k + 1)
		sum += math.Exp(k*math.Log(expected) - expected - lg)
	}
	return min(1, sum)
}

// flipped returns the bit whose flip comes nearest to a residual.
func (v *view) flipped(class, ch, i, x, y int) (int, bool) {
	r, h := v.r[ch][i], v.m.centre(v.g, x, y)
	code := v.codes[i] >> v.Mode.Format.Fields()[ch].Shift
	best, near := -1, float32(0)
	for bit := range v.wires[class][ch] {
		step := h * v.level[ch][1<<bit]
		if code>>bit&1 == 1 {
			step = -step
		}
		if d := (r - step) * (r - step); best < 0 || d < near {
			best, near = bit, d
		}
	}
	return best, float64(near) < 16*v.noise[ch]*v.noise[ch]+4
}

// peak reports whether a residual is larger than those beside it, so that what
// the capture smears over its neighbours counts once.
func (v *view) peak(ch, i, x int) bool {
	r := v.r[ch]
	a := r[i] * r[i]
	return !(x > 0 && r[i-1]*r[i-1] > a) && !(x+1 < v.Mode.Width && r[i+1]*r[i+1] > a)
}

func (v *view) countOutliers(noise [3]float64, limit float64) (o [][3]outliers, variance [][3]float64) {
	classes := v.phases * v.banks
	o, variance = make([][3]outliers, classes), make([][3]float64, classes)
	row := make([]int16, v.Mode.Width)
	var cut [3]float32
	for ch := range 3 {
		cut[ch] = float32(limit * noise[ch])
	}
	from, to := v.g.X0, v.g.X1
	for y := v.g.Y0; y < v.g.Y1; y++ {
		v.row(y, row)
		at := y * v.Mode.Width
		hy := v.m.hy[v.g.PhaseY[y]][1]
		for ch := range 3 {
			res := v.r[ch][at : at+v.Mode.Width]
			for x := from; x < to; x++ {
				r := res[x]
				if r != r {
					continue
				}
				k := row[x]
				c := &o[k][ch]
				c.n++
				c.sum += float64(r)
				c.h += float64(hy * v.m.hx[v.g.PhaseX[x]][2])
				variance[k][ch] += float64(r) * float64(r)
				if (r > cut[ch] || r < -cut[ch]) && v.peak(ch, at+x, x) {
					c.far++
					if bit, ok := v.flipped(int(k), ch, at+x, x, y); ok {
						c.flips[bit]++
					}
				}
			}
		}
	}
	for k := range o {
		for ch := range 3 {
			if n := o[k][ch].n; n > 0 {
				o[k][ch].h /= n
				mean := o[k][ch].sum / n // that of a stripe is no scatter
				variance[k][ch] = variance[k][ch]/n - mean*mean
			}
		}
	}
	return o, variance
}

// weakByScatter compares the variance of lane classes: a chip whose bits flip
// with rate p adds p times the sum of its squared bit weights.
func (v *view) weakByScatter(rep *Report, variance [][3]float64, noise [3]float64) {
	tolerance := 0.15
	if !v.m.sharp {
		tolerance = 0.4
	}
	h := float64(v.m.hx[0][2] * v.m.hy[0][1])
	bestFit, bestRate, all := 0.0, 0.0, 0.0
	bestBank, bestChip := -1, -1
	excess := make([][3]float64, len(variance))
	for k := range variance {
		for ch := range 3 {
			base := noise[ch] * noise[ch]
			if e := variance[k][ch]/base - 1; e > tolerance {
				excess[k][ch] = e * base
				all += e * e
			}
		}
	}
	if all == 0 {
		return
	}
	for bank := range v.banks {
		for chip := range v.Org.ChipsPerBank() {
			var es, ss, mine float64
			for k := bank * v.phases; k < (bank+1)*v.phases; k++ {
				for ch := range 3 {
					if variance[k][ch] == 0 {
						continue
					}
					s, base := 0.0, noise[ch]*noise[ch]
					for bit, p := range v.wires[k][ch] {
						if p.Chip == chip {
							w := v.weight(ch, bit) * h
							s += w * w / base
						}
					}
					es += excess[k][ch] / base * s
					ss += s * s
					if s > 0 {
						mine += excess[k][ch] / base * excess[k][ch] / base
					}
				}
			}
			// Scatter in channels that the chip holds no bit of is none of its doing.
			if ss > 0 && mine > 0.9*all && es*es/ss > bestFit {
				bestFit, bestRate, bestBank, bestChip = es*es/ss, es/ss, bank, chip
			}
		}
	}
	if bestChip >= 0 && bestFit > 0.7*all {
		v.addWeak(rep, bestBank, bestChip, bestRate, "larger scatter in just the bits of the chip")
	}
}

func (v *view) addWeak(rep *Report, bank, chip int, rate float64, why string) {
	// Below one wrong bit in 2000 a weak chip cannot be told from what a capture
	// device leaves at edges; such chips were the most of all false alarms.
	if rate < 5e-4 {
		return
	}
	for _, f := range rep.Findings {
		if f.Bank == bank && f.Chip == chip {
			return
		}
	}
	name := v.Org.Banks[bank].Designators[chip]
	rep.Findings = append(rep.Findings, memory.Finding{
		Kind: memory.ChipWeak, Bank: bank, Chip: chip, Designator: name, AddressLine: -1, Confidence: 0.95,
		Where:    fmt.Sprintf("chip %s: about %.2g of its bits are wrong", name, rate),
		Advice:   fmt.Sprintf("Check supply and decoupling of %s, its joints and its timing (clock, temperature); if it stays, replace it.", name),
		Evidence: []string{why},
	})
	for i := range rep.Lines {
		if l := &rep.Lines[i]; l.Bank == bank && l.Chip == chip && l.State == Good {
			l.State = Bad
		}
	}
}
