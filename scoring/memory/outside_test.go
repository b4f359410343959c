package memory_test

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"proveout/scoring/memory"
)

// sweep is the start of a list that a test writes in address order, pass by pass,
// and cuts off: n rows.
func (b board) sweep(r *rand.Rand, f trouble, s patternSet, n int) ([]memory.Failure, bool) {
	var out []memory.Failure
	slots := b.bus / b.wordBits
	for pass := range 8 {
		for word := range min(b.words, 2000) {
			for slot := range slots {
				addr := (int64(f.bank)*b.words+word)*b.beat() + int64(slot*b.wordBits/8)
				written := s.datum(addr, pass, b.wordBits)
				if read := b.disturb(r, f, s, pass, f.bank, word, slot, written); read != written {
					out = append(out, *failed(addr, written, read, b.wordBits))
				}
				if len(out) == n {
					return out, true
				}
			}
		}
	}
	return out, false
}

// nuisance makes rows of a cause that lies outside the memory: which bits fail
// knows nothing of chips.
func (b board) nuisance(r *rand.Rand, kind memory.Kind, s patternSet, n int, inOrder bool) ([]memory.Failure, bool) {
	width := int64(b.wordBits / 8)
	accesses := b.bytes() / width
	line, value, bit := r.IntN(32), r.Uint64()&1, 3+r.IntN(8)
	var out []memory.Failure
	at := int64(-1)
	for try := 0; len(out) < n; try++ {
		if try > 400*n+4000 {
			return nil, false
		}
		pass := r.IntN(4 * b.wordBits)
		switch at++; {
		case !inOrder:
			at = r.Int64N(accesses)
		case kind == memory.RandomErrors || kind == memory.GarbageAccesses:
			at += int64(r.ExpFloat64() * 150)
			fallthrough
		default:
			pass = int(at / accesses)
		}
		addr := at % accesses * width
		written := s.datum(addr, pass, b.wordBits)
		read := written
		switch kind {
		case memory.RandomErrors:
			for range 1 + r.IntN(2) {
				read ^= 1 << uint(r.IntN(b.wordBits))
			}
		case memory.GarbageAccesses:
			read = r.Uint64() & (1<<uint(b.wordBits-1)<<1 - 1)
		case memory.BusLine:
			for k := range b.wordBits {
				if (int(addr%4)*8+k)%32 == line {
					read = read&^(1<<uint(k)) | value<<uint(k)
				}
			}
		case memory.BusAddress: // the place written last stays
			read = s.datum(addr|1<<uint(bit), pass, b.wordBits)
			if width > 1<<uint(bit) {
				return nil, false
			}
		}
		if read != written {
			out = append(out, *failed(addr, written, read, b.wordBits))
		}
	}
	return out, true
}

var nuisances = []memory.Kind{memory.RandomErrors, memory.GarbageAccesses, memory.BusLine, memory.BusAddress}

// apart are boards on which a line of the slot or a garbled access is something
// else than one of a chip or of the only bank.
func apart() []board {
	return slices.DeleteFunc(slices.Clone(boards), func(b board) bool { return b.bus == 32 && b.banks == 1 })
}

// outsideRight says whether a finding names the cause: an address line common to
// all chips of the only bank is the slot's as well, and a garbled access like a
// bank that does not answer where there is one bank alone.
func outsideRight(b board, g memory.Fault, kind memory.Kind) bool {
	return g.Kind == kind || g.Chip < 0 && g.Kind != memory.NotDecided && b.banks == 1 &&
		(kind == memory.BusAddress || kind == memory.GarbageAccesses)
}

func advisesReplacing(got []memory.Fault) bool {
	return slices.ContainsFunc(got, func(g memory.Fault) bool {
		return slices.Contains([]string{"memory.look-cells", "memory.look-row", "memory.look-column", "memory.look-dead",
			"memory.look-weak"}, g.Advice.Key)
	})
}

// Errors that are no fault of the memory blame no chip.
func TestOutsideCauses(t *testing.T) {
	lists, named, blamed, replaced := 0, 0, 0, 0
	for _, rows := range []int{5, 10, 30, 100} {
		for bi, b := range apart() {
			for k, kind := range nuisances {
				for _, s := range []patternSet{randomData, fiveA, mixture} {
					r := rand.New(rand.NewPCG(uint64(rows*100+bi), uint64(k*10)+uint64(s)))
					list, ok := b.nuisance(r, kind, s, rows, (bi+k)%2 == 0)
					if !ok || kind == memory.BusAddress && s != randomData {
						continue // these data do not show it
					}
					lists++
					got := collect(t, b, list).Report().Findings
					switch first := got[0]; {
					case outsideRight(b, first, kind):
						named++
					case first.Chip >= 0 && first.Confidence >= 0.8:
						blamed++
						t.Logf("%d rows, board %d, set %d: %s: %s chip %d, %.2f",
							rows, bi, s, kind, first.Kind, first.Chip, first.Confidence)
					}
					if advisesReplacing(got) {
						replaced++
					}
				}
			}
		}
	}
	t.Logf("%d lists: cause named in %d, a chip blamed in %d, replaced in %d", lists, named, blamed, replaced)
	if lists < 42 || named*100 < 75*lists || blamed*50 > lists || replaced*50 > lists {
		t.Errorf("%d lists: cause named in %d, a chip blamed in %d, replaced in %d", lists, named, blamed, replaced)
	}
}

// Of what is said with a confidence of 0.9 nine in ten are right, at every number
// of rows; and so in the middle.
func TestConfidenceComesTrue(t *testing.T) {
	tries := 2
	if allChecks() {
		tries = 12
	}
	type bin struct {
		said  float64
		right int
		all   int
	}
	bins := map[[2]int]*bin{}
	take := func(rows int, g memory.Fault, right bool) {
		if g.Kind == memory.NotDecided {
			return
		}
		at := [2]int{rows, min(int(g.Confidence*10), 9)}
		if bins[at] == nil {
			bins[at] = &bin{}
		}
		bins[at].said += g.Confidence
		bins[at].all++
		if right {
			bins[at].right++
		}
	}
	for _, rows := range []int{3, 4, 5, 10, 30, 100, 1000} {
		for bi, b := range boards {
			for k := range tries {
				if rows == 1000 && k > 0 && !allChecks() {
					continue
				}
				for i, kind := range kinds {
					s := patternSet((bi + k + i + rows) % int(patternSets))
					r := rand.New(rand.NewPCG(uint64(rows*1000+bi*20+k), uint64(i)))
					want := pick(r, b, kind)
					make := board.sweep
					if i >= 9 || k%2 == 1 { // cells, rows and columns are few in a sweep
						make = func(b board, r *rand.Rand, f trouble, s patternSet, n int) ([]memory.Failure, bool) {
							return b.failures(r, []trouble{f}, s, n)
						}
					}
					if list, ok := make(b, r, want, s, rows); ok {
						first := collect(t, b, list).Report().Findings[0]
						take(rows, first, names(b, first, want))
					}
				}
				if bi < len(apart()) {
					for i, kind := range nuisances {
						b := apart()[bi]
						r := rand.New(rand.NewPCG(uint64(rows*1000+bi*20+k), uint64(i+50)))
						if list, ok := b.nuisance(r, kind, patternSet((bi+k)%2), rows, k%2 == 0); ok {
							first := collect(t, b, list).Report().Findings[0]
							take(rows, first, outsideRight(b, first, kind))
						}
					}
				}
			}
		}
	}
	var keys [][2]int
	for key := range bins {
		keys = append(keys, key)
	}
	slices.SortFunc(keys, func(a, b [2]int) int { return cmp.Or(a[0]-b[0], a[1]-b[1]) })
	var table strings.Builder
	for _, key := range keys {
		v := bins[key]
		said, right := v.said/float64(v.all), float64(v.right)/float64(v.all)
		fmt.Fprintf(&table, "\n%5d rows, 0.%d: said %.2f, right %.2f of %d", key[0], key[1], said, right, v.all)
		if key[1] == 9 && v.all >= 20 && right < 0.9 {
			t.Errorf("%d rows: said with %.2f, right in %.2f of %d", key[0], said, right, v.all)
		}
	}
	t.Log(table.String())
}

// An address line common to all chips, and another chip's own fault beside it: from
// 30 rows on the line is found or it is left undecided.
func TestAddressLineBesideAnother(t *testing.T) {
	lists, line, other, wrong := 0, 0, 0, 0
	for _, rows := range []int{30, 100, 400} {
		for bi, b := range boards {
			for k, kind := range []memory.Kind{memory.LineStuck0, memory.LineOpen, memory.ChipWeak, memory.ChipDead} {
				r := rand.New(rand.NewPCG(uint64(rows+bi), uint64(k)))
				one, two := pick(r, b, memory.AddressLine), pick(r, b, kind)
				one.allChips, two.bank = true, one.bank
				list, ok := b.failures(r, []trouble{one, two}, randomData, rows)
				if !ok || b.bus == b.chipBits {
					continue
				}
				lists++
				got := collect(t, b, list).Report().Findings
				if slices.ContainsFunc(got, func(g memory.Fault) bool { return namesChip([]memory.Fault{g}, two) }) {
					other++
				}
				switch found := slices.ContainsFunc(got, func(g memory.Fault) bool { return names(b, g, one) }); {
				case found:
					line++
				case got[0].Kind != memory.NotDecided && got[0].Confidence >= 0.8 && !names(b, got[0], two):
					wrong++
					t.Logf("%d rows, board %d: %v and %v: %s %.2f", rows, bi, one, two, got[0].Kind, got[0].Confidence)
				}
			}
		}
	}
	t.Logf("%d lists: the line found in %d, the other chip in %d, something else in %d", lists, line, other, wrong)
	if line*10 < 8*lists || wrong*20 > lists {
		t.Errorf("%d lists: the line found in %d, something else in %d", lists, line, wrong)
	}
}
