package memory

import (
	"math/bits"
	"slices"
)

// A chipView is one failing chip with what its sample shows.
type chipView struct {
	org        *Organisation
	bank, chip int
	log        *chipLog

	failing []int   // lines with more than stray errors
	words   []int64 // distinct failing word addresses in the sample, ascending
	varying uint32  // lines that were read both 0 and 1 while covered
	density float64 // mean share of covered lines that failed in a row
}

// views returns every failing chip, in bank and lane order.
func (f *Failures) views() []*chipView {
	var out []*chipView
	for i, log := range f.chips {
		if log == nil {
			continue
		}
		v := &chipView{org: &f.org, bank: i / f.shape.perBank, chip: i % f.shape.perBank, log: log}
		v.measure()
		out = append(out, v)
	}
	return out
}

func (v *chipView) measure() {
	stray := v.log.rows / 200
	for line := range v.org.ChipBits {
		if n := v.log.to0[line] + v.log.to1[line]; n > stray {
			v.failing = append(v.failing, line)
		}
	}
	seen0, seen1 := uint32(0), uint32(0)
	v.words = make([]int64, 0, len(v.log.sample))
	for i := range v.log.sample {
		r := &v.log.sample[i]
		seen1 |= r.cr & r.cover
		seen0 |= ^r.cr & r.cover
		v.density += float64(bits.OnesCount32((r.cw^r.cr)&r.cover)) / float64(max(1, bits.OnesCount32(r.cover)))
		v.words = append(v.words, r.word)
	}
	v.varying = seen0 & seen1
	v.density /= float64(max(1, len(v.log.sample)))
	slices.Sort(v.words)
	v.words = slices.Compact(v.words)
}

// errors returns the errors of a line by direction.
func (v *chipView) errors(line int) (to0, to1 int64) { return v.log.to0[line], v.log.to1[line] }

// deadDensity separates a dead chip from a weak one. A chip that does not
// answer gets half of its bits wrong on varied data, whatever it returns; a
// weak one gets mostly one bit of a row wrong, which on the narrowest chip (4
// lines) is a quarter. Common practice, no source.
const deadDensity = 0.38

// deadLike reports whether the chip returns nothing that was written to it:
// half of its bits wrong, or the same value always.
func (v *chipView) deadLike() bool {
	return v.density >= deadDensity || (v.varying == 0 && len(v.failing) >= min(3, v.org.ChipBits))
}

// nearlyAll is the share of rows that must agree on an address before it means
// something; the rest may be stray errors.
const nearlyAll = 0.97

// fixedBits returns the word-address bits that had the same value in nearly
// every failing row, and those values.
func (v *chipView) fixedBits() (fixed, value uint64) { return fixedBits([]*chipView{v}) }

func fixedBits(chips []*chipView) (fixed, value uint64) {
	lines := chips[0].org.AddressLines()
	var set [64]int
	n := 0
	for _, v := range chips {
		n += len(v.log.sample)
		for i := range v.log.sample {
			w := uint64(v.log.sample[i].word)
			for k := range lines {
				set[k] += int(w >> uint(k) & 1)
			}
		}
	}
	for k := range lines {
		s := share(set[k], n)
		if s >= nearlyAll {
			value |= 1 << uint(k)
		}
		if s >= nearlyAll || s <= 1-nearlyAll {
			fixed |= 1 << uint(k)
		}
	}
	return fixed, value
}

// An addressShape is what the failing word addresses have in common.
type addressShape struct {
	line  int   // a single address line that never changed; -1: none
	value int   // its value in the failing rows
	pair  []int // two address lines that always differed; nil: none
}

// addressShape looks for the mark of an address line: one address bit that is
// the same in all failing rows while bits on both sides of it change, or two
// that always differ. A run of unchanging high bits only means that the list
// covers the start of the memory, a run of low ones a stride or a column.
func (v *chipView) addressShape() addressShape {
	fixed, value := v.fixedBits()
	return shapeOf(v.words, fixed, value, v.org.AddressLines())
}

// sharedShape is the addressShape of several chips' rows taken together.
func sharedShape(chips []*chipView) addressShape {
	var words []int64
	for _, v := range chips {
		words = append(words, v.words...)
	}
	fixed, value := fixedBits(chips)
	slices.Sort(words)
	return shapeOf(slices.Compact(words), fixed, value, chips[0].org.AddressLines())
}

// minShapeWords is how many distinct words must fail before a standing address
// bit means something: by chance one bit of 20 stands still in 24 words once
// in 400 000 lists.
const minShapeWords = 24

func shapeOf(words []int64, fixed, value uint64, lines int) addressShape {
	s := addressShape{line: -1}
	if len(words) < minShapeWords {
		return s
	}
	for k := range lines {
		if fixed>>uint(k)&1 == 0 {
			continue
		}
		below := k > 0 && fixed>>uint(k-1)&1 == 1
		above := k < lines-1 && fixed>>uint(k+1)&1 == 1
		if !below && !above {
			s.line, s.value = k, int(value>>uint(k)&1)
			return s
		}
	}
	for j := range lines {
		for k := j + 1; k < lines; k++ {
			if (fixed>>uint(j)|fixed>>uint(k))&1 == 0 && differ(words, j, k) {
				s.pair = []int{j, k}
				return s
			}
		}
	}
	return s
}

func differ(words []int64, j, k int) bool {
	n := 0
	for _, w := range words {
		n += int((w>>uint(j) ^ w>>uint(k)) & 1)
	}
	return share(n, len(words)) >= nearlyAll
}

func (s addressShape) found() bool { return s.line >= 0 || s.pair != nil }

// maxCells is the largest number of failing words that still counts as
// isolated cells rather than as a weak chip; four times as many do when each
// fails again and again. Common practice, no source.
const maxCells = 64

// isolated reports whether the failures sit in few, scattered words that fail
// again and again.
func (v *chipView) isolated() bool {
	n, d := len(v.log.sample), len(v.words)
	if d == 0 || d > maxCells && (d > 4*maxCells || n < 8*d) {
		return false
	}
	if _, ok := v.column(); ok {
		return false
	}
	if v.log.rows < 8 { // too few rows to speak of the chip or a line
		return true
	}
	again := 2.5 // mean failures of a word
	if d <= 16 {
		again = 1.5
	}
	if float64(n) < again*float64(d) {
		return false
	}
	if d <= 2 {
		return true
	}
	span := v.words[d-1] - v.words[0]
	return span > int64(d)*16
}

// columnRun is how many low word-address bits must stand still before a few
// failing words count as one column.
const columnRun = 7

// leastRun is the same for many failing words: one bit more than a test
// pattern fixes that moves a single 1 by one place from word to word.
func (v *chipView) leastRun() int {
	if len(v.words) < 12 {
		return columnRun
	}
	width := int64(v.log.sample[0].bits)
	period := max(1, width*width/8/v.org.BeatBytes())
	return max(5, bits.Len64(uint64(period)))
}

// column reports whether all failing words share their column address, with
// the number of low bits that stand still.
func (v *chipView) column() (lowBits int, ok bool) {
	fixed, _ := v.fixedBits()
	run := bits.TrailingZeros64(^fixed)
	need := v.leastRun()
	if v.org.ColumnBits > 0 {
		need = min(v.org.ColumnBits, v.org.AddressLines()-1)
	}
	return run, run >= need && run < v.org.AddressLines() && len(v.words) >= 3
}

// maxRowWords is the longest row assumed when the family does not state the
// column bits. Common practice, no source.
const maxRowWords = 2048

// row reports whether all failing words lie in one row of the chip. The row at
// the very start of the memory is left out: a list that was cut short looks
// the same.
func (v *chipView) row() (first, last int64, ok bool) {
	if len(v.words) < 8 {
		return 0, 0, false
	}
	block := int64(maxRowWords)
	if v.org.ColumnBits > 0 {
		block = 1 << uint(v.org.ColumnBits)
	}
	if v.org.Words < 8*block {
		block = v.org.Words / 8
	}
	if block < 8 {
		return 0, 0, false
	}
	at, inside := v.words[len(v.words)/2]/block, 0
	for i := range v.log.sample {
		if v.log.sample[i].word/block == at {
			inside++
		}
	}
	if share(inside, len(v.log.sample)) < nearlyAll {
		return 0, 0, false
	}
	first, last = -1, -1
	for _, w := range v.words {
		if w/block == at {
			if first < 0 {
				first = w
			}
			last = w
		}
	}
	// The smallest aligned block that holds all failures; the first such block
	// is where a list cut short would lie.
	atStart := bits.Len64(uint64(first)) < bits.Len64(uint64(last))
	// A long list whose words fill a power of two is no list cut short.
	whole := int64(1) << uint(bits.Len64(uint64(last)))
	full := v.log.rows >= 2000 && last >= 240 && (last+1)*20 > whole*19
	return first, last, !atStart || full
}
