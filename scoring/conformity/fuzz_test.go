package conformity

import (
	"encoding/json"
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

// Whatever reads as a result writes and reads again without a change.
func FuzzResult(f *testing.F) {
	f.Add([]byte(`{"verdict":"pass","rule":"guarded","value":1,"limits":{"high":2},"acceptance":{"high":1.5}}`))
	f.Add([]byte(`{"verdict":"inconclusive","value":null}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		var r, again Result
		if json.Unmarshal(data, &r) != nil {
			return
		}
		first, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(first, &again); err != nil {
			t.Fatal(err)
		}
		second, err := json.Marshal(again)
		if err != nil || string(first) != string(second) {
			t.Fatalf("%s became %s, %v", first, second, err)
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
