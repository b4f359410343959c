package memory

import (
	"math/bits"
	"slices"
	"strings"

	"proveout/plans/fact"
)

// An address-as-data test writes to every word its own address. What comes
// back from the wrong place then tells which place that is: the value read,
// compared with the value written, is a difference of addresses. So such a
// test shows address lines better than any other, but data lines worse: many
// of them carry the same bit in every row, and a data line that is wrong by
// the bit of an address line looks as if that address line were at fault.

// An alias is one failing row of such a test: the byte address bits by which
// the place that was read differs from the place that was meant.
type alias struct {
	delta uint64
	lane0 int // which word of the beat
	bank  int
}

// aliases reads the sampled rows as an address-as-data test. It returns nil
// unless nearly all rows carry their own address as data: as it is, inverted,
// or counted in words of 2, 4 or 8 bytes or in beats of the bus.
func (d *diagnosis) aliases(views ...*chipView) []alias {
	beat := bits.TrailingZeros64(uint64(d.f.org.BeatBytes()))
	best, total := []alias(nil), 0
	for _, v := range views {
		total += len(v.log.sample)
	}
	for _, shift := range []int{0, 1, 2, 3, beat} {
		for _, invert := range []uint64{0, ^uint64(0)} {
			var got []alias
			for _, v := range views {
				for i := range v.log.sample {
					row := &v.log.sample[i]
					mask := ones(int(row.width))
					// A byte is too short to tell an address from any other data.
					if row.width < 16 || (row.written^invert)&mask != uint64(row.address)>>uint(shift)&mask {
						continue
					}
					got = append(got, alias{(row.written ^ row.read) << uint(shift), int(row.lane0), v.bank})
				}
			}
			if len(got) > len(best) {
				best = got
			}
		}
	}
	if len(best) < 8 || float64(len(best)) < 0.95*float64(total) {
		return nil
	}
	return best
}

// aliasBits returns the address bits by which the rows differ, when there are
// one or two of them and at most two different patterns: one address line, or
// two shorted together.
func aliasBits(rows []alias) ([]int, bool) {
	var union uint64
	seen := map[uint64]bool{}
	for _, a := range rows {
		union |= a.delta
		seen[a.delta] = true
		if len(seen) > 2 {
			return nil, false
		}
	}
	if union == 0 || bits.OnesCount64(union) > 2 {
		return nil, false
	}
	var at []int
	for rest := union; rest != 0; rest &= rest - 1 {
		at = append(at, bits.TrailingZeros64(rest))
	}
	return at, true
}

// addressShort is the mark of two shorted address lines that no fault of data
// lines leaves: some places are displaced by one line, others by both.
func addressShort(rows []alias) bool {
	one, two := false, false
	for _, a := range rows {
		one = one || bits.OnesCount64(a.delta) == 1
		two = two || bits.OnesCount64(a.delta) == 2
	}
	return one && two
}

// alike reports whether every word of the beat, in every bank that failed, is
// displaced in the same ways. Two data lines at fault in different words are
// not.
func alike(rows []alias) bool {
	type place struct{ lane0, bank int }
	ways := map[place]map[uint64]bool{}
	all := map[uint64]bool{}
	for _, a := range rows {
		p := place{a.lane0, a.bank}
		if ways[p] == nil {
			ways[p] = map[uint64]bool{}
		}
		ways[p][a.delta], all[a.delta] = true, true
	}
	for _, w := range ways {
		if len(w) != len(all) {
			return false
		}
	}
	return true
}

// powerOfTwo returns log2 of n when n is a power of two: only then do the bits
// of a byte address divide into those within a beat, those of the word and
// those of the bank.
func powerOfTwo(n int64) (shift int, ok bool) {
	return bits.TrailingZeros64(uint64(n)), n > 0 && n&(n-1) == 0
}

// addressAsData explains a list that holds nothing but an address-as-data
// test in which several words of a beat returned the contents of another
// place: there the data lines cannot be the cause, since each word has its
// own.
func (d *diagnosis) addressAsData() bool {
	rows := d.aliases(d.views...)
	if rows == nil {
		return false
	}
	words, banks := map[int]bool{}, map[int]bool{}
	for _, a := range rows {
		words[a.lane0], banks[a.bank] = true, true
	}
	at, ok := aliasBits(rows)
	if !ok || !alike(rows) || len(words) < 2 && !addressShort(rows) {
		return false
	}
	bank := -1
	switch len(banks) {
	case 1:
		bank = rows[0].bank
	case len(d.f.org.Banks):
	default:
		return false
	}
	fd, ok := d.aliasFinding(at, bank)
	if !ok {
		return false
	}
	fd.Confidence = confidence(d.f.report.Rows, 0.95)
	for _, v := range d.views {
		d.done[v] = true
	}
	d.found = append(d.found, weighed{fd, d.f.report.Rows})
	return true
}

// aliasFinding names the line or the bank that byte-address bits stand for;
// bank -1 is every bank.
func (d *diagnosis) aliasFinding(byteBits []int, bank int) (Fault, bool) {
	beat, regular := powerOfTwo(d.f.org.BeatBytes())
	if !regular {
		return Fault{}, false
	}
	lines := d.f.org.AddressLines()
	who, designators := fact.New("memory.chips-of-every-bank"), ""
	if bank >= 0 {
		who = fact.New("memory.chips-of-bank", "bank", bank)
		designators = strings.Join(d.f.org.Banks[bank].Designators, ", ")
	}
	var wordBits []int
	for _, b := range byteBits {
		wordBits = append(wordBits, b-beat)
	}
	low, high := wordBits[0], wordBits[len(wordBits)-1]
	line := addressLine(low)
	fd := finding(AddressLine, 0, fact.Fact{}, fact.New("memory.look-common-address"),
		fact.New("memory.returned-another-place"))
	fd.Bank, fd.Chip, fd.Designator = bank, -1, designators
	_, regularBanks := powerOfTwo(d.f.org.BankBytes())
	switch {
	case low < 0:
		return fd, false
	case low == high && high < lines:
		fd.AddressLine = low
		fd.Where = fact.New("memory.address-line-stuck", "line", line, "who", who)
	case high < lines:
		fd.AddressLine, fd.AddressLines = low, slices.Clone(wordBits)
		fd.Where = fact.New("memory.address-lines", "line", line, "other", addressLine(high), "who", who)
	case low == high && regularBanks && len(d.f.org.Banks) > 1 && bank >= 0:
		fd.Kind = BankLost
		fd.Where = fact.New("memory.bank-aliased", "bank", bank, "chips", designators)
		fd.Advice = fact.New("memory.look-select")
	default:
		return fd, false
	}
	return fd, true
}

// quietPartner looks for the line that pulls a failing line along in an
// address-as-data test: a line of the same chip that carries an address bit and
// always had the opposite value where the line failed. It is quiet because it
// wins: its own value always comes back right. It reports false unless there
// is exactly one.
func (d *diagnosis) quietPartner(v *chipView, line int) (partner int, ok bool) {
	beat, regular := powerOfTwo(d.f.org.BeatBytes())
	if !regular || d.aliases(v) == nil {
		return 0, false
	}
	first := &v.log.sample[0]
	shift := 0
	for shift < 8 && first.written != uint64(first.address)>>uint(shift)&ones(int(first.width)) {
		shift++
	}
	opposite := uint32(ones(v.org.ChipBits))
	for i := range v.log.sample {
		row := &v.log.sample[i]
		own := -(row.wrote >> uint(line) & 1)
		opposite &= (row.wrote ^ own) & row.covered
	}
	partners := 0
	for other := range v.org.ChipBits {
		wordBit := v.chip*v.org.ChipBits + other - int(first.lane0) + shift - beat
		if opposite>>uint(other)&1 == 1 && other != line && wordBit >= 0 && wordBit < v.org.AddressLines() {
			partner = other
			partners++
		}
	}
	return partner, partners == 1 && len(v.words) >= minShapeWords
}

// gappy reports, for a line that carries a constant bit in an address-as-data
// test, whether an upward sweep found it right at many addresses: a stuck line
// fails at every one of them, an open one at some.
func (d *diagnosis) gappy(v *chipView, line int) bool {
	steps := v.log.next + v.log.skipped
	if steps < 50 || steps*2 < v.log.rows || v.log.skipped*5 < steps || d.aliases(v) == nil {
		return false
	}
	first := &v.log.sample[0]
	for i := range v.log.sample {
		if (v.log.sample[i].wrote^first.wrote)>>uint(line)&1 != 0 {
			return false
		}
	}
	// It must not carry a bit of the address, as far as the data are the byte
	// address itself: the bits below are those within a word, always 0.
	bit := v.chip*v.org.ChipBits + line - int(first.lane0)
	lowest, end := bits.TrailingZeros32(uint32(first.width/8)), bits.Len64(uint64(d.f.org.Bytes()-1))
	return bit < lowest || bit >= end
}

// addressAlternative adds the other reading of a data-line finding that rests
// on an address-as-data test alone: an address line that aliases two places
// gives the same rows when the failing data bit carries that address bit.
func (d *diagnosis) addressAlternative(v *chipView) {
	rows := d.aliases(v)
	if rows == nil {
		return
	}
	at, ok := aliasBits(rows)
	if !ok {
		return
	}
	fd, ok := d.aliasFinding(at, v.bank)
	if !ok {
		return
	}
	fd.Alternative = true
	fd.Confidence = 0.35
	fd.Evidence = append(fd.Evidence, fact.New("memory.vary-the-data"))
	if fd.Kind == AddressLine {
		fd.Where = fact.New("memory.or-one-pin", "where", fd.Where, "chip", v.name())
	}
	d.found = append(d.found, weighed{fd, v.log.rows - 1})
}
