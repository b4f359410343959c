package reading

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"proveout/plans"
)

func quick(t testing.TB) (*plans.Plan, *plans.Family) {
	t.Helper()
	plan, err := plans.FindPlan("", "full")
	if err != nil {
		t.Fatal(err)
	}
	file, err := plans.FindFamily("", "lanternfish")
	if err != nil {
		t.Fatal(err)
	}
	family, err := file.Variant("137")
	if err != nil {
		t.Fatal(err)
	}
	return plan, family
}

func TestParseResults(t *testing.T) {
	plan, family := quick(t)
	for _, tt := range []struct{ text, want string }{
		{"", "1:1: the file is empty"},
		{"[clocks]\ncor = \"137 MHz\"", `2:1: clocks.cor: unknown key`},
		{"[clocks]\ncore = \"137\"", ""},
		{"[clocks]\ncore = 137.2", ""},
		{"[clocks]\ncore = [\"137 MHz\", \"137 V\"]", `2:20: clocks.core: "V" measures voltage`},
		{"[clocks]\ncore = \"13.7 MHz\"", "2:8: clocks.core: 13.7 MHz: did you mean 137 MHz?"},
		{"[clocks]\ncore = \"13.7 MHz\"\nnote = \"a slow oscillator is fitted\"", ""},
		{"[clocks]\nnote = \"before or behind\"\ncore = \"13.7 MHz\"", ""},
		{"[clocks]\ncore = {a = 1}", "2:8: clocks.core: a reading is text or a number"},
		{"[clocks]\nretest = \"yes\"", "2:10: clocks.retest: expected true or false"},
		{"[clocks]\nnote = 3", "2:8: clocks.note: expected text"},
		{"clocks = 3", "1:10: clocks: expected a table"},
		{"[inspection]\nbridges = true\nunsoldered = false", ""},
		{"[inspection]\nbridges = 1", `2:11: inspection.bridges: "1" is not one of yes, no, n/a`},
		{"[clocks]\ncore = \"137 MHz\"\ncore = \"138 MHz\"", "3:1: "},
		{"[clocks\n", "1:"},
		{"[clocks]\ncore = \"137 MHz", "2:8: "},
	} {
		_, problems := ParseResults("r.toml", []byte(tt.text), plan, family)
		if tt.want == "" {
			if len(problems) > 0 {
				t.Errorf("%q: %v", tt.text, plans.AsError(problems))
			}
			continue
		}
		if len(problems) == 0 || !strings.HasPrefix(problems[0].String(), "r.toml:"+tt.want) {
			t.Errorf("%q: %v, want %s", tt.text, plans.AsError(problems), tt.want)
		}
	}
}

// Whatever stands in a results file, there are readings or problems with a
// place, and no reading that is no number.
func FuzzParseResults(f *testing.F) {
	files, err := filepath.Glob("../../testdata/demo/card-*/results.toml")
	if err != nil || len(files) == 0 {
		f.Fatalf("%d results files, %v", len(files), err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte("[clocks]\ncore = \"1e308 GHz\"\nmemory = [[\"1\"], {}]"))
	f.Add([]byte("[soak]\ntemperature = \"61.5 °C @ 30 min, 62 °C @ 1 h\"\nambient = \"-0 °C\""))
	plan, family := quick(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		results, problems := ParseResults("r.toml", data, plan, family)
		for _, p := range problems {
			if p.Line < 1 || p.Column < 1 || p.What == "" {
				t.Errorf("a problem without a place: %+v", p)
			}
		}
		for _, r := range results {
			if _, ok := plan.Step(r.Step); !ok {
				t.Errorf("step %q", r.Step)
			}
			for _, one := range r.Readings {
				if !finite(one) || one.Value == nil && one.Word == "" || one.Resolution < 0 {
					t.Errorf("%+v", one)
				}
			}
		}
	})
}

// finite reports whether a reading is a word or a finite number.
func finite(r Reading) bool {
	return r.Value == nil || !math.IsNaN(*r.Value) && !math.IsInf(*r.Value, 0)
}

// What Parse takes for an answer is finite, and Doubt asks of nothing else.
func FuzzParse(f *testing.F) {
	for _, s := range []string{
		"137.2 MHz", "136.8 MHz, 136.9 MHz", "61.5 °C @ 30 min", "1e999", "-1", "137,2 MHz",
		"yes", "n", "20 MB", "@", "1 @", "∞", "0x10", ";,;",
	} {
		f.Add(s)
	}
	plan, family := quick(f)
	f.Fuzz(func(t *testing.T, text string) {
		for i := range plan.Steps {
			for _, field := range plans.Fields(&plan.Steps[i], family) {
				readings, err := Parse(field, text)
				if err != nil {
					if err.Error() == "" || strings.HasSuffix(err.Error(), "EOF") {
						t.Errorf("%q: %q", text, err)
					}
					continue
				}
				if len(readings) == 0 {
					t.Errorf("%s=%q: neither reading nor error", field.Name, text)
				}
				for _, r := range readings {
					if !finite(r) || r.Name != field.Name {
						t.Errorf("%s=%q: %+v", field.Name, text, r)
					}
					if len(field.Words) > 0 && r.Word != field.Words[0] && !strings.Contains(strings.Join(field.Words, " "), r.Word) {
						t.Errorf("%s=%q: the word %q", field.Name, text, r.Word)
					}
					if doubt, _ := DoubtOf(field, r); math.IsNaN(doubt.Meant) || math.IsInf(doubt.Meant, 0) {
						t.Errorf("%s=%q: %+v", field.Name, text, doubt)
					}
				}
			}
		}
	})
}
