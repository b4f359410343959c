package logs

import (
	"fmt"
	"strings"
	"time"
)

// A clock reads times that are not plain numbers.
type clock struct {
	form   clockForm
	layout string // of package time, for a dated form that is not read by hand
	// base is taken off every time that carries a date, so that a float64 keeps
	// its fractions; s since 1970.
	base int64
}

// A clockForm says from when the times of a clock count.
type clockForm uint8

const (
	dated   clockForm = iota // date and time of day
	daily                    // time of day alone: it falls back at midnight
	counted                  // minutes and seconds since something began
)

// newClock returns the clock for Column.Time.
func newClock(written string) (*clock, error) {
	switch written {
	case TimeDate:
		return &clock{form: dated}, nil
	case TimeClock:
		return &clock{form: daily}, nil
	case "mm:ss":
		return &clock{form: counted}, nil
	}
	layout := strings.NewReplacer("YYYY", "2006", "YY", "06", "MM", "01", "DD", "02",
		"hh", "15", "mm", "04", "ss", "05").Replace(written)
	for _, must := range []string{"06", "01", "02", "15", "04"} {
		if !strings.Contains(layout, must) {
			return nil, fmt.Errorf("time layout %s must hold YYYY, MM, DD, hh, mm and ss", shown(written))
		}
	}
	return &clock{form: dated, layout: layout}, nil
}

// read returns the time in s, since base for a date and since midnight for a
// time of day, and how many decimals its seconds have. It takes what package
// time takes for the layout, or by hand, because that is several times as fast:
// 2026-11-24T22:41:39.5+01:00, 2026/11/24 22:41:39, 22:41:39,5, 41:39.
func (c *clock) read(text []byte) (seconds float64, decimals int, ok bool) {
	if c.layout != "" {
		t, err := time.Parse(c.layout, string(text))
		return float64(t.Unix()-c.base) + float64(t.Nanosecond())/1e9, fractionDigits(text), err == nil
	}
	var day, hours, east int64
	if c.form == dated {
		if day, text, ok = date(text); !ok {
			return 0, 0, false
		}
	}
	if c.form != counted {
		if hours, text, ok = pair(text, 23, ':'); !ok {
			return 0, 0, false
		}
	}
	minutes, text, ok := pair(text, 59, ':')
	whole, rest, ok2 := pair(text, 60, 0) // 60 is a leap second
	part, decimals, rest, ok3 := fraction(rest)
	if !ok || !ok2 || !ok3 {
		return 0, 0, false
	}
	if c.form == dated {
		east, ok = offset(rest)
	} else {
		ok = len(rest) == 0
	}
	return float64(day+hours*3600+minutes*60+whole-east-c.base) + part, decimals, ok
}

// pair reads one or two digits up to most, and the byte end behind them; with
// end 0 two digits that anything may follow.
func pair(b []byte, most int64, end byte) (v int64, rest []byte, ok bool) {
	n := 0
	for n < len(b) && n < 2 && b[n]-'0' <= 9 {
		v = v*10 + int64(b[n]-'0')
		n++
	}
	switch {
	case n == 0 || v > most:
		return 0, b, false
	case end == 0:
		return v, b[n:], n == 2
	case n >= len(b) || b[n] != end:
		return 0, b, false
	}
	return v, b[n+1:], true
}

// fraction reads a fraction of a second, where there is one.
func fraction(b []byte) (v float64, digits int, rest []byte, ok bool) {
	if len(b) == 0 || b[0] != '.' && b[0] != ',' {
		return 0, 0, b, true
	}
	var m uint64
	n := 1
	for ; n < len(b) && b[n]-'0' <= 9; n++ {
		m = m*10 + uint64(b[n]-'0')
	}
	if digits = n - 1; digits == 0 || digits > 18 {
		return 0, 0, b, false
	}
	return float64(m) / pow10[digits], digits, b[n:], true
}

// fractionDigits returns how many decimals the seconds of a time have that
// package time has read.
func fractionDigits(text []byte) int {
	i := strings.LastIndexAny(string(text), ".,:")
	if i < 0 || text[i] == ':' || strings.Count(string(text[:i]), ":") < 2 {
		return 0
	}
	n := 0
	for n < len(text)-i-1 && text[i+1+n]-'0' <= 9 {
		n++
	}
	return n
}

// date reads "2026-11-24" and the T or space behind it; s since 1970.
func date(b []byte) (seconds int64, rest []byte, ok bool) {
	if len(b) < 11 || b[4] != '-' && b[4] != '/' || b[7] != b[4] || b[10]|0x20 != 't' && b[10] != ' ' {
		return 0, b, false
	}
	number := func(digits []byte) (n int) {
		for _, c := range digits {
			if c-'0' > 9 {
				return -1
			}
			n = n*10 + int(c-'0')
		}
		return n
	}
	year, month, day := number(b[:4]), number(b[5:7]), number(b[8:10])
	t := time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	// A date that no calendar has comes back as another one.
	return t.Unix(), b[11:], year >= 0 && t.Year() == year && int(t.Month()) == month && t.Day() == day
}

// offset reads "Z", "+01:00", "+0100", or nothing; s east of UTC.
func offset(b []byte) (int64, bool) {
	if len(b) > 0 && b[0] == ' ' {
		b = b[1:]
	}
	if len(b) == 0 || len(b) == 1 && b[0]|0x20 == 'z' {
		return 0, true
	}
	sign := int64(1)
	switch b[0] {
	case '-':
		sign = -1
	case '+':
	default:
		return 0, false
	}
	var hours, minutes []byte
	switch {
	case len(b) == 6 && b[3] == ':':
		hours, minutes = b[1:3], b[4:]
	case len(b) == 5:
		hours, minutes = b[1:3], b[3:]
	default:
		return 0, false
	}
	h, _, ok := pair(hours, 23, 0)
	m, _, ok2 := pair(minutes, 59, 0)
	return sign * (h*3600 + m*60), ok && ok2
}
