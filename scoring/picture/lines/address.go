package lines

import (
	"math"
	"math/bits"
)

// A fold is a fault of word-address lines: two words of a chip become one, and
// what was written to one place is read from another.
type fold struct {
	line   int  // word-address line
	other  int  // the second one when two are shorted, else none
	toOne  bool // the line reads as 1 (or the shorted pair as wired-or)
	gain   float64
	strong float64 // share of the misfit that it explains, or how well it correlates
}

// everyChip stands for the chip of a fault that all chips of a bank share.
const everyChip = -1

// source returns the word that is read in place of a word.
func (f fold) source(word int64) int64 {
	both := int64(1) << f.line
	if f.other != none {
		both |= int64(1) << f.other
		if word&both == 0 || word&both == both {
			return word
		}
	}
	if f.toOne {
		return word | both
	}
	return word &^ both
}

// folds lists the faults of single address lines that a picture of this size
// could show.
func (l *lanes) folds() (out []fold) {
	for line := range l.addressLines() {
		out = append(out, fold{line: line, other: none, toOne: true}, fold{line: line, other: none})
	}
	return out
}

// allFolds lists those of pairs of address lines too.
func (l *lanes) allFolds() []fold {
	out := l.folds()
	for line := range l.addressLines() {
		for other := line + 1; other < l.addressLines(); other++ {
			out = append(out, fold{line: line, other: other, toOne: true}, fold{line: line, other: other})
		}
	}
	return out
}

// addressLines is how many word-address lines the picture has both values of.
func (l *lanes) addressLines() int {
	words := uint64((l.Mode.Bytes() + l.Base) / l.beat)
	return min(bits.Len64(words), bits.Len64(uint64(l.Org.Words-1)))
}

// foldedCode returns what a pixel shows when a chip (or every chip) of a bank
// reads folded addresses. moved reports whether any bit came from another place,
// in whether that place lies in the picture.
func (v *view) foldedCode(pixel int, of chipKey, f fold) (code uint32, moved, in bool) {
	size := v.Org.BankBytes()
	bytes := v.Mode.Format.Bytes()
	code, in = v.codes[pixel], true
	for k := range bytes {
		offset := int64(pixel)*int64(bytes) + int64(k)
		address := v.Base + offset
		if int(address/size) != of.bank {
			continue
		}
		inBank := address % size
		word := inBank / v.beat
		source := f.source(word)
		if source == word {
			continue
		}
		mask := v.bitsOf(of.chip, inBank)
		if mask == 0 {
			continue
		}
		moved = true
		from := offset + (source-word)*v.beat
		if from < 0 || from >= int64(len(v.written)) {
			in = false
			continue
		}
		code = code&^(uint32(mask)<<(8*k)) | uint32(v.written[from]&mask)<<(8*k)
	}
	return code, moved, in
}

// bitsOf are the bits of a byte, at an address in its bank, that a chip holds.
func (l *lanes) bitsOf(chip int, inBank int64) (mask byte) {
	if chip == everyChip {
		return 0xFF
	}
	lane := int(inBank%l.beat) * 8
	for bit := range 8 {
		if (lane+bit)/l.Org.ChipBits == chip {
			mask |= 1 << bit
		}
	}
	return mask
}

// foldCodes returns the codes that an address fault shows. Where the source
// lies outside the picture the own code stays.
func (v *view) foldCodes(of chipKey, f fold) []uint32 {
	out := make([]uint32, len(v.codes))
	for i := range out {
		out[i], _, _ = v.foldedCode(i, of, f)
	}
	return out
}

// sampled lists about so many pixels of the part that was captured.
func (v *view) sampled(about int) (pixels []int) {
	g := v.grid
	skip := max(1, (g.X1-g.X0)*(g.Y1-g.Y0)/about) | 1
	for i := g.Y0 * g.Width; i < g.Y1*g.Width; i += skip {
		if x := i % g.Width; x >= g.X0 && x < g.X1 {
			pixels = append(pixels, i)
		}
	}
	return pixels
}

// followFoldedBanks looks for address faults of whole banks and, when it finds
// one, goes on with what the folded memory shows.
func (v *view) followFoldedBanks(rep *Report) {
	for bank := range v.banks {
		f, ok := v.bankFold(bank)
		if !ok {
			continue
		}
		of := chipKey{bank, everyChip}
		rep.Findings = append(rep.Findings, v.foldFinding(of, f, 1-math.Exp(-f.gain/4)))
		v.codes = v.foldCodes(of, f)
		v.shown = v.planes(v.codes)
		v.model.noise = [3]float64{}
		v.model.fitSmoothing(v.grid, v.shown, v.Mode.Layout().Mark)
		v.fit()
	}
}

// bankFold looks for an address fault of every chip of a bank by correlation:
// where the address is folded, the capture must go with what was written at the
// source and not with what was written here. No levels are needed, which are not
// to be trusted yet.
func (v *view) bankFold(bank int) (best fold, ok bool) {
	var pixels []int
	for _, i := range v.sampled(5000) {
		if v.bankOf(i) == bank {
			pixels = append(pixels, i)
		}
	}
	if len(pixels) < 500 { // too few of them for the hundreds of folds to be told apart
		return fold{}, false
	}
	for _, f := range v.allFolds() {
		var moved []int
		for _, i := range pixels {
			if _, elsewhere, in := v.foldedCode(i, chipKey{bank, everyChip}, f); elsewhere && in {
				moved = append(moved, i)
			}
		}
		if len(moved) < 60 {
			continue
		}
		here, there := v.likeness(moved, v.levelsOf(moved, nil), 0, 0), v.likeness(moved, v.levelsOf(moved, &f), 0, 0)
		// A correlation of n points has the standard error 1/√n: the score counts
		// how many of them the two lie apart.
		f.gain, f.strong = (there-here)*math.Sqrt(float64(len(moved))), there
		if there > 0.35 && there > here+0.3 && f.gain > best.gain {
			best = f
		}
	}
	return best, best.gain > 4
}

// chipFold looks for an address fault of one chip in the residuals. It must
// explain more than half of what is wrong where the chip holds bits: a dead chip
// goes with the content of no other place.
func (v *view) chipFold(of chipKey) (fold, bool) {
	list := v.allFolds()
	gain := make([]float64, len(list))
	misfit := 0.0
	for _, i := range v.sampled(16_000) {
		class := v.class(i)
		if class/v.phases != of.bank || !v.holds(class, of.chip) {
			continue
		}
		own := float64(v.model.centre(v.grid, i%v.Mode.Width, i/v.Mode.Width))
		for channel := range 3 {
			if r := float64(v.residual[channel][i]); r == r {
				misfit += r*r - v.noise[channel]*v.noise[channel]
			}
		}
		for k, f := range list {
			code, moved, in := v.foldedCode(i, of, f)
			if !moved || !in {
				continue
			}
			for channel, field := range v.fields {
				r := float64(v.residual[channel][i])
				if r != r {
					continue
				}
				level := v.level[channel]
				d := own * float64(level[field.Of(code)]-level[field.Of(v.codes[i])])
				gain[k] += 2*r*d - d*d // r² - (r-d)²
			}
		}
	}
	best := 0
	for k := range gain {
		if gain[k] > gain[best] {
			best = k
		}
	}
	if len(list) == 0 || misfit <= 0 {
		return fold{}, false
	}
	f := list[best]
	f.gain, f.strong = gain[best], gain[best]/misfit
	return f, f.strong > 0.5
}
