package memory

import (
	"math"
	"math/bits"
	"slices"
)

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
	apart  map[[2]int]bool // bits of the word address that nearly always differ
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
	if s.values = len(written); s.values > fewValues { // random data; narrow ones come again by chance
		s.values = len(rows)
	}
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
	s.apart = map[[2]int]bool{}
	for k := range org.AddressLines() {
		for j := range k {
			if (s.fixed>>uint(j)|s.fixed>>uint(k))&1 == 0 && differ(s.words, j, k) {
				s.apart[[2]int{j, k}] = true
			}
		}
	}
	s.delta = s.addressData()
	for i := range rows {
		s.stray = append(s.stray, math.Log(strayChance*s.anything(&rows[i])))
	}
	return s
}

// fewValues is how many different values the patterns of a test have at the most;
// more are random data, or addresses.
const fewValues = 72

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
	a, b := 0.0, 0.0
	for i := range s.rows {
		switch r := &s.rows[i]; {
		case !of(r):
		case met(r):
			yes[r.written] = true
			a++
		default:
			no[r.written] = true
			b++
		}
	}
	if s.values <= fewValues {
		a, b = float64(len(yes)), float64(len(no))
	}
	beta := func(a, b float64) float64 {
		la, _ := math.Lgamma(a)
		lb, _ := math.Lgamma(b)
		lab, _ := math.Lgamma(a + b)
		return la + lb - lab
	}
	const even = 4
	if s.delta != nil && min(a, b) == 0 {
		a, b = min(a, 3), min(b, 3)
	}
	return beta(a+even, b+even) - beta(even, even) + (a+b)*math.Ln2
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

// standing is what it adds that an address bit stands still while those around it
// moved so often. In an address-as-data test that is a matter of the data, too.
func (s *scene) standing(moved int) float64 {
	if s.delta != nil {
		return s.differs()
	}
	return math.Ln2 * float64(moved-1)
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
