package memory

import (
	"fmt"
	"math"
	"math/bits"
)

// A Failure is one row of a memory test: what was written, what came back.
type Failure struct {
	Address     int64   // byte address within the memory, from 0
	Written     uint64  // value written; byte 0 (the low byte) at Address
	Read        uint64  // value read back
	Bits        int     // width of the value: 8, 16, 32 or 64
	Seconds     float64 // time since any fixed instant; NaN when not logged
	Celsius     float64 // temperature at that time; NaN when not logged
	PatternName string  // name of the test's data pattern; empty when not logged
}

// Failures collects the failing rows of a memory test in bounded memory: exact
// counts for every data line of every chip, and a uniform sample of each
// chip's rows. It is not safe for concurrent use.
type Failures struct {
	org   Organisation
	shape laneShape
	chips []*chipLog // bank-major; nil until the chip fails

	rows      int64 // rows that differ and lie inside the memory
	agreeing  int64 // rows whose read value equals the written one
	outside   int64 // rows outside the memory or of impossible width
	sampleCap int
	random    uint64

	patterns    []string
	lastPattern int
	time, heat  axis
	timeBins    bins           // all chips together
	warmth      [axisBins]mean // of the temperature in each bin of time
	warmthBins  int            // doublings of the time axis that warmth has followed
}

// laneShape holds the divisions of an organisation, as shifts where they are
// powers of two: a division a row is most of the cost of a row.
type laneShape struct {
	beatBytes, bankBytes int64
	beatShift, bankShift int // -1: not a power of two
	chipBits, perBank    int
	chipShift            uint
	chipMask             uint64
	total                int64
}

const (
	// maxSampleRows bounds the rows sampled for one chip, sampleBudget the
	// bytes of all samples together.
	maxSampleRows = 4096
	minSampleRows = 128
	sampleBudget  = 16 << 20
	sampleRowSize = 72
	maxPatterns   = 64
)

// A sampleRow is one sampled failing row of one chip.
type sampleRow struct {
	address       int64
	word          int64 // word address inside the chip
	written, read uint64
	bits          int32
	lane0         int32 // lane of the row's bit 0 on the bus
	seconds       float64
	cw, cr, cover uint32 // the chip's own lines: written, read, covered by the row
}

// A chipLog is what is kept of one chip.
type chipLog struct {
	rows      int64
	to1       [32]int64 // written 0, read 1
	to0       [32]int64 // written 1, read 0
	lastWord  int64
	next      int64 // rows one word after the row before
	skipped   int64 // rows two to eight words after it
	sample    []sampleRow
	timeBins  bins
	heatBins  bins
	byPattern [maxPatterns]int64
}

// NewFailures returns an empty collection for a memory, or what makes the
// organisation impossible.
func NewFailures(org Organisation) (*Failures, error) {
	if err := org.Check(); err != nil {
		return nil, fmt.Errorf("memory organisation: %w", err)
	}
	n := len(org.Banks) * org.ChipsPerBank()
	f := &Failures{org: org, chips: make([]*chipLog, n), random: 0x9e3779b97f4a7c15}
	f.sampleCap = min(maxSampleRows, max(minSampleRows, sampleBudget/sampleRowSize/n))
	f.shape = laneShape{
		beatBytes: org.BeatBytes(), bankBytes: org.BankBytes(),
		beatShift: shiftOf(org.BeatBytes()), bankShift: shiftOf(org.BankBytes()),
		chipBits: org.ChipBits, perBank: org.ChipsPerBank(),
		chipShift: uint(shiftOf(int64(org.ChipBits))), chipMask: ones(org.ChipBits),
		total: org.Bytes(),
	}
	return f, nil
}

// shiftOf returns log2 of a power of two, and -1 for anything else.
func shiftOf(n int64) int {
	if n <= 0 || n&(n-1) != 0 {
		return -1
	}
	return bits.TrailingZeros64(uint64(n))
}

func ones(n int) uint64 {
	if n >= 64 {
		return math.MaxUint64
	}
	return 1<<uint(n) - 1
}

// Rows returns how many failing rows were taken in, how many rows agreed
// (written and read equal: no failure), and how many were set aside because
// they lie outside the memory or have an impossible width.
func (f *Failures) Rows() (failing, agreeing, outside int64) {
	return f.rows, f.agreeing, f.outside
}

// Add takes in one row. It never fails: rows that cannot belong to the memory
// are counted and set aside.
func (f *Failures) Add(row *Failure) {
	width := row.Bits
	if width <= 0 || width > 64 || width%8 != 0 || row.Address < 0 || row.Address > f.shape.total-int64(width/8) {
		f.outside++
		return
	}
	m := ones(width)
	written, read := row.Written&m, row.Read&m
	if written == read {
		f.agreeing++
		return
	}
	f.rows++
	when := f.circumstances(row)
	addr := row.Address
	for {
		inBeat := f.inBeat(addr)
		piece := min(width, int(f.shape.beatBytes-inBeat)*8)
		f.addPiece(when, addr, inBeat, written&ones(piece), read&ones(piece), piece)
		if piece >= width {
			return
		}
		width -= piece
		addr += int64(piece / 8)
		written >>= uint(piece)
		read >>= uint(piece)
	}
}

// circumstances are what a row says beside its values, as bins; -1 when it
// does not say.
type circumstances struct {
	seconds             float64
	pattern, time, heat int
}

type mean struct {
	sum float64
	n   int64
}

func (f *Failures) circumstances(row *Failure) circumstances {
	w := circumstances{seconds: row.Seconds, pattern: f.pattern(row.PatternName),
		time: f.time.bin(row.Seconds), heat: f.heat.bin(row.Celsius)}
	if w.time >= 0 {
		f.timeBins.add(&f.time, w.time)
		if w.heat >= 0 {
			if f.warmthBins < len(f.time.widened) {
				f.followWarmth()
			}
			m := &f.warmth[w.time]
			m.sum += row.Celsius
			m.n++
		}
	}
	return w
}

func (f *Failures) followWarmth() {
	for ; f.warmthBins < len(f.time.widened); f.warmthBins++ {
		var wide [axisBins]mean
		shift := 0
		if f.time.widened[f.warmthBins] {
			shift = axisBins / 2
		}
		for i, m := range f.warmth {
			wide[i/2+shift].sum += m.sum
			wide[i/2+shift].n += m.n
		}
		f.warmth = wide
	}
}

func (f *Failures) inBeat(addr int64) int64 {
	if f.shape.beatShift >= 0 {
		return addr & (f.shape.beatBytes - 1)
	}
	return addr % f.shape.beatBytes
}

// place splits a byte address into bank and word of a chip.
func (s *laneShape) place(addr int64) (bank int, word int64) {
	if s.bankShift >= 0 {
		bank, addr = int(addr>>uint(s.bankShift)), addr&(s.bankBytes-1)
	} else {
		bank, addr = int(addr/s.bankBytes), addr%s.bankBytes
	}
	if s.beatShift >= 0 {
		return bank, addr >> uint(s.beatShift)
	}
	return bank, addr / s.beatBytes
}

// addPiece takes in the part of a row that lies within one beat of the bus.
func (f *Failures) addPiece(when circumstances, addr, inBeat int64, written, read uint64, width int) {
	s := &f.shape
	bank, word := s.place(addr)
	lane0 := int(inBeat) * 8
	whole := ones(width)
	for diff := written ^ read; diff != 0; {
		lane := lane0 + bits.TrailingZeros64(diff)
		chip := lane >> s.chipShift
		offset := chip<<s.chipShift - lane0 // of the chip's line 0 in the row; negative when it lies before
		var cw, cr, cover uint64
		if offset >= 0 {
			o := uint(offset)
			cw, cr, cover = written>>o&s.chipMask, read>>o&s.chipMask, whole>>o&s.chipMask
			diff &^= s.chipMask << o
		} else {
			o := uint(-offset)
			cw, cr, cover = written<<o&s.chipMask, read<<o&s.chipMask, whole<<o&s.chipMask
			diff &^= s.chipMask >> o
		}
		index := bank*s.perBank + chip
		log := f.chips[index]
		if log == nil {
			log = &chipLog{}
			f.chips[index] = log
		}
		log.count(word, uint32(cw), uint32(cr))
		if when.pattern >= 0 {
			log.byPattern[when.pattern]++
		}
		if when.time >= 0 {
			log.timeBins.add(&f.time, when.time)
		}
		if when.heat >= 0 {
			log.heatBins.add(&f.heat, when.heat)
		}
		if slot := f.slot(log); slot >= 0 {
			log.sample[slot] = sampleRow{address: addr, word: word, written: written, read: read,
				bits: int32(width), seconds: when.seconds, lane0: int32(lane0), cw: uint32(cw), cr: uint32(cr), cover: uint32(cover)}
		}
	}
}

func (c *chipLog) count(word int64, written, read uint32) {
	c.rows++
	if step := word - c.lastWord; step == 1 {
		c.next++
	} else if step > 1 && step <= 8 {
		c.skipped++
	}
	c.lastWord = word
	for d := written ^ read; d != 0; d &= d - 1 {
		line := bits.TrailingZeros32(d)
		if written>>uint(line)&1 == 1 {
			c.to0[line&31]++
		} else {
			c.to1[line&31]++
		}
	}
}

// slot returns where in the chip's sample the row belongs, or -1. Every row of
// the chip has the same chance to end up in the sample (J. S. Vitter, "Random
// sampling with a reservoir", ACM TOMS 11(1), 1985, algorithm R).
func (f *Failures) slot(c *chipLog) int {
	if len(c.sample) < f.sampleCap {
		c.sample = append(c.sample, sampleRow{})
		return len(c.sample) - 1
	}
	f.random ^= f.random << 13
	f.random ^= f.random >> 7
	f.random ^= f.random << 17
	if i, _ := bits.Mul64(f.random, uint64(c.rows)); i < uint64(f.sampleCap) {
		return int(i)
	}
	return -1
}

// pattern returns the number of a pattern name, -1 for none or too many.
func (f *Failures) pattern(name string) int {
	if name == "" {
		return -1
	}
	if f.lastPattern < len(f.patterns) && f.patterns[f.lastPattern] == name {
		return f.lastPattern
	}
	for i, p := range f.patterns {
		if p == name {
			f.lastPattern = i
			return i
		}
	}
	if len(f.patterns) == maxPatterns {
		return -1
	}
	f.patterns = append(f.patterns, name)
	f.lastPattern = len(f.patterns) - 1
	return f.lastPattern
}
