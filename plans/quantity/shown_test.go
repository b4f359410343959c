package quantity

import (
	"errors"
	"math"
	"testing"
)

// Codes of IEC 60062 (2016), 4.1 (from memory), and what hand-held meters show
// above their range (common practice, no source).
func TestShownByAMeter(t *testing.T) {
	ohm, _ := LookUp(Resistance, "ohm")
	for _, tt := range []struct {
		text        string
		value, step float64
		over        bool
		shown       string
	}{
		{"2k2", 2200, 100, false, "2.2 kΩ"},
		{"2K2", 2200, 100, false, "2.2 kΩ"},
		{"R47", 0.47, 0.01, false, "0.47 Ω"},
		{"0R47", 0.47, 0.01, false, "0.47 Ω"},
		{"4R7", 4.7, 0.1, false, "4.7 Ω"},
		{"1M5", 1.5e6, 1e5, false, "1.5 MΩ"},
		{"68k1 Ω", 68100, 100, false, "68.1 kΩ"},
		{"100R", 100, 1, false, "100 Ω"},
		{"36k", 36000, 1000, false, "36 kΩ"},
		{"20M", 20e6, 1e6, false, "20 MΩ"},
		{"0.9 ohm", 0.9, 0.1, false, "0.9 Ω"},
		{"0.9", 0.9, 0.1, false, "0.9 Ω"},
		{"OL", 0, 0, true, ""},
		{"O.L", 0, 0, true, ""},
		{" o.l MΩ", 0, 0, true, ""},
		{"0.L kΩ", 0, 0, true, ""},
		{"open", 0, 0, true, ""},
		{"∞", 0, 0, true, ""},
		{">20M", 20e6, 1e6, true, "20 MΩ"},
		{"> 20 MΩ", 20e6, 1e6, true, "20 MΩ"},
		{">2000", 2000, 1, true, "2000 Ω"},
	} {
		q, over, err := ParseShown(tt.text, Resistance, ohm)
		if err != nil || over != tt.over || math.Abs(q.Value-tt.value) > 1e-9 || math.Abs(q.Resolution-tt.step) > 1e-9 {
			t.Errorf("ParseShown(%q) = %+v, %v, %v", tt.text, q, over, err)
		} else if tt.shown != "" && q.String() != tt.shown {
			t.Errorf("%q is printed %q, want %q", tt.text, q.String(), tt.shown)
		}
	}
	for _, text := range []string{
		"2k2k", "k", "2kk2", "20m", ">", ">0", "> -5", "OLE", "-2k2", "4R7J", "R4R7", "2k2.5", "12345k2",
	} {
		if q, over, err := ParseShown(text, Resistance, ohm); err == nil {
			t.Errorf("ParseShown(%q) = %+v, %v", text, q, over)
		}
	}
	volt, _ := LookUp(Voltage, "V")
	for _, text := range []string{"OL", "O.L", "open", ">20", "2V2"} {
		var e *Error
		if q, over, err := ParseShown(text, Voltage, volt); !errors.As(err, &e) || over {
			t.Errorf("ParseShown(%q) of a voltage = %+v, %v, %v", text, q, over, err)
		}
	}
}
