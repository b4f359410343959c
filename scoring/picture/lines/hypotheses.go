package lines

import (
	"cmp"
	"math"
	"slices"

	"proveout/scoring/memory"
)

// A hypothesis is one fault of data lines of one chip that may explain the
// residuals.
type hypothesis struct {
	kind      memory.Kind
	line      int
	other     int  // the second line; none for faults of one line
	or        bool // wired-or instead of wired-and
	explained float64
}

// none stands for a second line that there is not.
const none = -1

// shown returns what the two lines show when a and b are written; an open line
// shows its mean, one half.
func (h hypothesis) shown(a, b float64) (float64, float64) {
	switch h.kind {
	case memory.LineStuck0:
		return 0, b
	case memory.LineStuck1:
		return 1, b
	case memory.LineOpen:
		return 0.5, b
	case memory.LinesSwapped:
		return b, a
	case memory.LinesShorted:
		if h.or {
			return a + b - a*b, a + b - a*b
		}
		return a * b, a * b
	}
	return a, b
}

// mirrored reports whether two hypotheses are one fault, seen from either line.
func (h hypothesis) mirrored(o hypothesis) bool {
	return h.kind == o.kind && h.or == o.or && h.line == o.other && h.other == o.line
}

// pairSums hold, by the four values of the written bits of two lines, how the
// residuals go with each bit: all that is needed to say what a hypothesis on the
// two explains, without going over the picture again for each. In units of the
// noise, with p the residuals times the weight of the bit, q the squared weights,
// and both those of the one bit times the other where one pixel holds them.
type pairSums struct{ pLine, pOther, qLine, qOther, qBoth [4]float64 }

// explains is by how much a hypothesis lowers the sum of squared residuals: for a
// residual r and a predicted change d of its level that is r² - (r-d)² = 2rd - d².
func (s *pairSums) explains(h hypothesis) float64 {
	total := 0.0
	for c := range 4 {
		a, b := float64(c>>1), float64(c&1)
		shownA, shownB := h.shown(a, b)
		da, db := shownA-a, shownB-b
		linear := s.pLine[c]*da + s.pOther[c]*db
		square := s.qLine[c]*da*da + s.qOther[c]*db*db + 2*s.qBoth[c]*da*db
		total += 2*linear - square
	}
	return total
}

// A wire is one data line of a chip as one beat shows it.
type wire struct {
	known    bool // lies in the picture
	shown    bool // as a bit of a level, which the unused byte of a pixel is not
	pixel    int
	channel  int
	bit      byte    // as written
	residual float64 // of the pixel
	weight   float64 // of the bit, with what smoothing leaves of it
	per      float64 // one over the variance of the noise
}

// wiresOf reads the lines of a chip in the beat at a byte address.
func (v *view) wiresOf(beat int64, chip int, out []wire) {
	for line := range out {
		out[line] = wire{}
		pixel, bit, in := v.at(beat, chip, line)
		x, y := pixel%v.Mode.Width, pixel/v.Mode.Width
		if !in || !v.grid.Inside(x, y) {
			continue
		}
		out[line] = wire{known: true, pixel: pixel, channel: none, bit: byte(v.codes[pixel] >> bit & 1)}
		for channel, f := range v.fields {
			r := v.residual[channel][pixel]
			if bit < f.Shift || bit >= f.Shift+f.Bits || r != r {
				continue
			}
			own := float64(v.model.centre(v.grid, x, y))
			out[line] = wire{
				known: true, shown: true, pixel: pixel,
				channel: channel, bit: byte(v.codes[pixel] >> bit & 1), residual: float64(r),
				weight: own * v.weight(channel, bit-f.Shift), per: 1 / (v.noise[channel] * v.noise[channel]),
			}
		}
	}
}

// add takes two lines of one beat.
func (s *pairSums) add(a, b *wire) {
	c := a.bit<<1 | b.bit
	s.pLine[c] += a.weight * a.residual * a.per
	s.pOther[c] += b.weight * b.residual * b.per
	s.qLine[c] += a.weight * a.weight * a.per
	s.qOther[c] += b.weight * b.weight * b.per
	if a.pixel == b.pixel && a.channel == b.channel {
		s.qBoth[c] += a.weight * b.weight * a.per
	}
}

// rank returns the hypotheses that explain the bad lines of a chip, best first.
func (v *view) rank(of chipKey, bad []int) []hypothesis {
	bad = bad[:min(len(bad), 4)]
	lines := v.Org.ChipBits
	sums := make([]pairSums, len(bad)*lines)
	seen := make([]bool, len(sums))
	first, end := v.beats(of.bank)
	skip := max(1, (end-first)/v.beat/24_000) // more would not change the order
	if skip > 1 {
		skip |= 1
	}
	beat := make([]wire, lines)
	for at := first; at+v.beat <= end; at += skip * v.beat {
		v.wiresOf(at, of.chip, beat)
		for k, line := range bad {
			for other := range beat {
				a, b := &beat[line], &beat[other]
				if other != line && a.known && b.known && (a.shown || b.shown) {
					sums[k*lines+other].add(a, b)
					seen[k*lines+other] = true
				}
			}
		}
	}
	var out []hypothesis
	try := func(s *pairSums, h hypothesis) {
		h.explained = s.explains(h)
		if h.other != none {
			h.explained = secondLine(h.explained)
		}
		out = append(out, h)
	}
	for k, line := range bad {
		alone := false
		for other := range lines {
			s := &sums[k*lines+other]
			if !seen[k*lines+other] {
				continue
			}
			try(s, hypothesis{kind: memory.LinesShorted, line: line, other: other})
			try(s, hypothesis{kind: memory.LinesShorted, line: line, other: other, or: true})
			try(s, hypothesis{kind: memory.LinesSwapped, line: line, other: other})
			if alone {
				continue
			}
			alone = true // what the line alone explains is the same in every pair
			for _, kind := range []memory.Kind{memory.LineStuck0, memory.LineStuck1, memory.LineOpen} {
				try(s, hypothesis{kind: kind, line: line, other: none})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b hypothesis) int { return cmp.Compare(b.explained, a.explained) })
	return out
}

// secondLine is what is left of what a hypothesis explains when its second line
// has been paid for. There are three hypotheses for each of up to 31 other lines,
// and the best of 93 values of χ² with one degree of freedom is about 2·ln 93 ≈ 9
// by chance: 15 leaves room. The 8 % go against what the model of the capture
// device misses, which grows with the picture.
func secondLine(explained float64) float64 { return explained/1.08 - 15 }

// explainLines names the fault of the bad lines of a chip and puts it into the
// codes. What it leaves open is returned.
func (v *view) explainLines(of chipKey, bad []int, j *judge) (memory.Fault, []slot) {
	ranked := v.rank(of, bad)
	if len(ranked) == 0 {
		ranked = []hypothesis{{kind: memory.LineOpen, line: bad[0], other: none}}
	}
	best, rival := ranked[0], 0.0
	for _, o := range ranked[1:] {
		// Which of the faults of one line it is, is not settled here.
		oneLineEach := o.other == none && best.other == none
		if !oneLineEach && !o.mirrored(best) {
			rival = o.explained
			break
		}
	}
	confidence := 1 - math.Exp(-max(0, best.explained-rival)/15)
	lines := []int{best.line}
	var open []slot
	if best.other != none {
		lines = []int{min(best.line, best.other), max(best.line, best.other)}
	} else {
		var sure float64
		best.kind, sure = v.stuckOrOpen(of, best.line)
		confidence = min(confidence, sure)
	}
	f := v.lineFinding(of, best, lines, confidence, j)
	if best.kind == memory.LineOpen {
		open = v.slots(of.bank, of.chip, best.line)
	} else {
		v.codes = v.spoilt(of, best)
	}
	return f, open
}

// candidateSums are what one explanation of a line leaves of the picture.
type candidateSums struct{ sum, squares float64 }

func (s *candidateSums) add(r float64) {
	s.sum += r
	s.squares += r * r
}

// left is the sum of squares about the mean: the offset of the channel is free.
func (s *candidateSums) left(n float64) float64 { return s.squares - s.sum*s.sum/n }

// stuckSums are what the three explanations of a line leave of one channel.
type stuckSums struct {
	n, between      float64 // pixels; Σ square of how far stuck at 0 and at 1 lie apart
	zero, one, open candidateSums
}

func (v *view) stuckSums(channel int, ifZero, ifOne []float32) (s stuckSums) {
	for i, r := range v.residual[channel] {
		if r != r {
			continue
		}
		captured := float64(r + v.predicted[channel][i])
		a, b := captured-float64(ifZero[i]), captured-float64(ifOne[i])
		s.n++
		s.zero.add(a)
		s.one.add(b)
		s.open.add((a + b) / 2)
		d := float64(ifOne[i] - ifZero[i])
		s.between += d * d
	}
	return s
}

// stuckOrOpen chooses between stuck at 0, stuck at 1 and open for one line, and
// says how sure that is.
//
// None of them follows, so that the ratio is the same, and where the line is stuck
// the offset has taken it up: pixel by pixel the three differ in noise only. But
// an open line shows by chance, which is more scatter; and the offset differs over
// the lane classes and so from what it is between them, where neighbours smooth
// in. So what the line shows is put in, smoothed as the capture was, over the
// whole picture.
func (v *view) stuckOrOpen(of chipKey, line int) (memory.Kind, float64) {
	zero := v.planes(v.spoilt(of, hypothesis{kind: memory.LineStuck0, line: line, other: none}))
	one := v.planes(v.spoilt(of, hypothesis{kind: memory.LineStuck1, line: line, other: none}))
	channels := map[int]bool{}
	for _, s := range v.slots(of.bank, of.chip, line) {
		channels[s.channel] = true
	}
	var leftZero, leftOne, leftOpen, count float64 // in units of the noise
	var apart float64                              // what tells 0 from 1 at most
	var offsetZero, offsetOne float64              // of the capture, with each of them put in
	for channel := range 3 {
		if !channels[channel] {
			continue
		}
		s := v.stuckSums(channel, v.model.smooth(v.grid, zero[channel]), v.model.smooth(v.grid, one[channel]))
		if s.n == 0 {
			continue
		}
		variance := v.noise[channel] * v.noise[channel]
		leftZero += s.zero.left(s.n) / variance
		leftOne += s.one.left(s.n) / variance
		leftOpen += s.open.left(s.n) / variance
		count += s.n
		apart += s.between / 4 / variance
		gain, offset := v.model.gain[channel], v.model.offset[channel]
		offsetZero += math.Abs(s.zero.sum/s.n*gain + offset)
		offsetOne += math.Abs(s.one.sum/s.n*gain + offset)
	}
	best := min(leftZero, leftOne, leftOpen)
	second := math.Inf(1)
	for _, x := range []float64{leftZero, leftOne, leftOpen} {
		if x > best {
			second = min(second, x)
		}
	}
	const guess = 0.6
	clear := second - best
	switch {
	case clear > 12+0.02*apart && !math.IsInf(second, 1):
		confidence := 1 - math.Exp(-clear/20)
		switch best {
		case leftZero:
			return memory.LineStuck0, confidence
		case leftOne:
			return memory.LineStuck1, confidence
		}
		return memory.LineOpen, confidence
	case leftOpen-count > 0.5*apart: // more scatter than noise: about as much as a random bit adds
		return memory.LineOpen, guess
	case offsetZero <= offsetOne: // devices have small offsets
		return memory.LineStuck0, guess
	}
	return memory.LineStuck1, guess
}

// spoilt returns the codes that a fault of data lines would show. An open line
// shows 0.
func (v *view) spoilt(of chipKey, h hypothesis) []uint32 {
	out := slices.Clone(v.codes)
	set := func(pixel, bit int, value float64) { out[pixel] = out[pixel]&^(1<<bit) | uint32(value)<<bit }
	first, end := v.beats(of.bank)
	for beat := first; beat < end; beat += v.beat {
		pixel, bit, in := v.at(beat, of.chip, h.line)
		if !in {
			continue
		}
		a := float64(out[pixel] >> bit & 1)
		if h.other == none {
			shown, _ := h.shown(a, 0)
			set(pixel, bit, shown)
			continue
		}
		if otherPixel, otherBit, in := v.at(beat, of.chip, h.other); in {
			shown, otherShown := h.shown(a, float64(out[otherPixel]>>otherBit&1))
			set(pixel, bit, shown)
			set(otherPixel, otherBit, otherShown)
		}
	}
	return out
}
