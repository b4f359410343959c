package memory

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"
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
	org               Organisation
	beat, bank, total int64      // bytes of a beat, a bank, the memory: asked for with every row
	chips             []*chipLog // bank by bank, in lane order; nil until the chip fails
	report            FaultReport

	whole     []wholeRow // a sample of the rows, across chips
	pieces    int64      // rows that it was drawn from
	order     sequence   // of all of them
	askew     int64      // rows whose address is no multiple of their width
	sampleCap int        // rows kept of a chip
	random    *rand.Rand

	patterns   []string
	time, heat span // of all rows; in s and °C
}

// A span holds the values that were seen, from the least to the largest.
type span struct {
	low, high float64
	seen      bool
}

// take takes in a value. One that is not known, or absurd, comes back as NaN.
func (s *span) take(x float64) float64 {
	switch {
	case !(math.Abs(x) < 1e15):
		return math.NaN()
	case !s.seen:
		*s = span{low: x, high: x, seen: true}
	default:
		s.low, s.high = min(s.low, x), max(s.high, x)
	}
	return x
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
	width         int32
	lane0         int32 // lane of the row's bit 0 on the bus
	seconds       float64
	celsius       float64

	// The chip's own data lines, D0 lowest: written, read, covered by the row.
	wrote, got, covered uint32
}

// A chipLog is what is kept of one chip.
type chipLog struct {
	rows      int64
	to1       [32]int64 // by data line: written 0, read 1
	to0       [32]int64 // by data line: written 1, read 0
	lastWord  int64
	next      int64 // rows one word after the row before
	skipped   int64 // rows two to eight words after it
	sample    []sampleRow
	byPattern [maxPatterns]int64
}

// NewFailures returns an empty collection for a memory that [Organisation.Check]
// finds nothing wrong with.
func NewFailures(org Organisation) *Failures {
	chips := len(org.Banks) * org.ChipsPerBank()
	return &Failures{
		org:       org,
		beat:      org.BeatBytes(),
		bank:      org.BankBytes(),
		total:     org.Bytes(),
		chips:     make([]*chipLog, chips),
		sampleCap: min(maxSampleRows, max(minSampleRows, sampleBudget/sampleRowSize/chips)),
		random:    rand.New(rand.NewPCG(1, 1)), // the same list gives the same answer
	}
}

// ones is a mask of n bits.
func ones(n int) uint64 {
	if n >= 64 {
		return math.MaxUint64
	}
	return 1<<uint(n) - 1
}

// Add takes in one row. It never fails: rows that cannot belong to the memory
// are counted and set aside.
func (f *Failures) Add(row *Failure) {
	width := row.Bits
	if width <= 0 || width > 64 || width%8 != 0 || row.Address < 0 || row.Address > f.total-int64(width/8) {
		f.report.Outside++
		return
	}
	written, read := row.Written&ones(width), row.Read&ones(width)
	if written == read {
		f.report.Agreeing++
		return
	}
	f.report.Rows++
	when := circumstances{f.time.take(row.Seconds), f.heat.take(row.Celsius), f.pattern(row.PatternName)}
	address := row.Address
	if address%int64(width/8) != 0 {
		f.askew++
	}
	for { // a value wider than what is left of the beat goes on in the next one
		inBeat := address % f.beat
		piece := min(width, int(f.beat-inBeat)*8)
		f.addPiece(when, address, int(inBeat)*8, written&ones(piece), read&ones(piece), piece)
		if piece >= width {
			return
		}
		width -= piece
		address += int64(piece / 8)
		written >>= uint(piece)
		read >>= uint(piece)
	}
}

// circumstances are what a row says beside its values: NaN, and a pattern of
// -1, where it does not say.
type circumstances struct {
	seconds, celsius float64
	pattern          int
}

// addPiece takes in the part of a row that lies within one beat of the bus,
// from lane0 up, and shares it out to the chips that failed in it.
func (f *Failures) addPiece(when circumstances, address int64, lane0 int, written, read uint64, width int) {
	bank, word := int(address/f.bank), address%f.bank/f.beat
	f.keepWhole(wholeRow{bank, word, lane0, width, address, written, written ^ read})
	mask := ones(f.org.ChipBits)
	for wrong := written ^ read; wrong != 0; {
		chip := (lane0 + bits.TrailingZeros64(wrong)) / f.org.ChipBits
		d0 := chip*f.org.ChipBits - lane0 // bit of the row that is the chip's D0; below 0 for a row that begins later
		wrong &^= shift(mask, -d0)
		row := sampleRow{
			address: address, word: word, written: written, read: read,
			width: int32(width), lane0: int32(lane0),
			seconds: when.seconds, celsius: when.celsius,
			wrote:   uint32(shift(written, d0) & mask),
			got:     uint32(shift(read, d0) & mask),
			covered: uint32(shift(ones(width), d0) & mask),
		}
		index := bank*len(f.org.Banks[bank].Designators) + chip
		if f.chips[index] == nil {
			f.chips[index] = &chipLog{}
		}
		log := f.chips[index]
		log.count(&row)
		if when.pattern >= 0 {
			log.byPattern[when.pattern]++
		}
		f.keep(log, &row)
	}
}

// shift moves bits down by n, up when n is negative.
func shift(v uint64, n int) uint64 {
	if n < 0 {
		return v << uint(-n)
	}
	return v >> uint(n)
}

// count adds a row to the counts of its data lines and of the steps from word
// to word.
func (c *chipLog) count(row *sampleRow) {
	c.rows++
	if step := row.word - c.lastWord; step == 1 {
		c.next++
	} else if step > 1 && step <= 8 {
		c.skipped++
	}
	c.lastWord = row.word
	for wrong := row.wrote ^ row.got; wrong != 0; wrong &= wrong - 1 {
		line := bits.TrailingZeros32(wrong)
		if row.wrote>>uint(line)&1 == 1 {
			c.to0[line&31]++
		} else {
			c.to1[line&31]++
		}
	}
}

// keep puts a row into the chip's sample, in which every row of the chip has
// the same chance to end up (J. S. Vitter, "Random sampling with a reservoir",
// ACM TOMS 11(1), 1985, algorithm R).
func (f *Failures) keep(c *chipLog, row *sampleRow) {
	if len(c.sample) < f.sampleCap {
		c.sample = append(c.sample, *row)
		return
	}
	if at := f.random.Int64N(c.rows); at < int64(f.sampleCap) {
		c.sample[at] = *row
	}
}

// A sequence is how the addresses of rows follow each other.
type sequence struct {
	rows, next, beats int64 // all; at the next access or beat of the bus; at the next beat
	wraps             int64 // back: passes of a test
	last              int64
}

func (q *sequence) take(row *wholeRow, beat int64) {
	if q.rows++; q.rows > 1 {
		switch step := row.address - q.last; {
		case step < 0:
			q.wraps++
		case step == beat:
			q.beats++
			q.next++
		case step == int64(row.width/8):
			q.next++
		}
	}
	q.last = row.address
}

// maxWhole bounds the rows sampled across chips.
const maxWhole = 256

// keepWhole puts a row into the sample across chips, as [Failures.keep] does.
func (f *Failures) keepWhole(row wholeRow) {
	if row.wrong == 0 {
		return
	}
	f.order.take(&row, f.beat)
	f.pieces++
	if len(f.whole) < maxWhole {
		f.whole = append(f.whole, row)
	} else if at := f.random.Int64N(f.pieces); at < maxWhole {
		f.whole[at] = row
	}
}

// pattern returns the number of a pattern name, -1 for none or too many.
func (f *Failures) pattern(name string) int {
	if name == "" {
		return -1
	}
	at := slices.Index(f.patterns, name)
	if at < 0 {
		if len(f.patterns) == maxPatterns {
			return -1
		}
		at = len(f.patterns)
		f.patterns = append(f.patterns, name)
	}
	return at
}
