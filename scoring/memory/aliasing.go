package memory

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"
)

// An alias is one failing row of an address-as-data test: the byte address
// bits by which the place that was read differs from the place that was meant.
type alias struct {
	delta uint64
	slot  int // which word of the beat
	bank  int
}

// aliases reads the sampled rows as an address-as-data test. It returns nil
// unless nearly all rows carry their own address as data.
func (d *diagnosis) aliases(views []*chipView) []alias {
	beat := bits.TrailingZeros64(uint64(d.f.shape.beatBytes))
	best, total := []alias(nil), 0
	for _, v := range views {
		total += len(v.log.sample)
	}
	for _, shift := range []int{0, 1, 2, 3, beat} {
		for _, invert := range []uint64{0, ^uint64(0)} {
			var got []alias
			for _, v := range views {
				for i := range v.log.sample {
					r := &v.log.sample[i]
					m := ones(int(r.bits))
					if r.bits < 16 || (r.written^invert)&m != uint64(r.address)>>uint(shift)&m {
						continue
					}
					got = append(got, alias{(r.written ^ r.read) << uint(shift), int(r.lane0), v.bank})
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

// aliasBits returns the address bits by which all rows differ, when there are
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
	var out []int
	for u := union; u != 0; u &= u - 1 {
		out = append(out, bits.TrailingZeros64(u))
	}
	return out, true
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
	type where struct{ slot, bank int }
	ways := map[where]map[uint64]bool{}
	all := map[uint64]bool{}
	for _, a := range rows {
		w := where{a.slot, a.bank}
		if ways[w] == nil {
			ways[w] = map[uint64]bool{}
		}
		ways[w][a.delta], all[a.delta] = true, true
	}
	for _, w := range ways {
		if len(w) != len(all) {
			return false
		}
	}
	return true
}

// addressAsData explains a list that holds nothing but an address-as-data
// test in which several words of a beat returned the contents of another
// place: there the data lines cannot be the cause, since each word has its
// own.
func (d *diagnosis) addressAsData() bool {
	rows := d.aliases(d.views)
	if rows == nil || d.f.shape.beatShift < 0 {
		return false
	}
	slots, banks := map[int]bool{}, map[int]bool{}
	for _, a := range rows {
		slots[a.slot], banks[a.bank] = true, true
	}
	at, ok := aliasBits(rows)
	if !ok || len(slots) < 2 && !addressShort(rows) || !alike(rows) || len(banks) > 1 && len(banks) < len(d.f.org.Banks) {
		return false
	}
	bank := -1
	if len(banks) == 1 {
		bank = rows[0].bank
	}
	fd, ok := d.aliasFinding(at, bank)
	if !ok {
		return false
	}
	fd.Confidence = confidence(d.f.rows, 0.95)
	for _, v := range d.views {
		d.done[v] = true
	}
	d.found = append(d.found, weighed{fd, d.f.rows})
	return true
}

// aliasFinding names the line or the bank that byte-address bits stand for.
func (d *diagnosis) aliasFinding(at []int, bank int) (Finding, bool) {
	s := &d.f.shape
	lines := d.f.org.AddressLines()
	where := "all chips of every bank"
	name := ""
	if bank >= 0 {
		where = fmt.Sprintf("all chips of bank %d", bank)
		name = strings.Join(d.f.org.Banks[bank].Designators, ", ")
	}
	fd := Finding{Kind: AddressLine, Bank: bank, Chip: -1, AddressLine: -1, Designator: name,
		Advice:   "the address line common to these chips: its trace, its series resistor, the controller's pin; then the pin of each chip",
		Evidence: []string{"each failing address returned what was written to another one"}}
	var k []int
	for _, b := range at {
		k = append(k, b-s.beatShift)
	}
	switch {
	case len(k) == 1 && k[0] >= 0 && k[0] < lines:
		fd.AddressLine = k[0]
		fd.Where = fmt.Sprintf("word-address line A%d of %s, stuck", k[0], where)
	case len(k) == 2 && k[0] >= 0 && k[1] < lines:
		fd.AddressLine, fd.AddressLines = k[0], slices.Clone(k)
		fd.Where = fmt.Sprintf("word-address lines A%d and A%d of %s, shorted together", k[0], k[1], where)
	case len(k) == 1 && k[0] >= lines && s.bankShift >= 0 && len(d.f.org.Banks) > 1 && bank >= 0:
		fd.Kind = BankLost
		fd.Where = fmt.Sprintf("bank %d returns what was written to another bank (%s)", bank, name)
		fd.Advice = "chip select of this bank and its trace; bridges between the select lines"
	default:
		return fd, false
	}
	return fd, true
}

// quietPartner looks for the line that pulls a failing line along in an
// address-as-data test: a line of the same chip that carries an address bit and
// always had the opposite value where the line failed. It reports false unless
// there is exactly one.
func (d *diagnosis) quietPartner(v *chipView, line int) (partner int, ok bool) {
	s := &d.f.shape
	rows := d.aliases([]*chipView{v})
	if rows == nil || s.beatShift < 0 {
		return 0, false
	}
	r0 := &v.log.sample[0]
	shift := 0
	for shift < 8 && r0.written != uint64(r0.address)>>uint(shift)&ones(int(r0.bits)) {
		shift++
	}
	opposite := uint32(ones(v.org.ChipBits))
	for i := range v.log.sample {
		r := &v.log.sample[i]
		own := -(r.cw >> uint(line) & 1)
		opposite &= (r.cw ^ own) & r.cover
	}
	n := 0
	for l := range v.org.ChipBits {
		k := v.chip*v.org.ChipBits + l - int(r0.lane0) + shift - s.beatShift
		if opposite>>uint(l)&1 == 1 && l != line && k >= 0 && k < v.org.AddressLines() {
			partner = l
			n++
		}
	}
	return partner, n == 1 && len(v.words) >= minShapeWords
}

// gappy reports, for a line that carries a constant bit in an address-as-data
// test, whether an upward sweep found it right at many addresses: a stuck line
// fails at every one of them, an open one at some.
func (d *diagnosis) gappy(v *chipView, line int) bool {
	steps := v.log.next + v.log.skipped
	if steps < 50 || steps*2 < v.log.rows || v.log.skipped*5 < steps || d.aliases([]*chipView{v}) == nil {
		return false
	}
	for i := range v.log.sample {
		if r := &v.log.sample[i]; r.cw>>uint(line)&1 != v.log.sample[0].cw>>uint(line)&1 {
			return false
		}
	}
	return !d.carriesAddress(v, line)
}

// carriesAddress reports whether a line carries a bit of the address, as far
// as the data of an address-as-data test is the byte address itself.
func (d *diagnosis) carriesAddress(v *chipView, line int) bool {
	r := &v.log.sample[0]
	k := v.chip*v.org.ChipBits + line - int(r.lane0)
	return k >= bits.TrailingZeros32(uint32(r.bits/8)) && k < bits.Len64(uint64(d.f.shape.total-1))
}

// addressAlternative adds the other reading of a data-line finding that rests
// on an address-as-data test alone: an address line that aliases two places
// gives the same rows when the failing data bit carries that address bit.
func (d *diagnosis) addressAlternative(v *chipView) {
	if d.f.shape.beatShift < 0 {
		return
	}
	rows := d.aliases([]*chipView{v})
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
	fd.Evidence = append(fd.Evidence, "run the test again with varied data: an address line then fails on many data lines, a data line on one")
	if fd.Kind == AddressLine {
		fd.Where += "; or the pin of " + v.name() + " alone"
	}
	d.found = append(d.found, weighed{fd, v.log.rows - 1})
}
