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

// A resistance above the range of the meter is a reading, in the typed answer as
// in a results file, and no slip of the decimal point.
func TestOverTheRange(t *testing.T) {
	field := plans.Field{Name: "3V3.ohm", Dimension: quantity.Resistance, Unit: "ohm", Nominal: 38}
	for text, want := range map[string]Reading{
		"OL":         {Text: "OL"},
		"O.L MΩ":     {Text: "OL"},
		"overload":   {Text: "OL"},
		">20 MΩ":     {Text: ">20 MΩ", Unit: "MΩ", Resolution: 1e6},
		"OL @ 3 min": {Text: "OL"},
	} {
		got, err := Parse(field, text)
		if err != nil || len(got) != 1 || !got[0].Over || got[0].Text != want.Text || got[0].Shown() != want.Text {
			t.Errorf("%q: %+v, %v", text, got, err)
			continue
		}
		if _, doubtful := DoubtOf(field, got[0]); doubtful {
			t.Errorf("%q is doubted", text)
		}
		if end := 20e6 * want.Resolution / 1e6; got[0].Number() != end {
			t.Errorf("%q: the range ends at %g, want %g", text, got[0].Number(), end)
		}
	}
	volt := plans.Field{Name: "3V3.volt", Dimension: quantity.Voltage, Unit: "V"}
	if got, err := Parse(volt, "OL"); err == nil {
		t.Errorf("a voltage is %+v", got)
	}
}
