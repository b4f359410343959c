package words

import (
	"strings"
	"time"
)

// quantity puts a number with its unit and uncertainty into the language's
// form: "(70.9 ± 1.7) °C", "166 MHz ±1 %", "2 h 05 min". It is false for
// anything else.
func (c *Catalogue) quantity(s string) (string, bool) { return formed(s, c.T("number.mark")) }

// Quantity reports whether s is a number with its unit and uncertainty, in any
// language's form.
func Quantity(s string) bool {
	_, ok := formed(strings.ReplaceAll(s, ",", "."), ".")
	return ok
}

func formed(s, mark string) (string, bool) {
	var b strings.Builder
	some, after := false, false // a number; right after a number
	for i, word := range strings.Split(strings.ReplaceAll(s, "\u00a0", " "), " ") {
		if i > 0 {
			b.WriteString("\u00a0")
		}
		core := strings.TrimRight(strings.TrimLeft(word, "(≤≥<>"), "),")
		switch {
		case core == "±" || core == "=" || unit(core):
			if i == 0 {
				return s, false
			}
			b.WriteString(word)
			after = false
		case numeral(core):
			if strings.Contains(word, ",") || after && core[0] != "±"[0] {
				return s, false // an enumeration, or a fingerprint in groups
			}
			some, after = true, true
			b.WriteString(strings.Replace(word, ".", mark, 1))
		default:
			return s, false
		}
	}
	return b.String(), some
}

// numeral reports whether s is a decimal number, with or without a sign, an
// exponent and a sign of per cent.
func numeral(s string) bool {
	s = strings.TrimPrefix(s, "±")
	if s == "" {
		return false
	}
	if r := s[0]; r == '+' || r == '-' {
		s = s[1:]
	}
	s = strings.TrimPrefix(s, "−")
	digits, points, exponents := 0, 0, 0
	for i := 0; i < len(s); i++ {
		switch ch := s[i]; {
		case ch >= '0' && ch <= '9':
			digits++
		case ch == '.' && points == 0 && exponents == 0 && digits > 0 && i+1 < len(s):
			points++
		case ch == 'e' && digits > 0 && exponents == 0 && i+1 < len(s):
			exponents++
			if s[i+1] == '+' || s[i+1] == '-' {
				i++
			}
		default:
			return false
		}
	}
	return digits > 0
}

// unit reports whether s is the sign of a unit.
func unit(s string) bool {
	switch s {
	case "s", "ms", "µs", "ns", "min", "h", "d", "%", "°C", "K", "K/h", "°C/h", "ms/min", "K/W", "°C/W", "Hz", "kHz", "MHz", "GHz", "V", "mV", "A", "mA", "W",
		"mΩ", "Ω", "kΩ", "MΩ", "ppm", "B", "KiB", "MiB", "GiB", "bit", "fps", "dB", "px", "mm", "eV":
		return true
	}
	return false
}

// moment puts a date, with or without the time, into the language's form. It is
// false for what does not look like one of the forms that the program writes.
func (c *Catalogue) moment(s string) (string, bool) {
	if len(s) < 10 || len(s) > 32 || s[0] < '0' || s[0] > '9' {
		return s, false
	}
	for _, form := range []string{"2006-01-02", "2 January 2006"} {
		if t, err := time.Parse(form, s); err == nil {
			return c.Date(t), true
		}
	}
	for _, form := range []string{"2 January 2006 15:04 -07:00", "2 January 2006 15:04 UTC"} {
		if t, err := time.Parse(form, s); err == nil {
			return c.Time(t), true
		}
	}
	return s, false
}
