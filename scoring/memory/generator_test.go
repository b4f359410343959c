package memory_test

import (
	"fmt"
	"math"
	"math/rand/v2"

	"proveout/scoring/memory"
)

// The generator of failing rows here shares nothing with the package but the
// convention of the lanes: it works on bus lanes and never calls Locate or
// Address.

type board struct {
	words          int64
	chipBits, bus  int
	banks          int
	columnBits     int
	wordBits       int // width of the test's accesses
	statesItsSplit bool
}

func (b board) organisation() memory.Organisation {
	o := memory.Organisation{Words: b.words, ChipBits: b.chipBits, BusBits: b.bus}
	n := 1
	for range b.banks {
		var names []string
		for range b.bus / b.chipBits {
			names = append(names, fmt.Sprintf("U%d", n))
			n++
		}
		o.Banks = append(o.Banks, memory.Bank{Designators: names})
	}
	if b.statesItsSplit {
		o.ColumnBits = b.columnBits
	}
	return o
}

func (b board) beat() int64  { return int64(b.bus / 8) }
func (b board) bytes() int64 { return b.words * b.beat() * int64(b.banks) }

var boards = []board{
	{words: 1 << 20, chipBits: 16, bus: 128, banks: 1, columnBits: 8, wordBits: 32},
	{words: 1 << 18, chipBits: 32, bus: 128, banks: 1, columnBits: 8, wordBits: 64},
	{words: 1 << 18, chipBits: 16, bus: 64, banks: 2, columnBits: 9, wordBits: 32},
	{words: 1 << 19, chipBits: 8, bus: 64, banks: 1, columnBits: 9, wordBits: 64, statesItsSplit: true},
	{words: 1 << 18, chipBits: 4, bus: 32, banks: 1, columnBits: 9, wordBits: 32},
	{words: 1 << 20, chipBits: 16, bus: 32, banks: 2, columnBits: 10, wordBits: 16},
	{words: 1 << 18, chipBits: 16, bus: 64, banks: 1, columnBits: 8, wordBits: 32, statesItsSplit: true},
}

// a fault the generator can put in.
type trouble struct {
	kind       memory.Kind
	bank, chip int
	line, two  int
	how        int // wired-and 0, wired-or 1; dead: 0 zeros, 1 ones, 2 random; stuck address value
	addr, two2 int // address lines; two2 -1: stuck
	allChips   bool
	cells      []int64 // words
	cellLine   []int
	rate       float64
	row        int64
}

func (t trouble) String() string {
	return fmt.Sprintf("%s bank %d chip %d line %d/%d how %d A%d/%d all %v",
		t.kind, t.bank, t.chip, t.line, t.two, t.how, t.addr, t.two2, t.allChips)
}

var kinds = []memory.Kind{
	memory.LineStuck0, memory.LineStuck1, memory.LineOpen, memory.LinesShorted, memory.LinesSwapped,
	memory.ChipDead, memory.ChipWeak, memory.AddressLine, memory.BankLost,
	memory.IsolatedCells, memory.ChipRow, memory.ChipColumn,
}

func pick(r *rand.Rand, b board, kind memory.Kind) trouble {
	t := trouble{kind: kind, bank: r.IntN(b.banks), chip: r.IntN(b.bus / b.chipBits), two2: -1}
	t.line = r.IntN(b.chipBits)
	t.two = r.IntN(b.chipBits - 1)
	if t.two >= t.line {
		t.two++
	}
	if r.IntN(2) == 0 && kind == memory.LinesShorted { // most bridges are between neighbours
		t.two = t.line ^ 1
	}
	t.how = r.IntN(3)
	if kind == memory.LinesShorted || kind == memory.AddressLine {
		t.how = r.IntN(2)
	}
	lines := int(math.Log2(float64(b.words)))
	t.addr = r.IntN(lines)
	if r.IntN(3) == 0 {
		t.two2 = (t.addr + 1) % lines
	}
	t.allChips = r.IntN(2) == 0 && b.bus > b.chipBits
	for range 1 + r.IntN(12) {
		t.cells = append(t.cells, r.Int64N(b.words))
		t.cellLine = append(t.cellLine, r.IntN(b.chipBits))
	}
	t.rate = []float64{0.001, 0.01, 0.05}[r.IntN(3)]
	t.row = 1 + r.Int64N(b.words>>uint(b.columnBits)-1)
	if kind == memory.ChipColumn {
		t.row = r.Int64N(1 << uint(b.columnBits))
	}
	return t
}

type patternSet int

const (
	randomData patternSet = iota
	fiveA                 // 0x55 and 0xAA in turn
	walking               // a single 1 through the word, pass by pass
	addressData
	mixture
	patternSets
)

func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// datum is what pass p writes at a word address.
func (s patternSet) datum(addr int64, pass, width int) uint64 {
	m := uint64(math.MaxUint64) >> uint(64-width)
	switch s {
	case fiveA:
		return 0x5555555555555555 << uint(pass&1) & m
	case walking:
		return 1 << uint(pass%width) & m
	case addressData:
		return uint64(addr) & m
	case mixture:
		return (patternSet(pass % 4)).datum(addr, pass/4, width)
	}
	return mix(uint64(addr)<<8^uint64(pass)*0x1234567) & m
}

// laneValue is the value the test wrote on one bus lane of a bank and word.
func (b board) laneValue(s patternSet, pass, bank int, word int64, lane int) uint64 {
	slot := lane / b.wordBits
	addr := (int64(bank)*b.words+word)*b.beat() + int64(slot*b.wordBits/8)
	return s.datum(addr, pass, b.wordBits) >> uint(lane%b.wordBits) & 1
}

// translate is where an access lands when address lines are faulty.
func (t trouble) translate(word int64) int64 {
	a := word >> uint(t.addr) & 1
	if t.two2 < 0 {
		return word&^(1<<uint(t.addr)) | int64(t.how&1)<<uint(t.addr)
	}
	c := word >> uint(t.two2) & 1
	v := a & c
	if t.how == 1 {
		v = a | c
	}
	return word&^(1<<uint(t.addr)|1<<uint(t.two2)) | v<<uint(t.addr) | v<<uint(t.two2)
}

// lastWriter is the highest word address that lands where word lands: a pass
// that writes upward leaves its value there.
func (t trouble) lastWriter(word int64) int64 {
	home, best := t.translate(word), int64(-1)
	for _, x := range []int64{0, 1} {
		for _, y := range []int64{0, 1} {
			w := word&^(1<<uint(t.addr)) | x<<uint(t.addr)
			if t.two2 >= 0 {
				w = w&^(1<<uint(t.two2)) | y<<uint(t.two2)
			}
			if t.translate(w) == home {
				best = max(best, w)
			}
		}
	}
	return best
}

// disturb returns what the lanes of one access return under a fault.
func (b board) disturb(
	r *rand.Rand, t trouble, s patternSet, pass, bank int, word int64, slot int, read uint64,
) uint64 {
	common := t.kind == memory.BankLost
	if bank != t.bank {
		return read
	}
	base := slot * b.wordBits
	in := func(lane int) bool { return lane >= base && lane < base+b.wordBits }
	set := func(lane int, v uint64) {
		if in(lane) {
			read = read&^(1<<uint(lane-base)) | v<<uint(lane-base)
		}
	}
	w := func(lane int) uint64 { return b.laneValue(s, pass, bank, word, lane) }
	first := t.chip * b.chipBits
	la, lb := first+t.line, first+t.two
	switch t.kind {
	case memory.LineStuck0:
		set(la, 0)
	case memory.LineStuck1:
		set(la, 1)
	case memory.LineOpen:
		set(la, r.Uint64()&1)
	case memory.LinesShorted:
		v := w(la) & w(lb)
		if t.how == 1 {
			v = w(la) | w(lb)
		}
		set(la, v)
		set(lb, v)
	case memory.LinesSwapped:
		x, y := w(la), w(lb)
		set(la, y)
		set(lb, x)
	case memory.ChipWeak:
		for l := first; l < first+b.chipBits; l++ {
			if r.Float64() < t.rate {
				set(l, 1-w(l))
			}
		}
	case memory.ChipDead, memory.BankLost:
		for l := 0; l < b.bus; l++ {
			if common || l/b.chipBits == t.chip {
				v := []uint64{0, 1, r.Uint64() & 1}[t.how]
				set(l, v)
			}
		}
	case memory.AddressLine:
		from := t.lastWriter(word)
		for l := 0; l < b.bus; l++ {
			if t.allChips || l/b.chipBits == t.chip {
				set(l, b.laneValue(s, pass, bank, from, l))
			}
		}
	case memory.IsolatedCells:
		for i, c := range t.cells {
			if c == word && r.IntN(4) > 0 {
				set(first+t.cellLine[i], uint64(t.cellLine[i]+i)&1)
			}
		}
	case memory.ChipRow:
		if word>>uint(b.columnBits) == t.row {
			for l := first; l < first+b.chipBits; l++ {
				set(l, r.Uint64()&1)
			}
		}
	case memory.ChipColumn:
		if word&(1<<uint(b.columnBits)-1) == t.row {
			set(la, uint64(t.how)&1)
		}
	}
	return read
}

// aim draws a word address; for faults in few places one of those places.
func (b board) aim(r *rand.Rand, t trouble) int64 {
	switch t.kind {
	case memory.IsolatedCells:
		return t.cells[r.IntN(len(t.cells))]
	case memory.ChipRow:
		return t.row<<uint(b.columnBits) | r.Int64N(1<<uint(b.columnBits))
	case memory.ChipColumn:
		return r.Int64N(b.words>>uint(b.columnBits))<<uint(b.columnBits) | t.row
	}
	return r.Int64N(b.words)
}

// failed is a failing row that says neither when it failed nor how warm it was.
func failed(address int64, written, read uint64, bits int) *memory.Failure {
	return &memory.Failure{
		Address: address, Written: written, Read: read, Bits: bits, Seconds: math.NaN(), Celsius: math.NaN(),
	}
}

// failures draws failing rows of a board with faults: n rows from all over
// the memory. ok is false when the patterns
// do not show the faults.
func (b board) failures(r *rand.Rand, faults []trouble, s patternSet, n int) ([]memory.Failure, bool) {
	var out []memory.Failure
	slots := b.bus / b.wordBits
	for try := 0; len(out) < n; try++ {
		if try > 4000 && len(out) < try/4000 || try > 400*n+40000 {
			return out, false
		}
		t := faults[try%len(faults)]
		bank, word, slot, pass := t.bank, b.aim(r, t), r.IntN(slots), r.IntN(4*b.wordBits)
		if t.kind != memory.BankLost && !t.allChips { // an access of the rest of the bus shows nothing
			slot = (t.chip*b.chipBits + r.IntN(b.chipBits)) / b.wordBits
		}
		addr := (int64(bank)*b.words+word)*b.beat() + int64(slot*b.wordBits/8)
		written := s.datum(addr, pass, b.wordBits)
		read := written
		for _, f := range faults {
			read = b.disturb(r, f, s, pass, bank, word, slot, read)
		}
		if read != written {
			out = append(out, *failed(addr, written, read, b.wordBits))
		}
	}
	return out, true
}

// rowsOf counts the rows in which the chip of a fault failed.
func (b board) rowsOf(rows []memory.Failure, t trouble) int {
	n := 0
	for _, r := range rows {
		bank := r.Address / (b.words * b.beat())
		lane0 := int(r.Address%b.beat()) * 8
		for i := range r.Bits {
			if (r.Written^r.Read)>>uint(i)&1 == 1 && int(bank) == t.bank && (lane0+i)/b.chipBits == t.chip {
				n++
				break
			}
		}
	}
	return n
}
