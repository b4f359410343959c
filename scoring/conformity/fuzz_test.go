package conformity

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// A verdict in words reads back as itself, and nothing else reads at all.
func FuzzVerdict(f *testing.F) {
	for _, name := range verdictNames {
		f.Add(name)
	}
	f.Add("PASS")
	f.Add("")
	f.Fuzz(func(t *testing.T, text string) {
		var v Verdict
		if v.UnmarshalText([]byte(text)) != nil {
			if v != NotRun {
				t.Fatalf("%q left %v", text, v)
			}
			return
		}
		back, err := v.MarshalText()
		if err != nil || string(back) != text {
			t.Fatalf("%q became %q, %v", text, back, err)
		}
	})
}

// Coverage undoes CoverageFactor.
func TestCoverageInverse(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := rapid.Float64Range(0.01, 0.9999).Draw(rt, "p")
		dof := rapid.Float64Range(0.5, 1e4).Draw(rt, "dof")
		k := CoverageFactor(p, dof)
		if back := Coverage(k, dof); math.Abs(back-p) > 1e-9 {
			rt.Fatalf("k %g covers %g", k, back)
		}
	})
}
