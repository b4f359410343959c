package logs

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
)

// A clock reads times that are not plain numbers.
type clock struct {
	written string // as Column.Time says
	form    clockForm
	layouts []string // of package time; the one that fitted last comes first
	// base is taken off every time that carries a date, so that a float64 keeps
	// its fractions: the first second that was read, since 1970.
	base  int64
	based bool
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
	c := &clock{written: written}
	switch written {
	case TimeDate:
		const plain = "2006-01-02 15:4:05"
		c.layouts = []string{plain, plain + "Z07:00", plain + "Z0700", "2006-01-02 3:4:05 PM"}
		return c, nil
	case TimeClock:
		c.form, c.layouts = daily, []string{"15:4:05", "3:4:05 PM", "3:4:05PM"}
		return c, nil
	case TimeMinute:
		c.form, c.layouts = daily, []string{"15:04", "3:04 PM", "3:04PM"}
		return c, nil
	case TimeSecond:
		c.form, c.layouts = counted, []string{"4:05"}
		return c, nil
	}
	for _, must := range []string{"YY", "MM", "DD", "hh", "mm"} {
		if !strings.Contains(written, must) {
			return nil, fmt.Errorf("time layout %s must hold YYYY, MM, DD, hh, mm and ss", shown(written))
		}
	}
	hour, half := "15", strings.Contains(written, "PM")
	if half {
		hour = "3"
	}
	of := func(month, day string) string {
		return strings.NewReplacer("YYYY", "2006", "YY", "06", "MM", month, "DD", day,
			"hh", hour, "mm", "04", "ss", "05", "PM", "PM").Replace(written)
	}
	c.layouts = []string{of("01", "02")}
	if apart.MatchString(written) {
		c.layouts = append(c.layouts, of("1", "2")) // 5/6/2026
	}
	return c, nil
}

// apart is a layout whose month and day stand between other signs, so that they
// may have one digit.
var apart = regexp.MustCompile(`^(.*[^A-Za-z])?(MM|DD)[^A-Za-z].*(MM|DD)([^A-Za-z]|$)`)

// halfDays are the ways to write AM and PM, brought to one.
var halfDays = strings.NewReplacer("A.M.", "AM", "P.M.", "PM", "A. M.", "AM", "P. M.", "PM",
	"\u202f", " ", "\u00a0", " ")

// read returns the time in s, since base for a date and since midnight for a
// time of day, and how many decimals its seconds have.
func (c *clock) read(text []byte) (seconds float64, decimals int, ok bool) {
	plain := string(text)
	if n := len(text); n > 0 && text[n-1]|0x20 == 'm' || n > 1 && text[n-1] == '.' {
		plain = halfDays.Replace(strings.ToUpper(plain))
	}
	if c.written == TimeDate {
		plain = oneSpelling(plain)
	}
	for i, layout := range c.layouts {
		t, err := time.Parse(layout, plain)
		if err != nil {
			continue
		}
		c.layouts = slices.Insert(slices.Delete(c.layouts, i, i+1), 0, layout)
		whole := int64(t.Hour()*3600 + t.Minute()*60 + t.Second())
		if c.form == dated {
			if !c.based {
				c.base, c.based = t.Unix(), true
			}
			whole = t.Unix() - c.base
		}
		return float64(whole) + float64(t.Nanosecond())/1e9, secondDecimals(plain), true
	}
	if before, after, leap := leapSecond(plain); leap {
		seconds, decimals, ok = c.read([]byte(before + ":59" + after))
		return seconds + 1, decimals, ok
	}
	return 0, 0, false
}

// leapSecond cuts a time at its second 60, which follows 59 on some nights.
func leapSecond(text string) (before, after string, leap bool) {
	i := strings.LastIndex(text, ":60")
	if i < 0 || !strings.Contains(text[:i], ":") {
		return "", "", false
	}
	after = text[i+len(":60"):]
	return text[:i], after, after == "" || strings.ContainsAny(after[:1], ".,+-Z")
}

// oneSpelling writes a date and time of RFC 3339 and its relatives in one way:
// 2026-11-24t22:41:39z, 2026/11/24 22:41:39 +0100.
func oneSpelling(text string) string {
	const date = len("2026-11-24")
	if len(text) <= date || !strings.ContainsRune(" Tt", rune(text[date])) {
		return text
	}
	clock := strings.ToUpper(text[date+1:])
	if i := strings.LastIndexByte(clock, ' '); i >= 0 && strings.ContainsAny(clock[i:], "+-Z") {
		clock = clock[:i] + clock[i+1:] // the offset stands apart
	}
	return strings.ReplaceAll(text[:date], "/", "-") + " " + clock
}

// secondDecimals returns how many decimals the seconds of a time have: the
// digits behind the point or comma of ":39.5".
func secondDecimals(text string) int {
	for i := 3; i < len(text); i++ {
		if text[i-3] == ':' && (text[i] == '.' || text[i] == ',') {
			fraction := text[i+1:]
			return len(fraction) - len(strings.TrimLeft(fraction, "0123456789"))
		}
	}
	return 0
}
