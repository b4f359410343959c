package scoring_test

import (
	"strconv"
	"testing"

	"proveout/plans"
	"proveout/scoring/memory"
)

// What a family may say of a memory is what the search for failing chips takes:
// at each limit, and not beyond it.
func TestFamiliesHoldMemoriesThatAreJudged(t *testing.T) {
	taken := func(words int64, chipBits, busBits, columnBits, banks int) bool {
		o := memory.Organisation{Words: words, ChipBits: chipBits, BusBits: busBits, ColumnBits: columnBits}
		for bank := range banks {
			var b memory.Bank
			for chip := range busBits / chipBits {
				b.Designators = append(b.Designators, "U"+strconv.Itoa(bank*1000+chip))
			}
			o.Banks = append(o.Banks, b)
		}
		return o.Check() == nil
	}
	for _, tt := range []struct {
		what   string
		at     bool
		beyond bool
	}{
		{"words", taken(plans.MaxChipWords, 8, 8, 0, 1), taken(plans.MaxChipWords+1, 8, 8, 0, 1)},
		{"bus", taken(1024, 32, plans.MaxBusBits, 0, 1), taken(1024, 32, plans.MaxBusBits+32, 0, 1)},
		{"columns", taken(1<<24, 8, 8, plans.MaxColumnBits, 1), taken(1<<24, 8, 8, plans.MaxColumnBits+1, 1)},
		{"banks", taken(1024, 8, 8, 0, plans.MaxBanks), taken(1024, 8, 8, 0, plans.MaxBanks+1)},
	} {
		if !tt.at || tt.beyond {
			t.Errorf("%s: taken at the limit %v, beyond it %v", tt.what, tt.at, tt.beyond)
		}
	}
	var widths []int
	for bits := 1; bits <= 128; bits++ {
		if bus := bits * 8; taken(1024, bits, bus, 0, 1) != plans.IsChipWidth(bits) {
			widths = append(widths, bits)
		}
	}
	if len(widths) > 0 {
		t.Errorf("chips of %v bits are judged here and refused there", widths)
	}
}
