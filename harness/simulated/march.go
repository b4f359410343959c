package simulated

import (
	"fmt"
	"slices"
	"strings"

	"proveout/plans"
	"proveout/scoring/memory"
	"proveout/scoring/picture/simulate"
)

// A memoryFault is a fault in one memory of a card.
type memoryFault struct {
	simulate.Fault
	pool    string
	ofFrame bool   // the picture lies in that memory
	cells   []cell // of [memory.IsolatedCells]
}

// cellsOnly reports whether the fault sits in cells that a picture does not show.
func (m memoryFault) cellsOnly() bool { return m.Kind == memory.IsolatedCells }

// A cell is one bit of a chip that stays as it is.
type cell struct {
	word int64
	line int
	is   uint64
}

// A failure is one row of a list of failing addresses: a word of 32 bits.
type failure struct {
	address       int64
	written, read uint32
}

// marching is a memory test at work on one memory. It writes data everywhere and
// reads it back; lanes run upward across the bus, byte 0 on chip 0, D0 to D7.
type marching struct {
	pool   plans.MemoryPool
	faults []memoryFault
	stripe bool // 0x55 and 0xAA in turn instead of data that differ from word to word
	d      dice
}

func (m *marching) beat() int64 { return int64(m.pool.BusBits / 8) }
func (m *marching) bank() int64 { return m.pool.Words * m.beat() }

// tries is how many accesses are looked at for the rows of a list.
const tries = 20_000

// list runs the test and lists up to so many failures, in the order of their
// addresses.
func (m *marching) list(most int) []failure {
	var out []failure
	for _, f := range m.faults {
		for _, c := range f.cells {
			at := int64(f.Bank)*m.bank() + c.word*m.beat() + int64((f.Chip*m.pool.ChipBits+c.line)/8)
			out = m.access(out, at&^3, 0)
			out = m.access(out, at&^3, 1)
		}
	}
	words := int64(len(m.pool.Banks)) * m.bank() / 4
	for range tries {
		if len(out) >= most || len(m.faults) == 0 {
			break
		}
		out = m.access(out, 4*m.d.Int64N(words), m.d.IntN(2))
	}
	slices.SortFunc(out, func(a, b failure) int { return int(a.address - b.address) })
	return slices.Compact(out)
}

// access writes and reads one word in a pass, and adds it when it differs.
func (m *marching) access(out []failure, address int64, pass int) []failure {
	wrote := m.datum(address, pass)
	read := wrote
	for i := range m.faults {
		read = m.spoil(&m.faults[i], address, pass, read)
	}
	if read == wrote {
		return out
	}
	return append(out, failure{address, wrote, read})
}

func (m *marching) datum(address int64, pass int) uint32 {
	if m.stripe {
		return 0x55555555 << (pass & 1)
	}
	x := uint64(address/4)*0x9E3779B97F4A7C15 + 0x1234567
	x = (x ^ x>>30) * 0xBF58476D1CE4E5B9
	x ^= x >> 31
	if pass&1 == 1 {
		x = ^x
	}
	return uint32(x)
}

// spoil is what a fault makes of the word that is read.
func (m *marching) spoil(f *memoryFault, address int64, pass int, word uint32) uint32 {
	bank, within := address/m.bank(), address%m.bank()
	if int(bank) != f.Bank {
		return word
	}
	if f.Kind == memory.AddressLine {
		step := m.beat() << f.AddressLine
		if within/step&1 == 1 || within+step >= m.bank() {
			return word
		}
		return m.ofChip(f, within, word, m.datum(address+step, pass))
	}
	if f.Kind == memory.BankLost {
		return m.always(f.Amount)
	}
	if f.Kind == memory.ChipDead {
		return m.ofChip(f, within, word, m.always(f.Amount))
	}
	out := word
	for i := range 32 {
		chip, line := m.place(within, i)
		if chip != f.Chip {
			continue
		}
		bit := word >> i & 1
		switch f.Kind {
		case memory.LineStuck0, memory.LineStuck1:
			if line == f.Line {
				bit = 0
				if f.Kind == memory.LineStuck1 {
					bit = 1
				}
			}
		case memory.LineOpen:
			if line == f.Line {
				bit = m.d.Uint32() & 1
			}
		case memory.LinesShorted, memory.LinesSwapped:
			bit = m.paired(f, word, i, line, bit)
		case memory.ChipWeak:
			if m.d.chance(f.Rate) {
				bit ^= 1
			}
		case memory.IsolatedCells:
			for _, c := range f.cells {
				if c.line == line && c.word == within/m.beat() {
					bit = uint32(c.is)
				}
			}
		}
		out = out&^(1<<i) | bit<<i
	}
	return out
}

// paired is what one of two lines shows that touch or were exchanged.
func (m *marching) paired(f *memoryFault, word uint32, i, line int, bit uint32) uint32 {
	other := f.Line2 - f.Line
	switch line {
	case f.Line:
	case f.Line2:
		other = -other
	default:
		return bit
	}
	if i+other < 0 || i+other > 31 {
		return bit // in another word of the bus
	}
	partner := word >> (i + other) & 1
	switch {
	case f.Kind == memory.LinesSwapped:
		return partner
	case f.Wired == simulate.WiredOr:
		return bit | partner
	}
	return bit & partner
}

// ofChip takes the bits of the fault's chip from another word; of all chips where
// the fault names none.
func (m *marching) ofChip(f *memoryFault, within int64, word, from uint32) uint32 {
	for i := range 32 {
		if chip, _ := m.place(within, i); f.Chip < 0 || chip == f.Chip {
			word = word&^(1<<i) | from&(1<<i)
		}
	}
	return word
}

func (m *marching) always(level int) uint32 { return uint32(-(level & 1)) }

// place is the chip and its data line that a bit of a word sits on.
func (m *marching) place(within int64, bit int) (chip, line int) {
	lane := int(within%m.beat())*8 + bit
	lane %= m.pool.BusBits
	return lane / m.pool.ChipBits, lane % m.pool.ChipBits
}

// listed writes a list of failing addresses in one of the ways in which memory
// tests write them.
func listed(rows []failure, tested float64, d dice) []byte {
	var b strings.Builder
	switch d.IntN(3) {
	case 0:
		b.WriteString("address,written,read\n")
		for _, r := range rows {
			fmt.Fprintf(&b, "0x%08X,0x%08X,0x%08X\n", r.address, r.written, r.read)
		}
	case 1:
		fmt.Fprintf(&b, "# memory test, %.0f bytes, %d errors\naddress;expected;actual\n", tested, len(rows))
		for _, r := range rows {
			fmt.Fprintf(&b, "%08x;%08x;%08x\n", r.address, r.written, r.read)
		}
	default:
		fmt.Fprintf(&b, "# %.0f bytes tested\naddress  written  read\n", tested)
		for _, r := range rows {
			fmt.Fprintf(&b, "%08X %08X %08X\n", r.address, r.written, r.read)
		}
	}
	return []byte(b.String())
}
