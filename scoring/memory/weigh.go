package memory

import (
	"math"
	"math/bits"
	"slices"

	"proveout/plans/fact"
)

// Explanations of a list are weighed against each other: each has a chance
// before the list is seen, shared out over the places where it can be, and
// makes the rows of the list more or less likely (Bayes' rule). What one cause
// outside the memory explains as well as many faulty chips do is far likelier
// that one cause. The chances before are common practice, no source; what comes
// out was held against a simulator of its own (see the tests).

// A hypothesis is one cause of failing rows. A bank or chip of -1 is every one.
type hypothesis struct {
	kind        Kind
	bank, chip  int
	lines       []int // of the chip
	other       int   // chip of the second line, where it is another; else -1
	second      int   // that line
	line, pair  int   // word-address lines; -1: none
	value       int   // of the address line, where it stands
	first, last int64 // words of a row
	low         int   // bits that the words of a column share
	how         fact.Fact

	before float64                   // chance before the list is seen
	chance func(r *wholeRow) float64 // of a row's place and wrong bits
	list   float64                   // natural logarithm of what the list as a whole adds
}

// outside says whether the cause lies outside the memory.
func (h *hypothesis) outside() bool { return slices.Contains(outside, h.kind) }

// addresses says whether the cause is an address line.
func (h *hypothesis) addresses() bool { return h.kind == AddressLine || h.kind == BusAddress }

// ofDataLine says whether the cause is a data line or two.
func (h *hypothesis) ofDataLine() bool {
	return slices.Contains([]Kind{LineStuck0, LineStuck1, LineOpen, LinesShorted, LinesSwapped, BusLine}, h.kind)
}

// strayChance is the share of rows that belong to no cause that is told.
const strayChance = 0.003

// few is the chance of which of so many bits are wrong, when one is the rule.
func few(wrong, of int) float64 {
	if of == 0 || wrong > of {
		return 0
	}
	share := [...]float64{0, 0.72, 0.2, 0.06}
	p := 0.02 / float64(max(1, of-3))
	if wrong < len(share) {
		p = share[wrong]
	}
	return p / choose(of, wrong)
}

func choose(n, k int) float64 {
	c := 1.0
	for i := range k {
		c *= float64(n-i) / float64(i+1)
	}
	return c
}

// anything is the chance of a row that no cause explains.
func (s *scene) anything(r *wholeRow) float64 {
	return (few(bits.OnesCount64(r.wrong), r.width) + math.Exp2(-float64(r.width))) / 2 / s.places
}

// beneath is how far below the best a hypothesis may fall before nobody counts on.
const beneath = 40

// weight is the logarithm of chance before times chance of the list; what falls
// far below the most so far is not followed to the end.
func (s *scene) weight(h *hypothesis, most float64) float64 {
	sum := math.Log(h.before) + h.list
	for i := range s.rows {
		p := h.chance(&s.rows[i])
		if p == 0 {
			sum += s.stray[i]
		} else {
			sum += math.Log((1-strayChance)*p + math.Exp(s.stray[i]))
		}
		if sum < most-beneath {
			return math.Inf(-1)
		}
	}
	return sum
}

// explains is how many rows a hypothesis explains better than nothing does.
func (s *scene) explains(h *hypothesis) (n int) {
	for i := range s.rows {
		if h.chance(&s.rows[i]) > s.anything(&s.rows[i]) {
			n++
		}
	}
	return n
}

// hypotheses makes up what could have left the rows of a scene.
func (s *scene) hypotheses() []*hypothesis {
	var out []*hypothesis
	add := func(h *hypothesis) {
		if h.before > 0 {
			out = append(out, h)
		}
	}
	s.outsideCauses(add)
	for bank := range s.org.Banks {
		s.bankCauses(bank, add)
	}
	chips := s.failingChips()
	for _, c := range chips {
		s.chipCauses(c[0], c[1], add)
	}
	s.betweenChips(chips, add)
	return out
}

// failingChips are the chips with a good share of the rows, bank and lane.
func (s *scene) failingChips() [][2]int {
	count := map[[2]int]int{}
	for i := range s.rows {
		r := &s.rows[i]
		for wrong := r.wrong; wrong != 0; {
			chip := (r.lane0 + bits.TrailingZeros64(wrong)) / s.org.ChipBits
			count[[2]int{r.bank, chip}]++
			wrong &^= r.lanes(chip*s.org.ChipBits, s.org.ChipBits)
		}
	}
	var out [][2]int
	for c, n := range count {
		if n*12 >= len(s.rows) {
			out = append(out, c)
		}
	}
	slices.SortFunc(out, func(a, b [2]int) int {
		return (count[b]-count[a])*1000 + (a[0]-b[0])*100 + (a[1] - b[1])
	})
	return out[:min(len(out), 12)]
}

// bankCauses are those of all chips of a bank: it does not answer, or an address
// line common to it is at fault.
func (s *scene) bankCauses(bank int, add func(*hypothesis)) {
	here, zeros, all := 0, 0, 0
	for i := range s.rows {
		r := &s.rows[i]
		switch {
		case r.bank != bank:
			continue
		case r.read() == 0:
			zeros++
		case r.read() == ones(r.width):
			all++
		}
		here++
	}
	if here*4 < len(s.rows) {
		return
	}
	banks := float64(len(s.org.Banks))
	inBank := func(p func(r *wholeRow) float64) func(r *wholeRow) float64 {
		return func(r *wholeRow) float64 {
			if r.bank != bank {
				return 0
			}
			return p(r) / float64(s.slots)
		}
	}
	h := &hypothesis{kind: BankLost, bank: bank, chip: -1, line: -1, pair: -1, other: -1, before: 0.05 / banks}
	h.chance = inBank(func(r *wholeRow) float64 { return math.Exp2(-float64(r.width)) })
	for _, held := range []struct {
		value uint64
		n     int
	}{{0, zeros}, {math.MaxUint64, all}} {
		if share(held.n, here) >= nearlyAll {
			h.chance = inBank(func(r *wholeRow) float64 { return 0.3 * if1(r.read() == held.value&ones(r.width)) })
		}
	}
	h.list = math.Log(s.inTurn(1, 0.3))
	var wrong uint64
	for i := range s.rows {
		wrong |= s.rows[i].wrong
	}
	if bits.OnesCount64(wrong)*2 < s.rows[0].width { // not all of the bus
		h.list -= 3
	}
	add(h)
	s.addressLines(func(r *wholeRow, moved uint64) float64 {
		return inBank(func(r *wholeRow) float64 { return s.displaced(r, ones(r.width), moved) })(r)
	}, 0.05/banks, bank, -1, add)
	if s.delta == nil { // data that differ in few bits from place to place, such as a single 1 that moves
		sparse := inBank(func(r *wholeRow) float64 { return few(bits.OnesCount64(r.wrong), r.width) })
		s.addressLines(func(r *wholeRow, _ uint64) float64 { return sparse(r) }, 0.01/banks, bank, -1, add)
	}
}
