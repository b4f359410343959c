package chart

import (
	"math"
	"sync"
	"testing"
)

// The digits of both fonts are 1139 of 2048 units wide, and the space 569
// (read from the hmtx table of the font files).
func TestWidth(t *testing.T) {
	for _, w := range []Weight{Regular, Bold} {
		if got, want := Width(w, 10, "0123456789"), 10*10*1139.0/2048; math.Abs(got-want) > 1e-9 {
			t.Errorf("weight %d: digits %g, want %g", w, got, want)
		}
		if got, want := Width(w, 1, " "), 569.0/2048; math.Abs(got-want) > 1e-9 {
			t.Errorf("weight %d: space %g, want %g", w, got, want)
		}
		for r, want := range map[rune]bool{
			'Ω': true, '±': true, '№': true, 'Ж': true, '…': true, '漢': false, 0x1F600: false,
		} {
			if Has(w, r) != want {
				t.Errorf("weight %d: Has(%U) = %v", w, r, !want)
			}
		}
	}
}

func TestSharedAmongGoroutines(t *testing.T) {
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for r := rune(32); r < 600; r++ {
				Width(Weight(i%2), 9, string(r))
			}
		}()
	}
	wg.Wait()
}
