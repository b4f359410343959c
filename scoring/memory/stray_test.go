package memory_test

import (
	"math/rand/v2"
	"testing"
)

// One row in a hundred is a stray error anywhere: the fault is still named.
func TestStrayErrors(t *testing.T) {
	var sum tally
	for bi, b := range boards {
		for _, kind := range kinds {
			r := rand.New(rand.NewPCG(uint64(bi), uint64(len(kind))))
			want := pick(r, b, kind)
			rows, ok := b.failures(r, []trouble{want}, randomData, 600)
			if !ok {
				continue
			}
			for range 6 {
				w := r.Uint64()
				rows = append(rows, *failed(r.Int64N(b.bytes()/8)*8, w, w^1<<uint(r.IntN(b.wordBits)), b.wordBits))
			}
			sum.all++
			if got := collect(t, b, rows).Report().Findings; len(got) > 0 && names(b, got[0], want) {
				sum.good++
			} else {
				t.Logf("%v; got %+v", want, got)
			}
		}
	}
	t.Logf("%d of %d", sum.good, sum.all)
	if sum.share() < 0.95 {
		t.Errorf("with stray errors %d of %d faults are named", sum.good, sum.all)
	}
}
