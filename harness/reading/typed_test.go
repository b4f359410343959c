package reading

import (
	"math"
	"strings"
	"testing"

	"proveout/plans"
	"proveout/plans/quantity"
)

func TestParseSeveral(t *testing.T) {
	field := plans.Field{Name: "temperature", Dimension: quantity.Temperature, Unit: "°C", Many: true}
	for text, want := range map[string][]float64{
		"61.5":                          {61.5},
		"61.5, 62.0":                    {61.5, 62},
		"61.5,62.0":                     {61.5, 62},
		"61; 62;":                       {61, 62},
		"61, 62":                        {61, 62},
		"61.5 °C @ 30 min, 62 @ 40 min": {61.5, 62},
	} {
		got, err := Parse(field, text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		var values []float64
		for _, r := range got {
			values = append(values, r.Number())
		}
		if len(values) != len(want) {
			t.Errorf("%q: got %v, want %v", text, values, want)
			continue
		}
		for i := range want {
			if math.Abs(values[i]-want[i]) > 1e-9 {
				t.Errorf("%q: got %v, want %v", text, values, want)
			}
		}
	}
	for _, text := range []string{"", ";", "61,5", "61,5 °C", "61,5; 62,0", // a decimal comma is never two readings
		"61 +- 2", "warm", "61.5 MHz", "61 @ noon"} {
		if got, err := Parse(field, text); err == nil {
			t.Errorf("%q: got %v, want an error", text, got)
		}
	}
}

func TestDoubt(t *testing.T) {
	field := plans.Field{Name: "core", Dimension: quantity.Frequency, Unit: "MHz", Nominal: 137e6}
	for text, want := range map[string]string{
		"137":      "",
		"140 MHz":  "", // off, but a value a card may show: the verdict says so
		"1375 MHz": "1375 MHz: did you mean 137.5 MHz?",
		"1375":     "1375 MHz: did you mean 137.5 MHz?",
		"13.7":     "13.7 MHz: did you mean 137 MHz?",
		"137 kHz":  "137 kHz: did you mean 137",
		"500":      "500 MHz", // far off, and no slip
	} {
		readings, err := Parse(field, text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		doubt, doubtful := DoubtOf(field, readings[0])
		got := doubt.Typed
		if doubt.Slip() {
			got = doubt.Question()
		}
		if doubtful != (want != "") || !strings.HasPrefix(got, want) {
			t.Errorf("%q: got %q, want %q", text, got, want)
		}
	}
}
