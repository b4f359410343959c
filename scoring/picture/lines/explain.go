package lines

import (
	"math"
	"sort"

	"proveout/scoring/memory"
	"proveout/scoring/picture/raster"
)

// A hypothesis is one fault of data lines of one chip that may explain the
// residuals.
type hypothesis struct {
	kind memory.Kind
	i, j int  // lines; j is -1 for faults of one line
	or   bool // wired-or instead of wired-and
	gain float64
}

// shown returns what lines i and j show when a and b are written; an open line
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
		v := a * b
		if h.or {
			v = a + b - a*b
		}
		return v, v
	}
	return a, b
}

// moments sums, over words of a chip, how the residuals of the pixels of lines
// i and j go with the four values of their written bits.
type moments struct{ pi, pj, qi, qj, qij [4]float64 }

// improvement is by how much a hypothesis lowers the sum of squared residuals,
// in units of the noise variance.
func (m *moments) improvement(h hypothesis) float64 {
	total := 0.0
	for c := range 4 {
		a, b := float64(c>>1), float64(c&1)
		sa, sb := h.shown(a, b)
		di, dj := sa-a, sb-b
		total += 2*(m.pi[c]*di+m.pj[c]*dj) - (m.qi[c]*di*di + m.qj[c]*dj*dj + 2*m.qij[c]*di*dj)
	}
	return total
}

// A wire is one data line of a chip as one word shows it.
type wire struct {
	site   int // pixel*3+channel, -1 when not shown
	bit    byte
	r, h   float64
	weight float64
}

// A view is the capture as the analysis sees it.
type view struct {
	*lanes
	g     *raster.Grid
	m     *model
	codes []uint32
	bytes []byte // of the frame buffer
	f, r  [3][]float32
	noise [3]float64
	task  Task
}

// word reads the lines of a chip in one word; beat is the byte address of the
// beat. It reports false when a part lies outside the picture.
func (v *view) word(beat int64, chip int, out []wire) bool {
	fields := v.Mode.Format.Fields()
	stride, n := int64(v.Mode.LineBytes()), int64(v.Mode.Format.Bytes())
	any := false
	for line := range out {
		out[line].site = -1
		lane := chip*v.Org.ChipBits + line
		off := beat + int64(lane/8) - v.Base
		if off < 0 || off >= int64(len(v.bytes)) {
			continue
		}
		y, inLine := int(off/stride), off%stride
		x, k := int(inLine/n), int(inLine%n)*8+lane%8
		if x < v.g.X0 || x >= v.g.X1 || y < v.g.Y0 || y >= v.g.Y1 || x >= v.Mode.Width {
			continue
		}
		for ch, f := range fields {
			if k < f.Shift || k >= f.Shift+f.Bits {
				continue
			}
			i := y*v.Mode.Width + x
			r := v.r[ch][i]
			if r != r {
				continue
			}
			out[line] = wire{i*3 + ch, byte(v.codes[i] >> k & 1), float64(r), float64(v.m.centre(v.g, x, y)), v.weight(ch, k-f.Shift)}
			any = true
		}
	}
	return any
}

// explainLines returns the hypotheses that best explain the bad lines of a
// chip, best first.
func (v *view) explainLines(bank, chip int, bad []int) []hypothesis {
	bits := v.Org.ChipBits
	if len(bad) > 4 {
		bad = bad[:4]
	}
	sums := make([]moments, len(bad)*bits)
	seen := make([]bool, bits)
	first, last := v.beats(bank)
	words := (last - first) / v.beat
	skip := max(1, words/24000)
	if skip > 1 {
		skip |= 1
	}
	ws := make([]wire, bits)
	for w := int64(0); w < words; w += skip {
		if !v.word(first+w*v.beat, chip, ws) {
			continue
		}
		for k, i := range bad {
			a := &ws[i]
			if a.site < 0 {
				continue
			}
			va := 1 / (v.noise[a.site%3] * v.noise[a.site%3])
			for j := range ws {
				b := &ws[j]
				if b.site < 0 || j == i {
					continue
				}
				seen[j] = true
				vb := 1 / (v.noise[b.site%3] * v.noise[b.site%3])
				m, c := &sums[k*bits+j], a.bit<<1|b.bit
				wa, wb := a.h*a.weight, b.h*b.weight
				m.pi[c] += wa * a.r * va
				m.pj[c] += wb * b.r * vb
				m.qi[c] += wa * wa * va
				m.qj[c] += wb * wb * vb
				if a.site == b.site {
					m.qij[c] += wa * wb * va
				}
			}
		}
	}
	var out []hypothesis
	for k, i := range bad {
		single := false
		for j := range bits {
			if !seen[j] || j == i {
				continue
			}
			m := &sums[k*bits+j]
			if m.qi[0]+m.qi[1]+m.qi[2]+m.qi[3] == 0 {
				continue
			}
			hs := []hypothesis{{kind: memory.LinesShorted, i: i, j: j}, {kind: memory.LinesShorted, i: i, j: j, or: true}, {kind: memory.LinesSwapped, i: i, j: j}}
			if !single {
				hs = append(hs, hypothesis{kind: memory.LineStuck0, i: i, j: -1}, hypothesis{kind: memory.LineStuck1, i: i, j: -1}, hypothesis{kind: memory.LineOpen, i: i, j: -1})
				single = true
			}
			for _, h := range hs {
				h.gain = m.improvement(h)
				if h.j >= 0 {
					h.gain = h.gain/1.08 - 15 // a second line must earn its place
				}
				out = append(out, h)
			}
		}
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].gain > out[b].gain })
	return out
}

// beats returns the first and the end of the beats of a bank that the picture
// touches, as byte addresses from the start of memory.
func (v *view) beats(bank int) (first, last int64) {
	first = max(int64(bank)*v.Org.BankBytes(), v.Base-v.Base%v.beat)
	last = min(int64(bank+1)*v.Org.BankBytes(), v.Base+int64(len(v.bytes)))
	return first, max(first, last)
}

// settle chooses between stuck at 0, stuck at 1 and open for one line by the
// whole picture: what the line shows is put in, smoothed as the capture was, and
// the offset of the channel is left free.
func (v *view) settle(bank, chip, line int) (memory.Kind, float64) {
	zero, one := v.spoil(bank, chip, hypothesis{kind: memory.LineStuck0, i: line}), v.spoil(bank, chip, hypothesis{kind: memory.LineStuck1, i: line})
	u0, u1 := v.planes(zero), v.planes(one)
	channels := map[int]bool{}
	for _, s := range v.slots(bank, chip, line) {
		channels[s.channel] = true
	}
	var rss0, rss1, open, count, spread, off0, off1 float64
	for ch := range 3 {
		if !channels[ch] {
			continue
		}
		f0, f1 := v.m.filter(v.g, u0[ch]), v.m.filter(v.g, u1[ch])
		var n, s0, q0, s1, q1, sm, qm, d2 float64
		for i, r := range v.r[ch] {
			if r != r {
				continue
			}
			base := float64(r + v.f[ch][i])
			a, b := base-float64(f0[i]), base-float64(f1[i])
			c := (a + b) / 2
			n++
			s0 += a
			q0 += a * a
			s1 += b
			q1 += b * b
			sm += c
			qm += c * c
			d := float64(f1[i] - f0[i])
			d2 += d * d
		}
		if n == 0 {
			continue
		}
		k := v.noise[ch] * v.noise[ch]
		rss0 += (q0 - s0*s0/n) / k
		rss1 += (q1 - s1*s1/n) / k
		open += (qm - sm*sm/n) / k
		count += n
		spread += d2 / 4 / k
		off0 += math.Abs(s0/n*v.m.gain[ch] + v.m.offset[ch])
		off1 += math.Abs(s1/n*v.m.gain[ch] + v.m.offset[ch])
	}
	best := min(rss0, rss1, open)
	second := math.Inf(1)
	for _, x := range []float64{rss0, rss1, open} {
		if x > best {
			second = min(second, x)
		}
	}
	clear := second - best
	switch {
	case clear > 12+0.02*spread && !math.IsInf(second, 1):
		confidence := 1 - math.Exp(-clear/20)
		switch best {
		case rss0:
			return memory.LineStuck0, confidence
		case rss1:
			return memory.LineStuck1, confidence
		}
		return memory.LineOpen, confidence
	case open-count > 0.5*spread:
		return memory.LineOpen, 0.6
	case off0 <= off1:
		return memory.LineStuck0, 0.6
	}
	return memory.LineStuck1, 0.6
}

// spoil returns the codes that a fault of data lines would show. An open line
// shows 0.
func (v *view) spoil(bank, chip int, h hypothesis) []uint32 {
	out := append([]uint32(nil), v.codes...)
	first, last := v.beats(bank)
	stride, n := int64(v.Mode.LineBytes()), int64(v.Mode.Format.Bytes())
	place := func(beat int64, line int) (i int, bit uint) {
		lane := chip*v.Org.ChipBits + line
		off := beat + int64(lane/8) - v.Base
		if off < 0 || off >= int64(len(v.bytes)) || off%stride/n >= int64(v.Mode.Width) {
			return -1, 0
		}
		return int(off/stride)*v.Mode.Width + int(off%stride/n), uint(off%stride%n)*8 + uint(lane%8)
	}
	for beat := first; beat < last; beat += v.beat {
		i, bi := place(beat, h.i)
		if h.j < 0 || h.kind == memory.LineStuck0 || h.kind == memory.LineStuck1 || h.kind == memory.LineOpen {
			if i >= 0 {
				out[i] &^= 1 << bi
				if h.kind == memory.LineStuck1 {
					out[i] |= 1 << bi
				}
			}
			continue
		}
		j, bj := place(beat, h.j)
		if i < 0 || j < 0 {
			continue
		}
		a, b := h.shown(float64(out[i]>>bi&1), float64(out[j]>>bj&1))
		out[i] = out[i]&^(1<<bi) | uint32(a)<<bi
		out[j] = out[j]&^(1<<bj) | uint32(b)<<bj
	}
	return out
}
