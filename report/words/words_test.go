package words

import (
	"strings"
	"testing"
	"time"
)

func TestFormats(t *testing.T) {
	at := time.Date(2026, 11, 3, 14, 5, 0, 0, time.FixedZone("", 3600))
	for _, tt := range []struct{ lang, want string }{
		{"en", "3 November 2026, 14:05 (UTC+01:00)"},
		{"de", "3. November 2026, 14:05 Uhr (UTC+01:00)"},
		{"fr", "3 novembre 2026 à 14:05 (UTC+01:00)"},
	} {
		c, err := In(tt.lang)
		if err != nil {
			t.Fatal(err)
		}
		if got := c.Time(at); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.lang, got, tt.want)
		}
	}
	de, _ := In("de")
	if got := de.Decimal("166.12"); got != "166,12" {
		t.Errorf("Decimal = %q", got)
	}
	for n, want := range map[int64]string{1234: "1234", 12345: "12\u00a0345", -1234567: "-1\u00a0234\u00a0567"} {
		if got := de.Count(n); got != want {
			t.Errorf("Count(%d) = %q, want %q", n, got, want)
		}
	}
	for s, want := range map[float64]string{12: "12\u00a0s", 2400: "40\u00a0min", 7500: "2\u00a0h 05\u00a0min", 60: "1\u00a0min"} {
		if got := de.Span(s); got != want {
			t.Errorf("Span(%g) = %q, want %q", s, got, want)
		}
	}
	if _, err := In("xx"); err == nil || !strings.Contains(err.Error(), "de, en, fr") {
		t.Errorf("unknown language: %v", err)
	}
	if _, err := In("../en"); err == nil {
		t.Error("a path was taken as a language")
	}
}

// What somebody typed stays as typed, but for the decimal marks of amounts.
func TestTypedTexts(t *testing.T) {
	de, err := In("de")
	if err != nil {
		t.Fatal(err)
	}
	for written, want := range map[string]string{
		"3.3 V ±0.25 V":     "3,3\u00a0V\u00a0±0,25\u00a0V",
		"±0.5 % + 2 digits": "±0,5\u00a0%\u00a0+\u00a02\u00a0digits",
		"2 h 05 min":        "2\u00a0h\u00a005\u00a0min",
		"ab.cd":             "ab.cd",
		"":                  "",
	} {
		if got := de.AsWritten(written); got != want {
			t.Errorf("%q is written %q, want %q", written, got, want)
		}
	}
	for text, want := range map[string]string{
		"Thermal soak": "Wärmelauf", "thermal soak": "thermal soak", "Thermal soak.": "Thermal soak.", "": "",
	} {
		if got := de.Phrase(text); got != want {
			t.Errorf("%q is said %q, want %q", text, got, want)
		}
	}
}
