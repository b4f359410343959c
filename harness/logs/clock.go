package logs

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// A clock reads times that are not plain numbers.
type clock struct {
	daily  bool   // time of day only
	layout string // of package time; empty for the two that are read by hand
	minute bool   // mm:ss
	// base is taken off every time that carries a date, so that a float64 keeps
	// its fractions; s since 1970.
	base int64
}

// newClock returns the clock for Column.Time.
func newClock(written string) (*clock, error) {
	switch written {
	case TimeDate:
		return &clock{}, nil
	case TimeClock:
		return &clock{daily: true}, nil
	case "mm:ss":
		return &clock{minute: true}, nil
	}
	layout := strings.NewReplacer("YYYY", "2006", "YY", "06", "MM", "01", "DD", "02", "hh", "15", "mm", "04", "ss", "05").Replace(written)
	for _, must := range []string{"06", "01", "02", "15", "04"} {
		if !strings.Contains(layout, must) {
			return nil, fmt.Errorf("time layout %s must hold YYYY, MM, DD, hh, mm and ss", shown(written))
		}
	}
	return &clock{layout: layout}, nil
}

// dated reports whether the times carry a date, so that they count from the
// first of a run.
func (c *clock) dated() bool { return !c.minute }

var errTime = errors.New("not a time")

// read returns the time in s: since base for a date, since midnight for a time
// of day.
func (c *clock) read(text []byte) (float64, int, error) {
	if c.layout != "" {
		t, err := time.Parse(c.layout, string(text))
		if err != nil {
			return 0, 0, errTime
		}
		return float64(t.Unix()-c.base) + float64(t.Nanosecond())/1e9, fractionDigits(text), nil
	}
	var day int64
	if !c.daily && !c.minute {
		var ok bool
		if day, text, ok = date(text); !ok {
			return 0, 0, errTime
		}
	}
	h, rest, ok := int64(0), text, true
	if !c.minute {
		h, rest, ok = pair(text, 23, ':')
	}
	m, rest, ok2 := pair(rest, 59, ':')
	s, rest, ok3 := pair(rest, 60, 0)
	if !ok || !ok2 || !ok3 {
		return 0, 0, errTime
	}
	whole := h*3600 + m*60 + s
	frac, digits, rest, ok := fraction(rest)
	if !ok {
		return 0, 0, errTime
	}
	if !c.daily && !c.minute {
		off, ok := offset(rest)
		if !ok {
			return 0, 0, errTime
		}
		return float64(day*86400+whole-off-c.base) + frac, digits, nil
	}
	if len(rest) > 0 {
		return 0, 0, errTime
	}
	return float64(whole) + frac, digits, nil
}

// pair reads one or two digits up to most, and the byte end behind them.
func pair(b []byte, most int64, end byte) (int64, []byte, bool) {
	var v int64
	n := 0
	for n < len(b) && n < 2 && b[n]-'0' <= 9 {
		v = v*10 + int64(b[n]-'0')
		n++
	}
	if n == 0 || v > most || (end == 0 && n != 2) {
		return 0, b, false
	}
	if end == 0 {
		return v, b[n:], true
	}
	if n >= len(b) || b[n] != end {
		return 0, b, false
	}
	return v, b[n+1:], true
}

// fraction reads a fraction of a second.
func fraction(b []byte) (v float64, digits int, rest []byte, ok bool) {
	if len(b) == 0 || (b[0] != '.' && b[0] != ',') {
		return 0, 0, b, true
	}
	m, _, end, _, ok := scanDecimal(b, 1, '.')
	if !ok || b[1]-'0' > 9 {
		return 0, 0, b, false
	}
	digits = end - 1
	return float64(m) / pow10[digits], digits, b[end:], true
}

func fractionDigits(text []byte) int {
	i := strings.LastIndexAny(string(text), ".,:")
	if i < 0 || text[i] == ':' || strings.Count(string(text[:i]), ":") < 2 {
		return 0
	}
	n := 0
	for _, c := range text[i+1:] {
		if c-'0' > 9 {
			break
		}
		n++
	}
	return n
}

// date reads "2026-11-24" and the T or space behind it; days since 1970-01-01.
func date(b []byte) (int64, []byte, bool) {
	if len(b) < 11 || (b[4] != '-' && b[4] != '/') || b[7] != b[4] || (b[10] != 'T' && b[10] != 't' && b[10] != ' ') {
		return 0, b, false
	}
	var n [8]int64
	for k, i := range [...]int{0, 1, 2, 3, 5, 6, 8, 9} {
		d := b[i] - '0'
		if d > 9 {
			return 0, b, false
		}
		n[k] = int64(d)
	}
	y, m, d := n[0]*1000+n[1]*100+n[2]*10+n[3], n[4]*10+n[5], n[6]*10+n[7]
	if m < 1 || m > 12 || d < 1 || d > monthDays(y, m) {
		return 0, b, false
	}
	return civilDays(y, m, d), b[11:], true
}

func monthDays(y, m int64) int64 {
	switch m {
	case 2:
		if y%4 == 0 && (y%100 != 0 || y%400 == 0) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

// civilDays counts days of the Gregorian calendar from 1970-01-01, for years
// from 0; checked against package time in the tests.
func civilDays(y, m, d int64) int64 {
	if m <= 2 {
		y--
		m += 12
	}
	return 365*y + floorDiv(y, 4) - floorDiv(y, 100) + floorDiv(y, 400) + (153*(m-3)+2)/5 + d - 1 - 719468
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// offset reads "Z", "+01:00", "+0100", or nothing; s east of UTC.
func offset(b []byte) (int64, bool) {
	if len(b) > 0 && b[0] == ' ' {
		b = b[1:]
	}
	if len(b) == 0 || (len(b) == 1 && (b[0] == 'Z' || b[0] == 'z')) {
		return 0, true
	}
	if b[0] != '+' && b[0] != '-' {
		return 0, false
	}
	sign := int64(1)
	if b[0] == '-' {
		sign = -1
	}
	b = b[1:]
	if len(b) == 5 && b[2] == ':' {
		b = []byte{b[0], b[1], b[3], b[4]}
	}
	if len(b) != 4 {
		return 0, false
	}
	h, _, ok := pair(b[:2], 23, 0)
	m, _, ok2 := pair(b[2:], 59, 0)
	return sign * (h*3600 + m*60), ok && ok2
}
