package memory_test

import (
	"math/rand/v2"
	"slices"
	"testing"

	"proveout/scoring/memory"
)

func diagnose(t testing.TB, b board, rows []memory.Failure) []memory.Finding {
	t.Helper()
	f, err := memory.NewFailures(b.organisation())
	if err != nil {
		t.Fatal(err)
	}
	for i := range rows {
		f.Add(&rows[i])
	}
	return f.Findings()
}

// names reports whether the first finding is the fault that was put in.
func names(b board, got []memory.Finding, want trouble) bool {
	if len(got) == 0 {
		return false
	}
	g := got[0]
	perBank := b.bus / b.chipBits
	wholeBank := want.kind == memory.BankLost || want.kind == memory.AddressLine && want.allChips
	if wholeBank && perBank > 1 {
		if g.Kind != want.kind || g.Chip != -1 || g.Bank != want.bank {
			return false
		}
	} else if g.Chip != want.chip || g.Bank != want.bank || g.Kind != want.kind {
		return false
	}
	switch want.kind {
	case memory.LineStuck0, memory.LineStuck1, memory.LineOpen:
		return slices.Equal(g.Lines, []int{want.line})
	case memory.LinesShorted, memory.LinesSwapped:
		return slices.Equal(g.Lines, []int{min(want.line, want.two), max(want.line, want.two)})
	case memory.AddressLine:
		return g.AddressLine == want.addr || want.two2 >= 0 && (g.AddressLine == want.two2 || g.AddressLine == want.addr)
	}
	return true
}

func TestSingleFaultRate(t *testing.T) {
	for _, n := range []int{200, 5000} {
		tries := 6
		if n == 5000 {
			tries = 2
		}
		good, all := 0, 0
		byKind := map[memory.Kind][2]int{}
		byPattern := map[patternSet][2]int{}
		for bi, b := range boards {
			for _, kind := range kinds {
				for s := range patternSets {
					for k := range tries {
						r := rand.New(rand.NewPCG(uint64(bi*1000+k), uint64(s)*77+uint64(len(kind))))
						want := pick(r, b, kind)
						rows, ok := b.failures(r, []trouble{want}, s, n, false)
						if !ok {
							continue
						}
						all++
						a, p := byKind[kind], byPattern[s]
						a[1]++
						p[1]++
						got := diagnose(t, b, rows)
						if names(b, got, want) {
							good++
							a[0]++
							p[0]++
						} else if testing.Verbose() {
							t.Logf("n %d board %d pattern %d: %v\n  got %+v", n, bi, s, want, got)
						}
						byKind[kind], byPattern[s] = a, p
					}
				}
			}
		}
		t.Logf("%d rows: %d of %d (%.2f %%) by kind %v by pattern %v", n, good, all, 100*float64(good)/float64(all), byKind, byPattern)
	}
}
