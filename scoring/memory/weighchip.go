package memory

import (
	"math"
	"math/bits"

	"proveout/plans/fact"
)

// Chances before the list is seen that a fault is of a kind, of one chip.
// Common practice, no source.
var chipChances = map[Kind]float64{
	LineStuck0: 0.08, LineStuck1: 0.08, LineOpen: 0.1, LinesShorted: 0.09, LinesSwapped: 0.02,
	ChipDead: 0.08, ChipWeak: 0.08, AddressLine: 0.05, IsolatedCells: 0.08, ChipRow: 0.04, ChipColumn: 0.04,
}

// chipCauses are the faults of one chip.
func (s *scene) chipCauses(bank, chip int, add func(*hypothesis)) {
	width := s.org.ChipBits
	first := chip * width
	chips := float64(len(s.org.Banks) * s.org.ChipsPerBank())
	narrow := 1.0 // accesses that it takes to reach every line
	if len(s.rows) > 0 {
		narrow = max(1, float64(width)/float64(s.rows[0].width))
	}
	of := func(kind Kind, places float64, p func(r *wholeRow, mask uint64) float64) *hypothesis {
		return &hypothesis{kind: kind, bank: bank, chip: chip, line: -1, pair: -1, other: -1,
			before: chipChances[kind] / chips / places,
			chance: func(r *wholeRow) float64 {
				mask := r.lanes(first, width)
				if r.bank != bank || mask == 0 || r.wrong&^mask != 0 {
					return 0
				}
				return p(r, mask)
			}}
	}
	random := func(r *wholeRow, mask uint64) float64 { return math.Exp2(-float64(bits.OnesCount64(mask))) / narrow }
	weak := func(r *wholeRow, mask uint64) float64 {
		return few(bits.OnesCount64(r.wrong), bits.OnesCount64(mask)) / narrow
	}
	if inTurn := math.Log(s.inTurn(1, 0.3)); s.failed(bank, first) >= min(3, width) {
		for _, value := range []uint64{0, math.MaxUint64} {
			held := of(ChipDead, 3, func(r *wholeRow, mask uint64) float64 {
				if (r.read()^value)&mask != 0 {
					return 0
				}
				return 1 / narrow
			})
			held.list = inTurn
			add(held)
		}
		dead := of(ChipDead, 1, random)
		dead.list = inTurn
		add(dead)
	}
	add(of(ChipWeak, 1, weak))
	s.addressLines(func(r *wholeRow, moved uint64) float64 {
		mask := r.lanes(first, width)
		if r.bank != bank || mask == 0 || r.wrong&^mask != 0 {
			return 0
		}
		return s.displaced(r, mask, moved) / narrow
	}, chipChances[AddressLine]/chips, bank, chip, add)
	if s.delta == nil {
		sparse := of(AddressLine, 1, weak).chance
		before := chipChances[AddressLine] / 5 / chips
		s.addressLines(func(r *wholeRow, _ uint64) float64 { return sparse(r) }, before, bank, chip, add)
	}
	s.cells(of, weak, add)
	s.rowOfChip(of, random, weak, add)
	lines := s.failingLines(bank, first)
	if len(lines) > mostLines {
		return // no matter of a line or two
	}
	for _, line := range lines {
		s.lineCauses(of, bank, first, line, add)
	}
	for i, a := range lines {
		for _, b := range lines[i+1:] {
			s.pairCauses(of, first, a, b, add)
		}
	}
}

// failed is how many lines of a chip failed at all.
func (s *scene) failed(bank, first int) int {
	var wrong uint64
	for i := range s.rows {
		if r := &s.rows[i]; r.bank == bank {
			wrong |= shift(r.wrong, first-r.lane0) & ones(s.org.ChipBits)
		}
	}
	return bits.OnesCount64(wrong)
}

// mostLines bounds the lines of a chip that are looked at one by one.
const mostLines = 8

// failingLines are the lines of a chip with a good share of its rows.
func (s *scene) failingLines(bank, first int) []int {
	var count [32]int
	for i := range s.rows {
		r := &s.rows[i]
		if r.bank != bank {
			continue
		}
		for wrong := r.wrong & r.lanes(first, s.org.ChipBits); wrong != 0; wrong &= wrong - 1 {
			count[r.lane0+bits.TrailingZeros64(wrong)-first]++
		}
	}
	var out []int
	for line, n := range count {
		if n*8 >= len(s.rows) {
			out = append(out, line)
		}
	}
	return out
}

// maker makes up a hypothesis of a chip in one of so many places.
type maker func(kind Kind, places float64, p func(r *wholeRow, mask uint64) float64) *hypothesis

// bitOf is a lane of the bus in a row; 0 when the row does not cover it.
func bitOf(r *wholeRow, lane int) uint64 { return r.lanes(lane, 1) }

// if1 is a chance that is certain or nothing.
func if1(certain bool) float64 {
	if certain {
		return 1
	}
	return 0
}

// lineCauses are the faults of one data line, also of one that another line of
// the same access pulls along.
func (s *scene) lineCauses(of maker, bank, first, line int, add func(*hypothesis)) {
	lane, width := first+line, float64(s.org.ChipBits)
	alone := func(r *wholeRow) bool { return r.wrong == bitOf(r, lane) }
	high := func(r *wholeRow) bool { return r.written&bitOf(r, lane) != 0 }
	either, pure := s.either(alone, high), s.pure(alone, high)
	put := func(kind Kind, list float64, fails func(r *wholeRow) bool) *hypothesis {
		h := of(kind, width, func(r *wholeRow, _ uint64) float64 { return if1(alone(r) && fails(r)) })
		h.lines, h.list = []int{line}, list
		add(h)
		return h
	}
	always, sometimes := s.atEvery(lane)
	put(LineStuck0, s.one()+always, high)
	put(LineStuck1, s.one()+always, func(r *wholeRow) bool { return !high(r) })
	put(LineOpen, either+sometimes, func(*wholeRow) bool { return true })
	if column, low := s.column(); column {
		end := s.value & (1<<uint(low) - 1)
		list := max(either, pure) + s.atMost(math.Ln2*float64(low*(len(s.rows)-1)))
		h := put(ChipColumn, list, func(r *wholeRow) bool { return r.word&(1<<uint(low)-1) == end })
		h.low, h.first = low, end
	}
	ways := 3.0
	if !math.IsInf(pure, -1) { // the other line always wins; or, where one line alone is wrong, a level does
		ways = 1
	}
	for other := range s.org.ChipBits {
		if other == line {
			continue
		}
		h := put(LinesShorted, s.differs()+min(either, 0), func(r *wholeRow) bool {
			o := bitOf(r, first+other)
			return o != 0 && high(r) != (r.written&o != 0)
		})
		h.before /= ways * pairsOf(line, other, s.org.ChipBits)
		h.lines = []int{min(line, other), max(line, other)}
		h.how = fact.New("memory.returned-other",
			"other", dataLine(other), "other-chip", s.org.Designator(bank, first/s.org.ChipBits))
	}
}

// atEvery is what the gaps between the rows of a sweep add: a stuck line fails at
// every access to which the other value is written, an open one at some.
func (s *scene) atEvery(lane int) (stuck, open float64) {
	likely, hardly := math.Log(0.97), math.Log(0.03)
	switch {
	case !s.steady(lane):
		return 0, 0
	case s.beats < 0.85:
		return hardly, likely
	}
	return likely, hardly
}

// pairsOf is how many partners a line may have, as seen from one: most bridges
// are between neighbours.
func pairsOf(a, b, width int) float64 {
	if a-b == 1 || b-a == 1 {
		return 3
	}
	return 2 * float64(width)
}

// pairCauses are two lines of a chip that touch or are exchanged.
func (s *scene) pairCauses(of maker, first, a, b int, add func(*hypothesis)) {
	places := float64(s.org.ChipBits) / 2 * pairsOf(a, b, s.org.ChipBits)
	for _, is := range joinings {
		h := of(is.kind, places, func(r *wholeRow, _ uint64) float64 {
			return if1(is.fits(r, bitOf(r, first+a), bitOf(r, first+b)))
		})
		h.lines, h.list, h.how = []int{a, b}, s.differs(), is.how
		add(h)
	}
}

// A joining is a way in which two lines are joined.
type joining struct {
	kind  Kind
	how   fact.Fact
	fails func(r *wholeRow, a, b uint64) uint64 // bits of a row, where they are written differently
}

// joinings: what joins two lines shows only where they are written differently;
// where they are written alike, a short and an exchange both return the right
// value. Where the low level wins, both lines return 0 (wired-and), where the high
// one does, 1 (wired-or); common practice, no source.
var joinings = []joining{
	{LinesShorted, fact.New("memory.wired-and"), func(r *wholeRow, a, b uint64) uint64 { return r.written & (a | b) }},
	{LinesShorted, fact.New("memory.wired-or"), func(r *wholeRow, a, b uint64) uint64 { return ^r.written & (a | b) }},
	{LinesSwapped, fact.New("memory.each-returned-the-other"), func(_ *wholeRow, a, b uint64) uint64 { return a | b }},
}

// fits says whether a row failed as two joined lines do.
func (j *joining) fits(r *wholeRow, a, b uint64) bool {
	return a != 0 && b != 0 && (r.written&a != 0) != (r.written&b != 0) && r.wrong == j.fails(r, a, b)
}

// betweenChips adds two lines of different chips of a bank that touch or are
// exchanged.
func (s *scene) betweenChips(chips [][2]int, add func(*hypothesis)) {
	if len(chips) != 2 || chips[0][0] != chips[1][0] {
		return
	}
	bank, width := chips[0][0], s.org.ChipBits
	lines := s.failingLines(bank, chips[0][1]*width)
	others := s.failingLines(bank, chips[1][1]*width)
	if len(lines) > 2 || len(others) > 2 {
		return
	}
	places := float64(s.org.BusBits * width * len(s.org.Banks))
	for _, line := range lines {
		for _, other := range others {
			for _, is := range joinings {
				a, b := chips[0][1]*width+line, chips[1][1]*width+other
				add(&hypothesis{kind: is.kind, bank: bank, chip: chips[0][1], lines: []int{line}, line: -1, pair: -1,
					other: chips[1][1], second: other, before: chipChances[is.kind] / 2 / places, list: s.differs(), how: is.how,
					chance: func(r *wholeRow) float64 {
						return if1(r.bank == bank && is.fits(r, bitOf(r, a), bitOf(r, b)))
					}})
			}
		}
	}
}

// cells adds few cells that fail again and again. Which word comes next follows
// the sizes of the groups so far, a new one with a chance of its own (the
// "Chinese restaurant" of D. J. Aldous, 1985; from memory).
func (s *scene) cells(of maker, weak func(*wholeRow, uint64) float64, add func(*hypothesis)) {
	const fresh = 4
	const reads = 4 // of one word, by one element of a test
	seen, wrong := map[int64]int{}, map[int64]uint64{}
	h := of(IsolatedCells, 1, weak)
	n, run, last := 0, 0, int64(-1)
	for i := range s.rows {
		r := &s.rows[i]
		if h.chance(r) == 0 {
			continue
		}
		if run++; r.word != last {
			run = 0
		}
		if run == 0 || run >= reads {
			if k := seen[r.word]; k > 0 {
				h.list += math.Log(float64(k)/float64(n+fresh)) + math.Log(float64(s.org.Words))
			} else {
				h.list += math.Log(float64(fresh) / float64(n+fresh))
			}
			seen[r.word]++
			n++
		}
		last = r.word
		if wrong[r.word] == r.wrong { // the same cell: its line is known
			h.list -= math.Log(h.chance(r) / 0.9)
		}
		wrong[r.word] = r.wrong
	}
	add(h)
}

// rowOfChip adds one row of the array.
func (s *scene) rowOfChip(of maker, random, weak func(*wholeRow, uint64) float64, add func(*hypothesis)) {
	block := int64(maxRowWords)
	if s.org.ColumnBits > 0 {
		block = 1 << uint(s.org.ColumnBits)
	}
	if s.org.Words < 8*block {
		block = s.org.Words / 8
	}
	if block < 8 || len(s.words) < 3 {
		return
	}
	row := s.words[len(s.words)/2] / block
	if row == 0 && s.wraps < manyPasses { // where a list that was cut short begins, too
		return
	}
	inside := 0
	for i := range s.rows {
		if s.rows[i].word/block == row {
			inside++
		}
	}
	if share(inside, len(s.rows)) < nearlyAll {
		return
	}
	for _, wrong := range []func(*wholeRow, uint64) float64{random, weak} {
		add(s.inRow(of(ChipRow, 2, func(r *wholeRow, mask uint64) float64 {
			if r.word/block != row {
				return 0
			}
			return wrong(r, mask)
		}), row, block))
	}
}

// inRow completes the hypothesis of a row.
func (s *scene) inRow(h *hypothesis, row, block int64) *hypothesis {
	h.first, h.last = s.words[0], s.words[0]
	for _, w := range s.words {
		if w/block == row {
			if h.first/block != row {
				h.first = w
			}
			h.last = w
		}
	}
	h.list = s.atMost(float64(len(s.rows)-1) * math.Log(float64(s.org.Words/block)))
	return h
}

// column says whether all words of the list share so many low bits.
func (s *scene) column() (ok bool, low int) {
	if len(s.words) < 3 {
		return false, 0
	}
	low = bits.TrailingZeros64(^uint64(s.fixed))
	need := 5
	if s.org.ColumnBits > 0 {
		need = min(s.org.ColumnBits, s.org.AddressLines()-1)
	}
	return low >= need && low < s.org.AddressLines(), low
}
