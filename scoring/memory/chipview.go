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

// nearlyAll is the share of rows that must agree on an address before it means
// something; the rest may be stray errors.
const nearlyAll = 0.97

func share(part, whole int) float64 {
	if whole == 0 {
		return 0
	}
	return float64(part) / float64(whole)
}

// differ says whether two address bits differ in nearly all words.
func differ(words []int64, j, k int) bool {
	same := 0
	for _, w := range words {
		if same += int(^(w>>uint(j) ^ w>>uint(k)) & 1); float64(same) > (1-nearlyAll)*float64(len(words)) {
			return false
		}
	}
	return true
}

// maxRowWords is the longest row assumed when the family does not state the
// column bits. Common practice, no source.
const maxRowWords = 2048

// wholeRows are sampled rows of a chip, those that are asked for, without what
// other chips did in them.
func (v *chipView) wholeRows(asked func(r *wholeRow) bool) []wholeRow {
	var out []wholeRow
	for i := range v.log.sample[:min(len(v.log.sample), maxWhole)] {
		s := &v.log.sample[i]
		row := wholeRow{v.bank, s.word, int(s.lane0), int(s.width), s.address, s.written, s.written ^ s.read}
		if asked(&row) {
			row.wrong &= row.lanes(v.chip*v.org.ChipBits, v.org.ChipBits)
			out = append(out, row)
		}
	}
	return out
}
