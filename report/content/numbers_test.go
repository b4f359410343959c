package content

import (
	"math"
	"strings"
	"testing"

	"proveout/plans/fact"
	"proveout/report/words"
	"proveout/scoring/outcome"
)

func TestMeasured(t *testing.T) {
	n := func(f float64) *float64 { return &f }
	de, err := words.In("de")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		c    outcome.Check
		want string
	}{
		{outcome.Check{Value: n(137.004), U: n(0.0034), Unit: "MHz", Text: fact.Text(fact.Name("137.004 MHz"))}, "137,0040 ± 0,0034 MHz"},
		{outcome.Check{Value: n(20), Unit: "MiB", Text: fact.Text(fact.Name("20 MiB"))}, "20 MiB"},
		{outcome.Check{Value: n(2.5), Unit: "fps"}, "2,5 fps"},
		{outcome.Check{Value: n(3), Unit: "1", U: n(0.5)}, "3,00 ± 0,50"},
		{outcome.Check{Value: n(math.NaN()), U: n(1), Text: fact.Text(fact.Name("no reading"))}, "no reading"},
		{outcome.Check{Value: n(1), U: n(math.Inf(1)), Unit: "V", Text: fact.Text(fact.Name("1 V"))}, "1 V"},
		{outcome.Check{Value: n(1), U: n(-1), Unit: "V", Text: fact.Text(fact.Name("1 V"))}, "1 V"},
		{outcome.Check{}, "–"},
	} {
		if got := strings.ReplaceAll(Measured(&tt.c, de), gap, " "); got != tt.want {
			t.Errorf("Measured(%+v) = %q, want %q", tt.c, got, tt.want)
		}
	}
	for p, want := range map[float64]string{1: "> 99,9 %", 0.9994: "> 99,9 %", 0.982: "98,2 %", 0.5: "50,0 %", 0.0002: "< 0,1 %", 0: "< 0,1 %"} {
		if got := strings.ReplaceAll(probability(n(p), de), gap, " "); got != want {
			t.Errorf("Probability(%g) = %q, want %q", p, got, want)
		}
	}
	if got := probability(nil, de); got != "–" {
		t.Errorf("no probability: %q", got)
	}
}
