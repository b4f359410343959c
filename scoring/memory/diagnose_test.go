package memory_test

import (
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"proveout/plans/fact"
	"proveout/scoring/memory"
)

// allChecks is set for the long run of every check.
func allChecks() bool { return os.Getenv("PROVEOUT_ALL_CHECKS") == "1" }

func collect(t testing.TB, b board, rows []memory.Failure) *memory.Failures {
	t.Helper()
	f := memory.NewFailures(b.organisation())
	for i := range rows {
		f.Add(&rows[i])
	}
	return f
}

// names reports whether a finding is the fault that was put in: kind, chip and
// line.
func names(b board, g memory.Fault, want trouble) bool {
	wholeBank := want.kind == memory.BankLost || want.kind == memory.AddressLine && want.allChips
	chip := want.chip
	if wholeBank && b.bus > b.chipBits {
		chip = -1
	}
	if g.Kind != want.kind || g.Chip != chip || g.Bank != want.bank {
		return false
	}
	switch want.kind {
	case memory.LineStuck0, memory.LineStuck1, memory.LineOpen:
		return slices.Equal(g.Lines, []int{want.line})
	case memory.LinesShorted, memory.LinesSwapped:
		return slices.Equal(g.Lines, []int{min(want.line, want.two), max(want.line, want.two)})
	case memory.AddressLine:
		return g.AddressLine == want.addr || want.two2 >= 0 && g.AddressLine == want.two2
	}
	return true
}

type tally struct{ good, all int }

func (c tally) share() float64 { return float64(c.good) / float64(max(1, c.all)) }

// among reports whether a finding leaves it open which of several faults it is,
// the one of this kind among them.
func among(g memory.Fault, kind memory.Kind) bool {
	return g.Kind == memory.NotDecided && slices.ContainsFunc(g.Evidence, func(f fact.Fact) bool {
		is, ok := f.Args["fault"].(fact.Fact)
		if !ok {
			return false
		}
		k, ok := is.Args["kind"].(fact.Fact)
		return ok && k.Key == "memory.kind."+string(kind)
	})
}

// singleFaults measures how often the first finding names a single fault.
func singleFaults(t *testing.T, rows, tries int) map[patternSet]tally {
	out := map[patternSet]tally{}
	for bi, b := range boards {
		if rows > 1000 && !allChecks() && bi%2 == 1 {
			continue
		}
		for _, kind := range kinds {
			for s := range patternSets {
				for k := range tries {
					r := rand.New(rand.NewPCG(uint64(bi*1000+k), uint64(s)*77+uint64(len(kind))))
					want := pick(r, b, kind)
					list, ok := b.failures(r, []trouble{want}, s, rows)
					if !ok {
						continue // these patterns do not show the fault
					}
					c := out[s]
					c.all++
					got := collect(t, b, list).Report().Findings
					if len(got) > 0 && (names(b, got[0], want) || s == addressData && among(got[0], want.kind)) {
						c.good++
					} else if s != addressData {
						t.Logf("%d rows, board %d, pattern set %d: %v; got %+v", rows, bi, s, want, got)
					}
					out[s] = c
				}
			}
		}
	}
	return out
}

func TestSingleFaults(t *testing.T) {
	few, many := 2, 1
	if allChecks() {
		few, many = 12, 4
	}
	for _, tt := range []struct {
		rows, tries int
		atLeast     float64
	}{{200, few, 0.95}, {5000, many, 0.99}} { // one open line of 308 and one address line of 336 stay with a rival or open
		sets := singleFaults(t, tt.rows, tt.tries)
		var sum tally
		for s, c := range sets {
			sum.good, sum.all = sum.good+c.good, sum.all+c.all
			// An address-as-data test alone cannot tell every fault: a line
			// that carries a constant bit, or one that carries the very
			// address bit at fault, leaves the same rows as another fault: it
			// is right to leave that open.
			atLeast := tt.atLeast
			if s == addressData {
				atLeast = 0.85
			}
			if c.share() < atLeast {
				t.Errorf("%d rows, pattern set %d: %d of %d faults named, want %.0f %%", tt.rows, s, c.good, c.all, 100*atLeast)
			}
		}
		if sum.share() < 0.95 {
			t.Errorf("%d rows: %d of %d faults named", tt.rows, sum.good, sum.all)
		}
		t.Logf("%d rows: %d of %d faults named (%.1f %%), by pattern set %v",
			tt.rows, sum.good, sum.all, 100*sum.share(), sets)
	}
}

func TestDoubleFaults(t *testing.T) {
	single := slices.DeleteFunc(slices.Clone(kinds), func(k memory.Kind) bool { return k == memory.BankLost })
	var sum tally
	for bi, b := range boards {
		if !allChecks() && bi%3 != 0 {
			continue
		}
		for _, k1 := range single {
			for _, k2 := range single {
				for s := range patternSets {
					r := rand.New(rand.NewPCG(uint64(bi*1000), uint64(s)*77+uint64(len(k1)*100+len(k2))))
					one, two := pick(r, b, k1), pick(r, b, k2)
					one.allChips, two.allChips = false, false
					for two.chip == one.chip {
						two.chip = r.IntN(b.bus / b.chipBits)
					}
					rows, ok := b.failures(r, []trouble{one, two}, s, 400)
					if !ok || b.rowsOf(rows, one) < 20 || b.rowsOf(rows, two) < 20 {
						continue // these patterns do not show both
					}
					sum.all++
					if got := collect(t, b, rows).Report().Findings; namesChip(got, one) && namesChip(got, two) {
						sum.good++
					}
				}
			}
		}
	}
	t.Logf("both chips named in %d of %d (%.1f %%)", sum.good, sum.all, 100*sum.share())
	if sum.share() < 0.95 {
		t.Errorf("both chips named in %d of %d", sum.good, sum.all)
	}
}

func namesChip(got []memory.Fault, want trouble) bool {
	for _, g := range got {
		if g.Chip == want.chip && (g.Bank == want.bank || g.Bank == -1) {
			return true
		}
	}
	return false
}

func TestSharedLineOfEveryBank(t *testing.T) {
	b := boards[2]
	r := rand.New(rand.NewPCG(1, 2))
	one := trouble{kind: memory.LineStuck0, bank: 0, chip: 1, line: 6, two2: -1}
	two := one
	two.bank = 1
	rows, _ := b.failures(r, []trouble{one, two}, randomData, 400)
	got := collect(t, b, rows).Report().Findings
	if len(got) != 1 || got[0].Bank != -1 || got[0].Chip != 1 ||
		got[0].Kind != memory.LineStuck0 || got[0].Designator != "U2, U6" {
		t.Errorf("the same line stuck in both banks: %+v", got)
	}
}

// A line that carries a constant bit in an address-as-data test, swept upward:
// stuck at 1 it fails at every address, open at some.
func TestOpenLineInAddressTest(t *testing.T) {
	b := boards[0]
	for _, want := range []memory.Kind{memory.LineStuck1, memory.LineOpen} {
		f := memory.NewFailures(b.organisation())
		r := rand.New(rand.NewPCG(2, 3))
		for word := range int64(600) {
			addr := word * b.beat()
			read := uint64(addr) | 1<<30
			if want == memory.LineOpen && r.IntN(2) == 0 {
				continue
			}
			f.Add(failed(addr, uint64(addr), read, 32))
		}
		got := f.Report().Findings
		if len(got) == 0 || got[0].Kind != want || got[0].Chip != 1 || !slices.Equal(got[0].Lines, []int{14}) {
			t.Errorf("%s: %+v", want, got)
		}
	}
}

func TestShortAcrossChips(t *testing.T) {
	// D15 of chip 0 and D0 of chip 1 of a 32-bit bus, wired-and.
	b := board{words: 1 << 18, chipBits: 16, bus: 32, banks: 1, wordBits: 32}
	f := memory.NewFailures(b.organisation())
	r := rand.New(rand.NewPCG(3, 4))
	for range 400 {
		w := uint64(r.Uint32())
		both := w >> 15 & (w >> 16) & 1
		f.Add(failed(r.Int64N(b.bytes()/4)*4, w, w&^(3<<15)|both<<15|both<<16, 32))
	}
	got := f.Report().Findings
	if len(got) != 2 || got[0].Kind != memory.LinesShorted || got[1].Kind != memory.LinesShorted ||
		!namesChip(got, trouble{chip: 0}) || !namesChip(got, trouble{chip: 1}) {
		t.Errorf("short across chips: %+v", got)
	}
}

// grown makes rows of a weak chip whose error rate follows rate(share of the
// scan), over an hour of repeated random reads.
func grown(t *testing.T, rate func(x float64) float64, celsius func(x float64) float64) []memory.Fault {
	b := boards[0]
	r := rand.New(rand.NewPCG(5, 6))
	f := memory.NewFailures(b.organisation())
	const reads = 20000
	for i := range reads {
		x := float64(i) / reads
		if r.Float64() > rate(x) {
			continue
		}
		w := uint64(r.Uint32())
		f.Add(&memory.Failure{Address: r.Int64N(b.bytes()/16) * 16, Written: w, Read: w ^ 1<<uint(r.IntN(16)), Bits: 32,
			Seconds: 1.7e9 + 3600*x, Celsius: celsius(x)})
	}
	return f.Report().Findings
}

func has(got []memory.Fault, k memory.Kind) bool {
	return slices.ContainsFunc(got, func(f memory.Fault) bool { return f.Kind == k })
}

func TestGrowth(t *testing.T) {
	flat := func(float64) float64 { return 0.05 }
	rising := func(x float64) float64 { return 0.01 + 0.1*x }
	warm := func(x float64) float64 { return 30 + 40*x }
	hill := func(x float64) float64 { return 30 + 40*math.Sin(math.Pi*x) } // warms and cools again
	unknown := func(float64) float64 { return math.NaN() }
	steady := func(float64) float64 { return 42 }
	for _, tt := range []struct {
		name          string
		rate, celsius func(float64) float64
		want, not     memory.Kind
	}{
		{"steady errors while warming", flat, warm, memory.ChipWeak, memory.GrowsWithTemperature},
		{"steady errors, no temperature", flat, unknown, memory.ChipWeak, memory.GrowsWithTime},
		{"rising while warming", rising, warm, memory.GrowsWithTemperature, memory.GrowsWithTime},
		{"rising at steady temperature", rising, steady, memory.GrowsWithTime, memory.GrowsWithTemperature},
		{"rising, no temperature", rising, unknown, memory.GrowsWithTime, memory.GrowsWithTemperature},
		{"following a hill of temperature", func(x float64) float64 { return 0.005 + 0.1*math.Sin(math.Pi*x) }, hill,
			memory.GrowsWithTemperature, memory.GrowsWithTime},
	} {
		got := grown(t, tt.rate, tt.celsius)
		if !has(got, tt.want) || has(got, tt.not) || !has(got, memory.ChipWeak) {
			t.Errorf("%s: %+v", tt.name, got)
		}
	}
}

func TestOnePattern(t *testing.T) {
	b := boards[0]
	r := rand.New(rand.NewPCG(9, 9))
	f := memory.NewFailures(b.organisation())
	for range 300 {
		w := uint64(0x55555555)
		f.Add(&memory.Failure{Address: r.Int64N(b.bytes()/16) * 16, Written: w, Read: w ^ 1<<uint(r.IntN(16)), Bits: 32,
			Seconds: math.NaN(), Celsius: math.NaN(), PatternName: "fives"})
		w = uint64(r.Uint32())
		f.Add(&memory.Failure{Address: r.Int64N(b.bytes()/16)*16 + 8, Written: w | 4, Read: (w | 4) &^ 4, Bits: 32,
			Seconds: math.NaN(), Celsius: math.NaN(), PatternName: []string{"noise", "fives"}[r.IntN(2)]})
	}
	got := f.Report().Findings
	for _, g := range got {
		if g.Kind == memory.OnePattern && g.Chip != 0 {
			t.Errorf("chip %d fails at two patterns: %+v", g.Chip, g)
		}
	}
	if !has(got, memory.OnePattern) || !has(got, memory.ChipWeak) || !has(got, memory.LineStuck0) {
		t.Errorf("one chip at one pattern, another stuck: %+v", got)
	}
}

func TestRowsSetAside(t *testing.T) {
	b := boards[0]
	f := collect(t, b, []memory.Failure{
		{Address: 0, Written: 5, Read: 5, Bits: 32},
		{Address: -4, Written: 5, Read: 4, Bits: 32},
		{Address: b.bytes(), Written: 5, Read: 4, Bits: 32},
		{Address: b.bytes() - 2, Written: 5, Read: 4, Bits: 32},
		{Address: math.MaxInt64 - 1, Written: 5, Read: 4, Bits: 64},
		{Address: 0, Written: 5, Read: 4, Bits: 7},
		{Address: 0, Written: 5, Read: 4, Bits: 72},
		{Address: b.bytes() - 1, Written: 5, Read: 4, Bits: 8},
	})
	if r := f.Report(); r.Rows != 1 || r.Agreeing != 1 || r.Outside != 6 {
		t.Errorf("failing %d, agreeing %d, outside %d; want 1, 1, 6", r.Rows, r.Agreeing, r.Outside)
	}
	if r := collect(t, b, nil).Report(); r.Findings == nil || len(r.Findings) != 0 {
		t.Errorf("no rows: findings %v, want an empty list", r.Findings)
	}
}

// A word wider than the bus is read in two beats.
func TestWordWiderThanBus(t *testing.T) {
	b := board{words: 1 << 16, chipBits: 16, bus: 32, banks: 1, wordBits: 32}
	f := memory.NewFailures(b.organisation())
	r := rand.New(rand.NewPCG(1, 1))
	for range 300 {
		w := r.Uint64() | 1<<(32+16+3)
		f.Add(&memory.Failure{Address: r.Int64N(b.bytes()/8) * 8, Written: w, Read: w &^ (1 << (32 + 16 + 3)), Bits: 64,
			Seconds: math.NaN(), Celsius: math.NaN()})
	}
	got := f.Report().Findings
	if len(got) == 0 || got[0].Chip != 1 || !slices.Equal(got[0].Lines, []int{3}) || got[0].Kind != memory.LineStuck0 {
		t.Errorf("line D3 of chip 1 stuck: %+v", got)
	}
}

// A list of any length takes the memory of its chips' samples and no more.
func TestRowsTakeNoMemory(t *testing.T) {
	b := boards[0]
	r := rand.New(rand.NewPCG(7, 7))
	stuck := trouble{kind: memory.LineStuck0, chip: 3, line: 2, two2: -1}
	weak := trouble{kind: memory.ChipWeak, chip: 5, rate: 0.05, two2: -1}
	rows, _ := b.failures(r, []trouble{stuck, weak}, randomData, 50_000)
	for i := range rows {
		rows[i].Seconds, rows[i].Celsius = float64(i), 40+float64(i)/5000
	}
	f := collect(t, b, rows)
	if n := testing.AllocsPerRun(5, func() {
		for i := range rows {
			f.Add(&rows[i])
		}
	}); n > 0 {
		t.Errorf("%d rows more allocate %v times", len(rows), n)
	}
	if got := f.Report().Findings; !namesChip(got, stuck) || !namesChip(got, weak) {
		t.Errorf("findings %+v", got)
	}
}

func BenchmarkAdd(b *testing.B) {
	r := rand.New(rand.NewPCG(7, 7))
	for _, bm := range []struct {
		name string
		kind memory.Kind
	}{{"line", memory.LineStuck0}, {"dead", memory.ChipDead}, {"bank", memory.BankLost}} {
		b.Run(bm.name, func(b *testing.B) {
			rows, _ := boards[0].failures(r, []trouble{{kind: bm.kind, chip: 3, line: 2, how: 2, two2: -1}}, randomData, 50_000)
			for i := range rows { // with times and temperatures, the slowest rows
				rows[i].Seconds, rows[i].Celsius = float64(i)/100, 40+float64(i)/5000
			}
			f := memory.NewFailures(boards[0].organisation())
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				f.Add(&rows[i%len(rows)])
			}
		})
	}
}

func FuzzFailures(f *testing.F) {
	f.Add(int64(16), uint64(1), uint64(3), 32, 1.5, 40.0, "a", uint8(0))
	f.Add(int64(-1), uint64(0), uint64(0), 0, math.NaN(), math.Inf(1), "", uint8(3))
	f.Add(int64(1<<40), uint64(1), ^uint64(0), 64, -1e300, -5.0, "b", uint8(5))
	f.Fuzz(func(t *testing.T, addr int64, w, r uint64, width int, s, c float64, p string, which uint8) {
		log := memory.NewFailures(boards[int(which)%len(boards)].organisation())
		for i := range int64(60) {
			log.Add(&memory.Failure{
				Address: addr + i*(addr&1023), Written: w + uint64(i), Read: r, Bits: width,
				Seconds: s * float64(i), Celsius: c, PatternName: p,
			})
		}
		for _, fd := range log.Report().Findings {
			if !(fd.Confidence > 0 && fd.Confidence < 1) {
				t.Errorf("confidence %v", fd.Confidence)
			}
		}
	})
}
