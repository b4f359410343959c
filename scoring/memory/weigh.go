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

// A wholeRow is a failing row within one beat of the bus, across its chips.
type wholeRow struct {
	bank           int
	word           int64
	lane0, width   int
	address        int64
	written, wrong uint64
}

func (r *wholeRow) read() uint64 { return r.written ^ r.wrong }

// lanes is the mask, in the row, of so many lanes of the bus from one on.
func (r *wholeRow) lanes(from, count int) uint64 {
	return shift(ones(count), r.lane0-from) & ones(r.width)
}

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

// upperLine stands for an address line above those that moved in the list.
const upperLine = 63

// outside says whether the cause lies outside the memory.
func (h *hypothesis) outside() bool { return slices.Contains(outside, h.kind) }

// addresses says whether the cause is an address line.
func (h *hypothesis) addresses() bool { return h.kind == AddressLine || h.kind == BusAddress }

// strayChance is the share of rows that belong to no cause that is told.
const strayChance = 0.003

// A scene is a list of rows with what all hypotheses ask of it.
type scene struct {
	org    *Organisation
	rows   []wholeRow
	slots  int // of a bank: accesses to a beat
	places float64
	values int // different values written
	words  []int64
	runs   float64 // share of the rows that follow the row before at the next access or beat
	beats  float64 // the same at the next beat of the bus
	wraps  int     // how often the addresses went back: passes of a test
	sorted bool    // by address
	fixed  int64   // bits of the word address that nearly all rows have alike
	value  int64   // those bits
	stray  []float64
	delta  func(r *wholeRow) (difference uint64, ok bool)
	shift  int // of the address in such data
}

// newScene looks at rows; order is that of all rows where these are a sample.
func newScene(org *Organisation, rows []wholeRow, order *sequence) *scene {
	s := &scene{org: org, rows: rows}
	width := 8
	written := map[uint64]bool{}
	for i := range rows {
		r := &rows[i]
		width = max(width, r.width)
		written[r.written] = true
		s.words = append(s.words, r.word)
	}
	s.slots = max(1, org.BusBits/width)
	s.places = float64(s.slots)
	s.values = len(written)
	if order == nil {
		order = &sequence{}
		for i := range rows {
			order.take(&rows[i], org.BeatBytes())
		}
	}
	s.sorted, s.wraps = order.wraps == 0, int(order.wraps)
	s.runs, s.beats = share(int(order.next), int(order.rows-1)), share(int(order.beats), int(order.rows-1))
	if !s.sorted || slices.ContainsFunc(rows, func(r wholeRow) bool { return r.bank > 0 || r.word > org.Words*4/5 }) {
		s.places *= float64(len(org.Banks)) // else it is a sweep that was cut short in the first bank
	}
	s.stand()
	slices.Sort(s.words)
	s.words = slices.Compact(s.words)
	s.delta = s.addressData()
	for i := range rows {
		s.stray = append(s.stray, math.Log(strayChance*s.anything(&rows[i])))
	}
	return s
}

// stand finds the bits of the word address that stand still.
func (s *scene) stand() {
	for k := range s.org.AddressLines() {
		set := 0
		for i := range s.rows {
			set += int(s.rows[i].word >> uint(k) & 1)
		}
		high := share(set, len(s.rows))
		if high >= nearlyAll {
			s.value |= 1 << uint(k)
		}
		if high >= nearlyAll || high <= 1-nearlyAll {
			s.fixed |= 1 << uint(k)
		}
	}
}

// addressData tells whether the test wrote to every place its own address: as it
// is, inverted, or counted in words of 2, 4 or 8 bytes or in beats of the bus.
// What comes back from the wrong place then tells which place that is: the value
// read, compared with the value written, is a difference of byte addresses. It
// returns nil for other data; a byte is too short to tell an address from them.
func (s *scene) addressData() func(r *wholeRow) (difference uint64, ok bool) {
	beat := bits.TrailingZeros64(uint64(s.org.BeatBytes()))
	for _, shift := range []int{0, 1, 2, 3, beat} {
		for _, invert := range []uint64{0, math.MaxUint64} {
			carries := func(r *wholeRow) bool {
				return r.width >= 16 && (r.written^invert)&ones(r.width) == uint64(r.address)>>uint(shift)&ones(r.width)
			}
			n := 0
			for i := range s.rows {
				if carries(&s.rows[i]) {
					n++
				}
			}
			if s.values > 2 && n*20 >= 19*len(s.rows) {
				s.shift = shift
				return func(r *wholeRow) (uint64, bool) { return r.wrong << uint(shift), carries(r) }
			}
		}
	}
	return nil
}

// displaced is the chance of a row's wrong bits when the access reached a place
// that differs in these bits of the byte address, where so many bits of the row
// can be wrong: it shows in an address-as-data test.
func (s *scene) displaced(r *wholeRow, can, moved uint64) float64 {
	if s.delta == nil {
		return math.Exp2(-float64(bits.OnesCount64(can)))
	}
	difference, ok := s.delta(r)
	if !ok || difference&s.seen(r) != moved&s.seen(r) || difference == 0 {
		return 0
	}
	return 1
}

// seen are the bits of the byte address that a row's value shows.
func (s *scene) seen(r *wholeRow) uint64 { return ones(r.width) << uint(s.shift) }

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

// atMost bounds what a shape of addresses adds: the strides of a test leave shapes,
// too, but not when it goes over the memory again and again.
func (s *scene) atMost(evidence float64) float64 {
	if s.wraps >= manyPasses {
		return evidence
	}
	return min(14, evidence)
}

// manyPasses of a test show that it is not the test that leaves a shape.
const manyPasses = 4

// one is what it adds when a condition on the data, met by half of all data, is
// met by every row. Rows of one value are one observation; when the test went
// over the memory again and again and it was always the same value or two, that
// speaks as well, unless the test knows no other.
func (s *scene) one() float64 {
	const onlyOne = 0.2 // share of tests that write one value alone; common practice, no source
	again := -math.Log(onlyOne + (1-onlyOne)*math.Exp2(-float64(s.wraps)))
	if s.delta != nil { // most bits of an address are the same in all of a list
		return max(again, math.Ln2*float64(min(s.values, 3)))
	}
	if s.values <= 2 {
		return max(again, math.Ln2*float64(s.values))
	}
	return math.Ln2 * float64(s.values)
}

// differs is the same for two lines that are written differently in every row: of
// two values most lines differ or none does.
func (s *scene) differs() float64 {
	switch {
	case s.delta != nil:
		return math.Ln2 * float64(min(s.values, 3))
	case s.values <= 2:
		return math.Ln2 * float64(s.values-1)
	}
	return math.Ln2 * float64(s.values)
}

// steady says, for a lane, whether the accesses between the rows of one sweep
// wrote the same to it as the rows did.
func (s *scene) steady(lane int) bool {
	first, last := &s.rows[0], &s.rows[len(s.rows)-1]
	bit := bitOf(first, lane)
	if !s.sorted || len(s.rows) < 4 || bit == 0 {
		return false
	}
	return s.values == 1 || s.delta != nil && (first.written^last.written)&ones(first.width) < bit
}

// either is the same for a condition that is as good met as not: the shares of
// both, smoothed.
// Only rows count that the cause explains.
func (s *scene) either(of, met func(r *wholeRow) bool) float64 {
	yes, no := map[uint64]bool{}, map[uint64]bool{}
	for i := range s.rows {
		switch r := &s.rows[i]; {
		case !of(r):
		case met(r):
			yes[r.written] = true
		default:
			no[r.written] = true
		}
	}
	beta := func(a, b float64) float64 {
		la, _ := math.Lgamma(a)
		lb, _ := math.Lgamma(b)
		lab, _ := math.Lgamma(a + b)
		return la + lb - lab
	}
	const even = 4
	a, b := float64(len(yes)), float64(len(no))
	if s.delta != nil && min(a, b) == 0 {
		a, b = min(a, 3), min(b, 3)
	}
	return beta(a+even, b+even) - beta(even, even) + (a+b)*math.Ln2
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

// inTurn is the chance of the order of the rows, for a cause that spoils every
// access or one that spoils a few: rows of a sweep follow each other closely, or
// with gaps; a test that jumps leaves them in no order.
func (s *scene) inTurn(closely, withGaps float64) float64 {
	switch {
	case len(s.rows) < 3:
		return 1
	case s.runs >= 0.5:
		return closely
	case s.sorted:
		return withGaps
	}
	return 1
}

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

// pure is one() for a condition that every row of a cause meets, or none; else
// nothing can be so unlikely.
func (s *scene) pure(of, met func(r *wholeRow) bool) float64 {
	n, all := 0, 0
	for i := range s.rows {
		if r := &s.rows[i]; of(r) {
			all++
			if met(r) {
				n++
			}
		}
	}
	if n == 0 || n == all {
		return s.one() - math.Ln2
	}
	return math.Inf(-1)
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
		above, below := map[int64]bool{}, map[int64]bool{}
		for i := range s.rows {
			above[s.rows[i].address>>uint(bit+1)] = true
			below[s.rows[i].address&(1<<uint(bit)-1)] = true
		}
		h.list = s.standing(max(len(above), len(below)))
		add(h)
	}
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
	for value, n := range map[uint64]int{0: zeros, math.MaxUint64: all} {
		if share(n, here) >= nearlyAll {
			h.chance = inBank(func(r *wholeRow) float64 {
				if r.read() != value&ones(r.width) {
					return 0
				}
				return 0.3
			})
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
	lines := s.org.AddressLines()
	if lines < 3 {
		return
	}
	moves := func(k int) bool { return s.fixed>>uint(k)&1 == 0 }
	beat, regular := powerOfTwo(s.org.BeatBytes())
	if s.delta != nil && !regular {
		return
	}
	byteBit := func(k int) uint64 { return 1 << uint(k+beat) }
	put := func(k, pair int, before, list float64, moved func(r *wholeRow) uint64) {
		add(&hypothesis{kind: AddressLine, bank: bank, chip: chip, line: k, pair: pair, other: -1,
			before: before, list: list, value: int(s.value >> uint(k) & 1),
			chance: func(r *wholeRow) float64 {
				if m := moved(r); m != 0 {
					return chance(r, m)
				}
				return 0
			}})
	}
	bit := func(r *wholeRow, k int) bool { return r.word>>uint(k)&1 == 1 }
	top := bits.Len64(uint64(^s.fixed) & ones(lines)) // of the bits that move
	for k := range lines {
		value := s.value>>uint(k)&1 == 1
		stuck := func(r *wholeRow) uint64 {
			if bit(r, k) != value {
				return 0
			}
			return byteBit(k)
		}
		share := 0.7 * before / float64(lines)
		switch {
		case moves(k), k > 0 && !moves(k-1), k < top && !moves(k+1):
		case k < top || k+1 == lines && !s.sorted:
			put(k, -1, share, s.standing(s.prefixes(k)), stuck)
		case s.delta != nil: // beyond what the list covers, but the data tell
			put(k, -1, share, 0, stuck)
		}
		if s.delta != nil && k > 0 && !moves(k) && !value { // the low level wins, and the place written last stays
			put(k-1, k, 0.25*before/float64(lines), s.standing(s.prefixes(k)), func(r *wholeRow) uint64 {
				if bit(r, k) {
					return 0
				} else if bit(r, k-1) {
					return byteBit(k-1) | byteBit(k)
				}
				return byteBit(k)
			})
		}
	}
	if upper := lines - top; upper > 0 && s.sorted && s.delta == nil {
		share := 1.6 * before * float64(upper) / float64(lines)
		put(upperLine, -1, share, math.Log(s.inTurn(1, 0.3)), func(*wholeRow) uint64 { return 1 })
	}
	for j := range lines {
		for k := j + 1; k < lines; k++ {
			if !moves(j) || !moves(k) || !differ(s.words, j, k) {
				continue
			}
			share := 0.25 / float64(lines)
			if k > j+1 {
				share = 0.1 / float64(lines*lines)
			}
			put(j, k, before*share, s.standing(s.prefixes(k)), func(r *wholeRow) uint64 {
				switch { // the high level wins: the line that should be low is displaced
				case bit(r, j) == bit(r, k):
					return 0
				case bit(r, j):
					return byteBit(k)
				}
				return byteBit(j)
			})
		}
	}
}

// standing is what it adds that an address bit stands still while those around it
// moved so often. In an address-as-data test that is a matter of the data, too.
func (s *scene) standing(moved int) float64 {
	if s.delta != nil {
		return s.differs()
	}
	return math.Ln2 * float64(moved-1)
}

// powerOfTwo returns log2 of n when n is a power of two: only then do the bits
// of a byte address divide into those within a beat and those of the word.
func powerOfTwo(n int64) (shift int, ok bool) {
	return bits.TrailingZeros64(uint64(n)), n > 0 && n&(n-1) == 0
}

// prefixes is how often the address bits on either side of one moved: so many
// observations there are of a bit that stands still.
func (s *scene) prefixes(k int) int {
	above, below := map[int64]bool{}, map[int64]bool{}
	for _, w := range s.words {
		above[w>>uint(k+1)] = true
		below[w&(1<<uint(k)-1)] = true
	}
	return max(len(above), len(below))
}
