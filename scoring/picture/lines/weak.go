package lines

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"proveout/plans/fact"
)

// Outliers say, for one lane class and channel, how many residuals lie far outside
// the noise, and how many of those look like the flip of which bit.
type outliers struct {
	count float64 // of all residuals
	far   float64
	flips [8]float64
	own   float64 // mean weight of the pixel itself
}

// farOut is how many standard deviations count as far: of a million normal
// residuals not one lies there.
const farOut = 5.5

// findWeakChip looks for a chip whose bits flip now and then: the residuals of its
// lane classes then have a few large values in just the channels that the chip
// holds.
func (v *view) findWeakChip(rep *Report) {
	if len(rep.Findings) > 2 {
		return // what several faults leave is not told apart
	}
	all := v.outliers()
	total := 0.0
	for k := range all {
		for channel := range 3 {
			total += all[k][channel].far
		}
	}
	of, rate, inside := v.chipOfOutliers(all, total)
	// Ten outliers are no chance, and one in seven may be of something else.
	if inside < 10 || inside <= 0.85*total || v.uneven(all, of) {
		return // spread over the card, or what is left of clipping or of the smoothing
	}
	v.addWeakChip(rep, of, rate, fact.New("lines.outliers-inside", "inside", int(inside), "n", int(total)))
}

// outliers goes over all residuals.
func (v *view) outliers() [][3]outliers {
	g := v.grid
	all := make([][3]outliers, v.phases*v.banks)
	for y, classes := range v.rows(g.Y0, g.Y1, 1) {
		row := y * g.Width
		for channel := range 3 {
			far := float32(farOut * v.noise[channel])
			residuals := v.residual[channel][row : row+g.Width]
			for x := g.X0; x < g.X1; x++ {
				r := residuals[x]
				if r != r {
					continue
				}
				k := int(classes[x])
				s := &all[k][channel]
				s.count++
				s.own += float64(v.model.centre(g, x, y))
				if (r > far || r < -far) && peak(residuals, x) {
					s.far++
					if bit, ok := v.flippedBit(k, channel, row+x); ok {
						s.flips[bit]++
					}
				}
			}
		}
	}
	for k := range all {
		for channel := range 3 {
			s := &all[k][channel]
			s.own /= max(1, s.count)
		}
	}
	return all
}

// peak reports whether a residual is larger than those beside it, so that what
// the capture smears over its neighbours counts once.
func peak(r []float32, x int) bool {
	a := r[x] * r[x]
	return !(x > 0 && r[x-1]*r[x-1] > a) && !(x+1 < len(r) && r[x+1]*r[x+1] > a)
}

// flippedBit returns the bit whose flip comes nearest to a residual, and whether
// it comes near: within four standard deviations and two levels.
func (v *view) flippedBit(class, channel, pixel int) (best int, near bool) {
	r := v.residual[channel][pixel]
	own := v.model.centre(v.grid, pixel%v.Mode.Width, pixel/v.Mode.Width)
	code := v.fields[channel].Of(v.codes[pixel])
	least := float32(math.Inf(1))
	for bit := range v.wires[class][channel] {
		step := own * v.level[channel][1<<bit]
		if code>>bit&1 == 1 {
			step = -step
		}
		if d := (r - step) * (r - step); d < least {
			best, least = bit, d
		}
	}
	return best, float64(least) < 16*v.noise[channel]*v.noise[channel]+4
}

// largeFlip reports whether the flip of a bit stands out of the noise far enough
// to be counted as far.
func (v *view) largeFlip(s *outliers, channel, bit int) bool {
	return v.weight(channel, bit)*s.own > (farOut+0.8)*v.noise[channel]
}

// seldom is from how few pixels nothing is concluded.
const seldom = 50

// chipOfOutliers returns the chip that explains the outliers best: how often each
// of its bits flips, and how many outliers lie in lane classes and channels that
// hold bits of it. What is seen in each lane class and channel is compared with what
// the chip would make of it: by least squares the rate is Σ seen·expected over
// Σ expected², which lowers the sum of squares by (Σ seen·expected)² over Σ expected².
func (v *view) chipOfOutliers(all [][3]outliers, total float64) (best chipKey, rate, inside float64) {
	most := 0.0
	for bank := range v.banks {
		first, end := v.classesOf(bank)
		for chip := range v.Org.ChipsPerBank() {
			var products, squares float64
			count, votes := 0.0, 0.0
			for k := first; k < end; k++ {
				for channel := range 3 {
					s := &all[k][channel]
					mine := 0.0
					for bit, place := range v.wires[k][channel] {
						if place.Chip == chip {
							votes += s.flips[bit]
							if v.largeFlip(s, channel, bit) {
								mine++
							}
						}
					}
					if s.count < seldom {
						continue
					}
					products += s.far * mine
					squares += s.count * mine * mine
					if mine > 0 {
						count += s.far
					}
				}
			}
			if squares == 0 {
				continue
			}
			// Of chips that hold bits of the same channel, the one whose bits the sizes
			// of the outliers fit is meant.
			fit := products * products / squares * (0.05 + votes/max(1, total))
			if fit > most {
				most, best, rate, inside = fit, chipKey{bank, chip}, products/squares, count
			}
		}
	}
	return best, rate, inside
}

// uneven reports whether some bit of a chip, of those whose flip is large enough
// to be seen, flips far less often than the others do: a weak chip spoils all its
// bits alike, while what a model of the capture device leaves over looks like the
// flips of the lower ones only. The significance of one in a thousand is shared
// among the bits (Bonferroni).
func (v *view) uneven(all [][3]outliers, of chipKey) bool {
	var flips, seen [3][8]float64
	var allFlips, allSeen, bits, far float64
	first, end := v.classesOf(of.bank)
	for k := first; k < end; k++ {
		for channel := range 3 {
			s := &all[k][channel]
			far += s.far
			for bit, place := range v.wires[k][channel] {
				if s.count < seldom || place.Chip != of.chip || !v.largeFlip(s, channel, bit) {
					continue
				}
				if seen[channel][bit] == 0 {
					bits++
				}
				flips[channel][bit] += s.flips[bit]
				seen[channel][bit] += s.count
				allFlips += s.flips[bit]
				allSeen += s.count
			}
		}
	}
	if allFlips < far/4 {
		return true // few of them look like any flip
	}
	for channel := range seen {
		for bit, n := range seen[channel] {
			if n == 0 || allFlips == 0 {
				continue
			}
			expected, counted := allFlips*n/allSeen, flips[channel][bit]
			if counted < expected/4 && (distuv.Poisson{Lambda: expected}).CDF(counted) < 0.001/bits {
				return true
			}
		}
	}
	return false
}

// addWeakChip adds a finding, unless another names the chip.
func (v *view) addWeakChip(rep *Report, of chipKey, rate float64, evidence fact.Fact) {
	// Below one wrong bit in 2000 a weak chip cannot be told from what a capture
	// device leaves at edges; such chips were the most of all false alarms.
	if rate < 5e-4 {
		return
	}
	for _, f := range rep.Findings {
		if f.Bank == of.bank && f.Chip == of.chip {
			return
		}
	}
	rep.Findings = append(rep.Findings, v.weakFinding(of, rate, evidence))
	for i := range rep.Lines {
		if l := &rep.Lines[i]; l.Bank == of.bank && l.Chip == of.chip && l.State == Good {
			l.State = Bad
		}
	}
}
