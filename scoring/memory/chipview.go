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

	failing []int   // data lines with more than stray errors
	words   []int64 // distinct failing word addresses in the sample, ascending
	varying uint32  // data lines that were read both 0 and 1 while covered
	density float64 // mean share of covered lines that failed in a row
}

// views returns every failing chip, in bank and lane order.
func (f *Failures) views() []*chipView {
	var out []*chipView
	perBank := f.org.ChipsPerBank()
	for i, log := range f.chips {
		if log == nil {
			continue
		}
		v := &chipView{org: &f.org, bank: i / perBank, chip: i % perBank, log: log}
		v.measure()
		out = append(out, v)
	}
	return out
}

func (v *chipView) measure() {
	// One row in 200 may be a stray error of a line that is sound: two chips
	// that fail in the same row, or a slip of the test itself.
	stray := v.log.rows / 200
	for line := range v.org.ChipBits {
		if v.log.to0[line]+v.log.to1[line] > stray {
			v.failing = append(v.failing, line)
		}
	}
	seen0, seen1 := uint32(0), uint32(0)
	v.words = make([]int64, 0, len(v.log.sample))
	for i := range v.log.sample {
		row := &v.log.sample[i]
		seen1 |= row.got & row.covered
		seen0 |= ^row.got & row.covered
		wrong := bits.OnesCount32((row.wrote ^ row.got) & row.covered)
		v.density += float64(wrong) / float64(max(1, bits.OnesCount32(row.covered)))
		v.words = append(v.words, row.word)
	}
	v.varying = seen0 & seen1
	v.density /= float64(max(1, len(v.log.sample)))
	slices.Sort(v.words)
	v.words = slices.Compact(v.words)
}

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

func share(part, whole int) float64 {
	if whole == 0 {
		return 0
	}
	return float64(part) / float64(whole)
}

// fixedBits returns the word-address bits that had the same value in nearly
// every failing row of the chips, and those values.
func fixedBits(chips ...*chipView) (fixed, value uint64) {
	lines := chips[0].org.AddressLines()
	var set [64]int
	rows := 0
	for _, v := range chips {
		rows += len(v.log.sample)
		for i := range v.log.sample {
			word := uint64(v.log.sample[i].word)
			for k := range lines {
				set[k] += int(word >> uint(k) & 1)
			}
		}
	}
	for k := range lines {
		high := share(set[k], rows)
		if high >= nearlyAll {
			value |= 1 << uint(k)
		}
		if high >= nearlyAll || high <= 1-nearlyAll {
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

func (s addressShape) found() bool { return s.line >= 0 || s.pair != nil }

// minShapeWords is how many distinct words must fail before a standing address
// bit means something: by chance one bit of 20 stands still in 24 words once
// in 400 000 lists.
const minShapeWords = 24

// shapeOf looks for the mark of an address line in the failing words of the
// chips. A stuck line lays two words onto one cell, where the one written last
// stays: in a sweep the words that fail, those written first, all have the same
// value of the line, while the address bits on both sides of it change. Two
// lines that are shorted together reach a wrong cell only where they should
// differ. A run of unchanging high bits, on the other hand, only means that the
// list covers the start of the memory, a run of low ones a stride or a column.
func shapeOf(chips ...*chipView) addressShape {
	shape := addressShape{line: -1}
	var words []int64
	for _, v := range chips {
		words = append(words, v.words...)
	}
	slices.Sort(words)
	if words = slices.Compact(words); len(words) < minShapeWords {
		return shape
	}
	fixed, value := fixedBits(chips...)
	lines := chips[0].org.AddressLines()
	stands := func(k int) bool { return k >= 0 && k < lines && fixed>>uint(k)&1 == 1 }
	for k := range lines {
		if stands(k) && !stands(k-1) && !stands(k+1) {
			shape.line, shape.value = k, int(value>>uint(k)&1)
			return shape
		}
	}
	for j := range lines {
		for k := j + 1; k < lines; k++ {
			if !stands(j) && !stands(k) && differ(words, j, k) {
				shape.pair = []int{j, k}
				return shape
			}
		}
	}
	return shape
}

// differ says whether two address bits differ in nearly all words.
func differ(words []int64, j, k int) bool {
	n := 0
	for _, w := range words {
		n += int((w>>uint(j) ^ w>>uint(k)) & 1)
	}
	return share(n, len(words)) >= nearlyAll
}

// maxCells is the largest number of failing words that still counts as
// isolated cells rather than as a weak chip; four times as many do when each
// fails again and again. Common practice, no source.
const maxCells = 64

// isolated reports whether the failures sit in few, scattered words that fail
// again and again: a bad cell fails whenever its word is tested, while a weak
// chip fails somewhere else each time.
func (v *chipView) isolated() bool {
	rows, words := len(v.log.sample), len(v.words)
	if words == 0 || words > maxCells && (words > 4*maxCells || rows < 8*words) {
		return false
	}
	if _, ok := v.column(); ok {
		return false
	}
	if v.log.rows < 8 { // too few rows to speak of the chip or a line
		return true
	}
	again := 2.5 // mean failures of a word
	if words <= 16 {
		again = 1.5
	}
	if float64(rows) < again*float64(words) {
		return false
	}
	if words <= 2 {
		return true
	}
	// Words close together are a row of the chip or a block that was tested.
	return v.words[words-1]-v.words[0] > int64(words)*16
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
	width := int64(v.log.sample[0].width)
	period := max(1, width*width/8/v.org.BeatBytes()) // words from one 1 on a line to the next
	return max(5, bits.Len64(uint64(period)))
}

// column reports whether all failing words share their column address, with
// the number of low bits that stand still: a column of the array is one column
// address under every row address, and the low word-address bits are taken to
// select the column (see [Organisation]).
func (v *chipView) column() (lowBits int, ok bool) {
	fixed, _ := fixedBits(v)
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
	if v.org.Words < 8*block { // on a small chip an eighth of it, so that a row is still a small part
		block = v.org.Words / 8
	}
	if block < 8 {
		return 0, 0, false
	}
	row, inside := v.words[len(v.words)/2]/block, 0
	for i := range v.log.sample {
		if v.log.sample[i].word/block == row {
			inside++
		}
	}
	if share(inside, len(v.log.sample)) < nearlyAll {
		return 0, 0, false
	}
	first, last = -1, -1
	for _, word := range v.words {
		if word/block == row {
			if first < 0 {
				first = word
			}
			last = word
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
