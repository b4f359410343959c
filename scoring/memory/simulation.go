package memory

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
)

// A Fault is a defect put into a [Simulation].
type Fault struct {
	Kind  Kind
	Bank  int   // -1: every bank
	Chip  int   // lane order; -1: every chip of the bank
	Lines []int // data lines of the chip; two for shorted and swapped lines

	AddressLine int  // word-address line
	OtherLine   int  // second address line for a short; -1: AddressLine is stuck
	High        bool // stuck at 1, shorted as wired-or; otherwise stuck at 0, wired-and

	Returns byte    // what a dead chip or a lost bank returns, 0x00 or 0xff
	Noise   bool    // a dead chip or a lost bank returns noise instead
	Rate    float64 // error probability of a bit of a weak chip, a bad row or column; 0 means 0.5
	Words   []int64 // words of isolated bad cells; the first word of a bad row or column
	Block   int64   // words of a row, or columns of a row: a power of two
}

// A Simulation is a memory with faults: what is written through it comes back
// as the faulty card would return it. Line faults act when the memory is read,
// because a driven line wins on the way in and the reader sees the result.
type Simulation struct {
	org    Organisation
	faults []Fault
	cells  []byte // by bank, word, lane: the fault-free order
	rng    *rand.Rand
}

// maxSimulated bounds the memory that a simulation allocates.
const maxSimulated = 1 << 30

// NewSimulation returns a memory filled with zeros. The same seed gives the
// same noise.
func NewSimulation(org Organisation, faults []Fault, seed uint64) (*Simulation, error) {
	if err := org.Check(); err != nil {
		return nil, err
	}
	if org.Bytes() > maxSimulated {
		return nil, fmt.Errorf("memory of %s is more than the simulation takes (%s)", Size(org.Bytes()), Size(maxSimulated))
	}
	var errs []error
	for i, f := range faults {
		if err := f.check(org); err != nil {
			errs = append(errs, fmt.Errorf("fault %d (%s): %w", i+1, f.Kind, err))
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return &Simulation{org: org, faults: slices.Clone(faults), cells: make([]byte, org.Bytes()), rng: rand.New(rand.NewPCG(seed, 1))}, nil
}

func (f Fault) check(org Organisation) error {
	lines := map[Kind]int{LineStuck0: 1, LineStuck1: 1, LineOpen: 1, LinesShorted: 2, LinesSwapped: 2}
	switch {
	case f.Bank < -1 || f.Bank >= len(org.Banks):
		return fmt.Errorf("no bank %d", f.Bank)
	case f.Chip < -1 || f.Chip >= org.ChipsPerBank():
		return fmt.Errorf("no chip %d", f.Chip)
	case lines[f.Kind] > 0 && len(f.Lines) != lines[f.Kind]:
		return fmt.Errorf("%d lines given, want %d", len(f.Lines), lines[f.Kind])
	case f.Rate < 0 || f.Rate > 1:
		return fmt.Errorf("rate %g is not between 0 and 1", f.Rate)
	}
	for _, l := range f.Lines {
		if l < 0 || l >= org.ChipBits {
			return fmt.Errorf("no line D%d", l)
		}
	}
	switch f.Kind {
	case LineStuck0, LineStuck1, LineOpen, LinesShorted, LinesSwapped, ChipDead, ChipWeak, BankLost, IsolatedCells:
	case AddressLine:
		if n := org.AddressLines(); f.AddressLine < 0 || f.AddressLine >= n || f.OtherLine < -1 || f.OtherLine >= n || f.OtherLine == f.AddressLine {
			return fmt.Errorf("no address lines A%d, A%d", f.AddressLine, f.OtherLine)
		}
	case ChipRow, ChipColumn:
		if len(f.Words) == 0 || f.Block <= 0 || f.Block&(f.Block-1) != 0 {
			return errors.New("a row or column needs its first word and a block that is a power of two")
		}
	default:
		return errors.New("no such fault of a memory")
	}
	return nil
}

func (f Fault) hits(bank, chip int) bool {
	return (f.Bank < 0 || f.Bank == bank) && (f.Chip < 0 || f.Chip == chip || f.Kind == BankLost)
}

// landing is the word that a chip reaches when word is meant.
func (s *Simulation) landing(bank, chip int, word int64) int64 {
	for _, f := range s.faults {
		if f.Kind != AddressLine || !f.hits(bank, chip) {
			continue
		}
		a := word >> uint(f.AddressLine) & 1
		v := int64(0)
		if f.High {
			v = 1
		}
		if f.OtherLine >= 0 {
			b := word >> uint(f.OtherLine) & 1
			v = a & b
			if f.High {
				v = a | b
			}
			word = word&^(1<<uint(f.OtherLine)) | v<<uint(f.OtherLine)
		}
		word = word&^(1<<uint(f.AddressLine)) | v<<uint(f.AddressLine)
		word = min(word, s.org.Words-1) // a depth that is no power of two
	}
	return word
}

// Write stores p at addr. Bytes outside the memory are dropped.
func (s *Simulation) Write(addr int64, p []byte) {
	s.each(addr, len(p), func(i int, bank, lane int, word int64) {
		for half := 0; half < 8; half += min(8, s.org.ChipBits) {
			at, mask := s.cell(bank, lane+half, word)
			s.cells[at] = s.cells[at]&^mask | p[i]&mask
		}
	})
}

// Read returns in p what the card shows at addr. Bytes outside the memory read
// as 0xff.
func (s *Simulation) Read(addr int64, p []byte) {
	for i := range p {
		p[i] = 0xff
	}
	s.each(addr, len(p), func(i int, bank, lane int, word int64) { p[i] = s.readByte(bank, lane, word) })
}

// each walks the bytes that lie inside the memory.
func (s *Simulation) each(addr int64, n int, visit func(i, bank, lane int, word int64)) {
	beat, size := s.org.BeatBytes(), s.org.BankBytes()
	for i := range n {
		a := addr + int64(i)
		if a < 0 || a >= int64(len(s.cells)) {
			continue
		}
		in := a % size
		visit(i, int(a/size), int(in%beat)*8, in/beat)
	}
}

// cell returns the byte and the bits of it that hold lane (and the lanes
// beside it on the same chip and byte).
func (s *Simulation) cell(bank, lane int, word int64) (at int64, mask byte) {
	chip := lane / s.org.ChipBits
	w := s.landing(bank, chip, word)
	at = (int64(bank)*s.org.Words+w)*s.org.BeatBytes() + int64(lane/8)
	if s.org.ChipBits == 4 {
		return at, 0x0f << uint(lane%8)
	}
	return at, 0xff
}

// stored returns one bit as the array holds it.
func (s *Simulation) stored(bank, lane int, word int64) byte {
	at, _ := s.cell(bank, lane, word)
	return s.cells[at] >> uint(lane%8) & 1
}

func (s *Simulation) readByte(bank, lane int, word int64) byte {
	var out byte
	for half := 0; half < 8; half += min(8, s.org.ChipBits) {
		at, mask := s.cell(bank, lane+half, word)
		out |= s.cells[at] & mask
	}
	for i := range s.faults {
		f := &s.faults[i]
		for half := 0; half < 8; half += min(8, s.org.ChipBits) {
			chip := (lane + half) / s.org.ChipBits
			if f.hits(bank, chip) {
				out = s.spoil(f, out, bank, chip, lane, half, word)
			}
		}
	}
	return out
}

// spoil applies one fault to the bits of one chip within a byte.
func (s *Simulation) spoil(f *Fault, out byte, bank, chip, lane, half int, word int64) byte {
	width := min(8, s.org.ChipBits)
	mask := byte(1<<uint(width)-1) << uint(half)
	first := lane + half - chip*s.org.ChipBits // the chip's line at the low end of mask
	set := func(line int, bit byte) {
		if k := line - first; k >= 0 && k < width {
			out = out&^(1<<uint(half+k)) | bit<<uint(half+k)
		}
	}
	bit := func(line int) byte { return s.stored(bank, chip*s.org.ChipBits+line, word) }
	switch f.Kind {
	case LineStuck0:
		set(f.Lines[0], 0)
	case LineStuck1:
		set(f.Lines[0], 1)
	case LineOpen:
		set(f.Lines[0], byte(s.rng.Uint64()&1))
	case LinesShorted:
		v := bit(f.Lines[0]) & bit(f.Lines[1])
		if f.High {
			v = bit(f.Lines[0]) | bit(f.Lines[1])
		}
		set(f.Lines[0], v)
		set(f.Lines[1], v)
	case LinesSwapped:
		a, b := bit(f.Lines[0]), bit(f.Lines[1])
		set(f.Lines[0], b)
		set(f.Lines[1], a)
	case ChipDead, BankLost:
		v := f.Returns
		if f.Noise {
			v = byte(s.rng.Uint64())
		}
		out = out&^mask | v&mask
	case ChipWeak:
		out ^= s.flips(f, mask)
	case IsolatedCells:
		if slices.Contains(f.Words, word) {
			out ^= mask & f.lineMask(first, half, width)
		}
	case ChipRow:
		if word&^(f.Block-1) == f.Words[0]&^(f.Block-1) {
			out ^= s.flips(f, mask)
		}
	case ChipColumn:
		if word&(f.Block-1) == f.Words[0]&(f.Block-1) {
			out ^= s.flips(f, mask&f.lineMask(first, half, width))
		}
	}
	return out
}

// lineMask selects the fault's lines within a byte; all of them when it names
// none.
func (f *Fault) lineMask(first, half, width int) byte {
	if len(f.Lines) == 0 {
		return 0xff
	}
	var m byte
	for _, l := range f.Lines {
		if k := l - first; k >= 0 && k < width {
			m |= 1 << uint(half+k)
		}
	}
	return m
}

// flips draws the bits that go wrong.
func (s *Simulation) flips(f *Fault, mask byte) byte {
	rate := f.Rate
	if rate == 0 {
		rate = 0.5
	}
	var m byte
	for b := byte(1); b != 0; b <<= 1 {
		if mask&b != 0 && s.rng.Float64() < rate {
			m |= b
		}
	}
	return m
}
