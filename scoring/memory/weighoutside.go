package memory

import (
	"math"
	"math/bits"
)

const hostBits = 32 // lines of the slot that carry data

// outsideCauses are those that lie outside the memory.
func (s *scene) outsideCauses(add func(*hypothesis)) {
	everywhere := func(kind Kind, before float64) *hypothesis {
		return &hypothesis{kind: kind, bank: -1, chip: -1, line: -1, pair: -1, other: -1, before: before}
	}
	flips := everywhere(RandomErrors, 0.08)
	flips.chance = func(r *wholeRow) float64 { return few(bits.OnesCount64(r.wrong), r.width) / s.places }
	add(flips)
	garbage := everywhere(GarbageAccesses, 0.045)
	garbage.chance = func(r *wholeRow) float64 { return math.Exp2(-float64(r.width)) / s.places }
	garbage.list = math.Log(s.inTurn(0.02, 0.6))
	add(garbage)
	for line := range hostBits {
		s.busLine(line, everywhere, add)
	}
	s.busAddress(add)
}

// busLine is one of the data lines of the slot: its bit of every 32, in whatever
// chip that lies. Stuck, it is wrong wherever something else was written.
func (s *scene) busLine(line int, everywhere func(Kind, float64) *hypothesis, add func(*hypothesis)) {
	mask := func(r *wholeRow) (m uint64) {
		for b := (line - int(r.address%4)*8 + hostBits) % hostBits; b < r.width; b += hostBits {
			m |= 1 << uint(b)
		}
		return m
	}
	if first, last := &s.rows[0], &s.rows[len(s.rows)-1]; first.wrong&mask(first) == 0 && last.wrong&mask(last) == 0 {
		return
	}
	on := func(r *wholeRow) bool { return r.wrong != 0 && r.wrong&^mask(r) == 0 }
	places := func(r *wholeRow) float64 { // of narrow accesses only some carry the line
		return max(1, s.places*min(1, float64(r.width)/hostBits))
	}
	const before = 0.04 / hostBits
	for _, value := range []uint64{0, math.MaxUint64} {
		stuck := everywhere(BusLine, before/4)
		stuck.lines, stuck.list = []int{line}, s.one()
		stuck.chance = func(r *wholeRow) float64 {
			if m := mask(r); m == 0 || r.wrong != (r.written^value)&m {
				return 0
			}
			return 1 / places(r)
		}
		if s.rows[0].width > hostBits { // either of two bits fails the access
			stuck.list *= math.Log(4.0/3) / math.Ln2
		}
		add(stuck)
	}
	open := everywhere(BusLine, before/2)
	open.lines = []int{line}
	open.list = s.either(on, func(r *wholeRow) bool { return r.written&r.wrong == 0 })
	open.chance = func(r *wholeRow) float64 {
		if !on(r) {
			return 0
		}
		return 1 / places(r) / (math.Exp2(float64(bits.OnesCount64(mask(r)))) - 1)
	}
	add(open)
}

// busAddress is an address line of the slot: whole accesses in every bank return
// another place's contents, and a bit of the byte address stands still.
func (s *scene) busAddress(add func(*hypothesis)) {
	lowest := bits.TrailingZeros64(uint64(s.rows[0].width / 8))
	first := s.rows[0].address
	var moved int64
	for i := range s.rows {
		moved |= s.rows[i].address ^ first
	}
	top := bits.Len64(uint64(moved))
	for bit := lowest; 1<<uint(bit) < s.org.Bytes(); bit++ {
		if bit >= top && s.sorted && s.delta != nil { // beyond what the list covers; the data tell
			add(&hypothesis{kind: BusAddress, bank: -1, chip: -1, line: bit, pair: -1, other: -1, before: 0.02 / 20,
				chance: func(r *wholeRow) float64 { return s.displaced(r, ones(r.width), 1<<uint(bit)) / s.places }})
			continue
		}
		if moved>>uint(bit)&1 == 1 || bit > lowest && moved>>uint(bit-1)&1 == 0 || moved>>uint(bit+1)&1 == 0 {
			continue
		}
		value := first >> uint(bit) & 1
		h := &hypothesis{kind: BusAddress, bank: -1, chip: -1, line: bit, pair: -1, other: -1, before: 0.02 / 20}
		h.chance = func(r *wholeRow) float64 {
			if r.address>>uint(bit)&1 != value {
				return 0
			}
			return s.displaced(r, ones(r.width), 1<<uint(bit)) / s.places
		}
		// Counted as for a line of the chips, so that neither speaks for itself by
		// the parts of a word that the rows name.
		if beat, regular := powerOfTwo(s.org.BeatBytes()); regular && bit >= beat {
			h.list = s.standing(s.prefixes(bit - beat))
			add(h)
			continue
		}
		above, below := map[int64]bool{}, map[int64]bool{}
		for i := range s.rows {
			above[s.rows[i].address>>uint(bit+1)] = true
			below[s.rows[i].address&(1<<uint(bit)-1)] = true
		}
		h.list = s.standing(max(len(above), len(below)))
		add(h)
	}
}
