package lines

import (
	"math"
	"math/bits"
)

// A fold is a fault of word-address lines: which address a word is really read
// from.
type fold struct {
	a, b   int  // word-address lines; b is -1 unless two are shorted
	toOne  bool // the line reads as 1 (or the shorted pair as wired-or)
	gain   float64
	strong float64 // share of the misfit that it explains
}

// source returns the word that is read in place of word w.
func (f fold) source(w int64) int64 {
	ma := int64(1) << f.a
	if f.b < 0 {
		if f.toOne {
			return w | ma
		}
		return w &^ ma
	}
	mb := int64(1) << f.b
	both := ma | mb
	if w&both == 0 || w&both == both {
		return w
	}
	if f.toOne {
		return w | both
	}
	return w &^ both
}

// folds lists the address faults that a picture of this size could show.
func (l *lanes) folds(pairs bool) (out []fold) {
	n := bits.Len64(uint64((l.Mode.Bytes() + l.Base) / l.beat))
	n = min(n, bits.Len64(uint64(l.Org.Words-1)))
	for a := range n {
		out = append(out, fold{a: a, b: -1, toOne: true}, fold{a: a, b: -1})
	}
	if pairs {
		for a := range n {
			for b := a + 1; b < n; b++ {
				out = append(out, fold{a: a, b: b, toOne: true}, fold{a: a, b: b})
			}
		}
	}
	return out
}

// foldedCode returns what the pixel at byte offset off shows when the chip (-1:
// every chip) of the bank reads folded addresses. moved reports whether any bit
// came from another place, in whether that place lies in the picture.
func (l *lanes) foldedCode(buf []byte, off int64, code uint32, bank, chip int, f fold) (out uint32, moved, in bool) {
	n, size := l.Mode.Format.Bytes(), l.Org.Words*l.beat // of a bank
	in = true
	out = code
	for k := range n {
		addr := l.Base + off + int64(k)
		if int(addr/size) != bank {
			continue
		}
		inBank := addr % size
		w := inBank / l.beat
		s := f.source(w)
		if s == w {
			continue
		}
		mask := byte(0xFF)
		if chip >= 0 {
			mask = 0
			lane := int(inBank%l.beat) * 8
			for b := range 8 {
				if (lane+b)/l.Org.ChipBits == chip {
					mask |= 1 << b
				}
			}
			if mask == 0 {
				continue
			}
		}
		moved = true
		src := off + int64(k) + (s-w)*l.beat
		if src < 0 || src >= int64(len(buf)) {
			in = false
			continue
		}
		out = out&^(uint32(mask)<<(8*k)) | uint32(buf[src]&mask)<<(8*k)
	}
	return out, moved, in
}

// wholeFold looks for an address fault of every chip of a bank by correlation:
// where the address is folded, the capture must go with what was written at the
// source and not with what was written here.
func (v *view) wholeFold(bank int, u [3][]float32) (fold, bool) {
	type point struct {
		off  int64
		i    int
		code uint32
	}
	var pts []point
	var mean [3]float64
	count := 0.0
	skip := max(1, (v.g.X1-v.g.X0)*(v.g.Y1-v.g.Y0)/5000) | 1
	w := v.Mode.Width
	for i := v.g.Y0 * w; i < v.g.Y1*w; i += skip {
		x, y := i%w, i/w
		if x < v.g.X0 || x >= v.g.X1 {
			continue
		}
		off := v.Mode.Address(x, y)
		if int((v.Base+off)/v.Org.BankBytes()) != bank {
			continue
		}
		pts = append(pts, point{off, i, v.codes[i]})
		count++
		for ch := range 3 {
			mean[ch] += float64(v.g.V[ch][i])
		}
	}
	if len(pts) < 500 {
		return fold{}, false
	}
	for ch := range mean {
		mean[ch] /= count
	}
	fields := v.Mode.Format.Fields()
	best := fold{}
	for _, f := range v.folds(true) {
		var here, there, cc, hh, tt float64
		n := 0
		for _, p := range pts {
			code, moved, in := v.foldedCode(v.bytes, p.off, p.code, bank, -1, f)
			if !moved || !in {
				continue
			}
			n++
			for ch, fl := range fields {
				c := float64(v.g.V[ch][p.i]) - mean[ch]
				a := float64(u[ch][p.i]) - 127.5
				b := float64(v.level[ch][code>>fl.Shift&(1<<fl.Bits-1)]) - 127.5
				here += c * a
				there += c * b
				cc += c * c
				hh += a * a
				tt += b * b
			}
		}
		if n < 60 || cc == 0 || hh == 0 || tt == 0 {
			continue
		}
		rHere, rThere := here/math.Sqrt(cc*hh), there/math.Sqrt(cc*tt)
		score := (rThere - rHere) * math.Sqrt(float64(n))
		if rThere > 0.35 && rThere > rHere+0.3 && score > best.gain {
			f.gain, f.strong = score, rThere
			best = f
		}
	}
	return best, best.gain > 4
}

// chipFold looks for an address fault of one chip in the residuals.
func (v *view) chipFold(bank, chip int) (fold, bool) {
	fields := v.Mode.Format.Fields()
	w := v.Mode.Width
	skip := max(1, (v.g.X1-v.g.X0)*(v.g.Y1-v.g.Y0)/16000) | 1
	list := v.folds(true)
	gain := make([]float64, len(list))
	misfit := 0.0
	for i := v.g.Y0 * w; i < v.g.Y1*w; i += skip {
		x, y := i%w, i/w
		if x < v.g.X0 || x >= v.g.X1 {
			continue
		}
		off := v.Mode.Address(x, y)
		class := v.class(v.Base + off)
		if class/v.phases != bank || !v.holds(class, chip) {
			continue
		}
		h := float64(v.m.centre(v.g, x, y))
		for ch := range 3 {
			if r := float64(v.r[ch][i]); r == r {
				misfit += r*r - v.noise[ch]*v.noise[ch]
			}
		}
		for k, f := range list {
			code, moved, in := v.foldedCode(v.bytes, off, v.codes[i], bank, chip, f)
			if !moved || !in {
				continue
			}
			for ch, fl := range fields {
				r := float64(v.r[ch][i])
				if r != r {
					continue
				}
				mask := uint32(1<<fl.Bits - 1)
				e := h * float64(v.level[ch][code>>fl.Shift&mask]-v.level[ch][v.codes[i]>>fl.Shift&mask])
				gain[k] += 2*r*e - e*e
			}
		}
	}
	best := 0
	for k := range gain {
		if gain[k] > gain[best] {
			best = k
		}
	}
	f := list[best]
	f.gain = gain[best]
	if misfit > 0 {
		f.strong = gain[best] / misfit
	}
	return f, misfit > 0 && f.strong > 0.5
}

// holds reports whether a chip holds a shown bit of a lane class.
func (l *lanes) holds(class, chip int) bool {
	for ch := range 3 {
		for _, p := range l.wires[class][ch] {
			if p.Chip == chip {
				return true
			}
		}
	}
	return false
}

// foldCodes returns the codes that an address fault shows. Where the source
// lies outside the picture the own code stays.
func (v *view) foldCodes(bank, chip int, f fold) []uint32 {
	out := append([]uint32(nil), v.codes...)
	for y := range v.Mode.Height {
		for x := range v.Mode.Width {
			i := y*v.Mode.Width + x
			out[i], _, _ = v.foldedCode(v.bytes, v.Mode.Address(x, y), v.codes[i], bank, chip, f)
		}
	}
	return out
}
