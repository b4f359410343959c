package memory

import (
	"math"
	"math/bits"
)

// upperLine stands for an address line above those that moved in the list.
const upperLine = 63

// An addressCase makes up faults of the word-address lines of a chip, or of all
// chips of a bank.
type addressCase struct {
	*scene
	bank, chip int
	before     float64                                 // of any of them
	chance     func(r *wholeRow, moved uint64) float64 // of a row displaced by bits of the byte address
	lines      int
	beat       int // bits of the byte address within a beat
	top        int // of the bits that move in the list
	add        func(*hypothesis)
}

// addressLines adds an address line for each bit of the word address, or pair of
// them, that speaks for one. A stuck line lays two words onto one cell, where the
// one written last stays: in a sweep the words that fail, those written first, all
// have the same value of the line, while the address bits on both sides of it
// change. Two lines that touch reach a wrong cell only where they should differ. A
// run of unchanging high bits only means that the list covers the start of the
// memory: the line may be one of them.
func (s *scene) addressLines(
	chance func(r *wholeRow, moved uint64) float64, before float64, bank, chip int, add func(*hypothesis),
) {
	a := &addressCase{scene: s, bank: bank, chip: chip, before: before, chance: chance, add: add,
		lines: s.org.AddressLines()}
	regular := false
	if a.beat, regular = powerOfTwo(s.org.BeatBytes()); a.lines < 3 || s.delta != nil && !regular {
		return
	}
	a.top = bits.Len64(uint64(^s.fixed) & ones(a.lines))
	for k := range a.lines {
		a.stuck(k)
		for j := range k {
			a.shorted(j, k)
		}
	}
	if upper := a.lines - a.top; upper > 0 && s.sorted && s.delta == nil {
		share := 1.6 * before * float64(upper) / float64(a.lines)
		a.put(upperLine, -1, share, math.Log(s.inTurn(1, 0.3)), func(*wholeRow) uint64 { return 1 })
	}
}

// put adds a line, or two; moved says by which bits of the byte address a row is
// displaced, 0 for one that would not fail.
func (a *addressCase) put(k, pair int, before, list float64, moved func(r *wholeRow) uint64) {
	a.add(&hypothesis{kind: AddressLine, bank: a.bank, chip: a.chip, line: k, pair: pair, other: -1,
		before: before, list: list, value: int(a.value >> uint(k) & 1),
		chance: func(r *wholeRow) float64 {
			if m := moved(r); m != 0 {
				return a.chance(r, m)
			}
			return 0
		}})
}

func (a *addressCase) moves(k int) bool     { return a.fixed>>uint(k)&1 == 0 }
func (a *addressCase) byteBit(k int) uint64 { return 1 << uint(k+a.beat) }
func wordBit(r *wholeRow, k int) bool       { return r.word>>uint(k)&1 == 1 }
func (a *addressCase) perLine() float64     { return a.before / float64(a.lines) }

// stuck adds line k where it stands still and those around it do not.
func (a *addressCase) stuck(k int) {
	value := a.value>>uint(k)&1 == 1
	displaced := func(r *wholeRow) uint64 {
		if wordBit(r, k) != value {
			return 0
		}
		return a.byteBit(k)
	}
	switch {
	case a.moves(k), k > 0 && !a.moves(k-1), k < a.top && !a.moves(k+1):
	case k < a.top || k+1 == a.lines && !a.sorted:
		a.put(k, -1, 0.7*a.perLine(), a.standing(a.prefixes(k)), displaced)
	case a.delta != nil: // beyond what the list covers, but the data tell
		a.put(k, -1, 0.7*a.perLine(), 0, displaced)
	}
}

// shorted adds lines j and k, k the upper of them.
func (a *addressCase) shorted(j, k int) {
	before := 0.25 * a.perLine()
	if k > j+1 {
		before = 0.1 * a.perLine() / float64(a.lines)
	}
	switch {
	case a.apart[[2]int{j, k}]:
		// The high level wins: the line that should be low is displaced.
		a.put(j, k, before, a.standing(a.prefixes(k)), func(r *wholeRow) uint64 {
			switch {
			case wordBit(r, j) == wordBit(r, k):
				return 0
			case wordBit(r, j):
				return a.byteBit(k)
			}
			return a.byteBit(j)
		})
	case a.delta != nil && k == j+1 && !a.moves(k) && a.value>>uint(k)&1 == 0:
		// The low level wins, and of the places that coincide the one written last stays.
		a.put(j, k, before, a.standing(a.prefixes(k)), func(r *wholeRow) uint64 {
			switch {
			case wordBit(r, k):
				return 0
			case wordBit(r, j):
				return a.byteBit(j) | a.byteBit(k)
			}
			return a.byteBit(k)
		})
	}
}

// powerOfTwo returns log2 of n when n is a power of two: only then do the bits
// of a byte address divide into those within a beat and those of the word.
func powerOfTwo(n int64) (shift int, ok bool) {
	return bits.TrailingZeros64(uint64(n)), n > 0 && n&(n-1) == 0
}
