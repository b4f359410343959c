package conformity

import "testing"

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
