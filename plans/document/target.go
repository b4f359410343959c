package document

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Text is a text that is not empty.
func Text(to *string) Target { return Checked(to, "text", nil) }

// Verbatim is a text with the blanks around it.
func Verbatim(to *string) Target {
	return Own("text", func(s *Section, key string, v *Value) {
		if s.Is(key, v, String) {
			*to = v.Text
		}
	}, func() string { return *to })
}

// Checked is a text that check finds nothing wrong with.
func Checked(to *string, written string, check func(text string) (what, fix string)) Target {
	read := func(s *Section, key string, v *Value) {
		if !s.Is(key, v, String) {
			return
		}
		*to = strings.TrimSpace(v.Text)
		if *to == "" {
			s.Add(v.At, key, "empty", "write something, or remove the key")
		} else if check != nil {
			if what, fix := check(*to); what != "" {
				s.Add(v.At, key, what, fix)
			}
		}
	}
	return Own(written, read, func() string { return *to })
}

// ID is an identifier, as file names have it.
func ID(to *string) Target {
	return Checked(to, "id (a-z, 0-9, -)", func(id string) (what, fix string) {
		if IsID(id) {
			return "", ""
		}
		return Quoted(id) + " is not an id", "use small letters, digits and hyphens, 40 at most; ids are used in file names"
	})
}

// IsID reports whether s may be the id of a plan, family, step, bench,
// instrument or technician: small letters, digits and inner hyphens, at most 40.
func IsID(s string) bool {
	return s != "" && len(s) <= 40 && s[0] != '-' && s[len(s)-1] != '-' &&
		strings.Trim(s, "abcdefghijklmnopqrstuvwxyz0123456789-") == ""
}

// Label is a name that readings are typed with: no blanks, no "=".
func Label(to *string) Target {
	return Checked(to, "name without blanks", func(name string) (what, fix string) {
		const letters = "abcdefghijklmnopqrstuvwxyz"
		odd := strings.Trim(strings.ToLower(name), letters+"0123456789+-_.")
		if len(name) <= 40 && odd == "" && strings.IndexFunc(name, beyondASCII) < 0 {
			return "", ""
		}
		return Quoted(name) + " cannot be typed as a name", `use letters, digits and "+", "-", "_", "."`
	})
}

func beyondASCII(r rune) bool { return r >= 0x80 }

// Word is one of a few words.
func Word[T ~string](to *T, words ...T) Target {
	plain := plainWords(words)
	t := Own(Alternatives(plain), func(s *Section, key string, v *Value) {
		if s.Is(key, v, String) && s.oneOf(key, v, plain) {
			*to = T(strings.TrimSpace(v.Text))
		}
	}, func() string { return string(*to) })
	t.words = plain
	return t
}

func plainWords[T ~string](words []T) []string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = string(w)
	}
	return out
}

// fewWords is how many words a type can name.
const fewWords = 5

// Alternatives names a few words, or says that it is one of many.
func Alternatives(words []string) string {
	last := len(words) - 1
	switch {
	case last == 0:
		return `"` + words[0] + `"`
	case last < 0 || last >= fewWords:
		return "word"
	}
	return strings.Join(words[:last], ", ") + " or " + words[last]
}

// Among complains of the items of a list that are none of a few words.
func (s *Section) Among(key string, words []string) {
	e := s.table.Get(key)
	if e == nil {
		return
	}
	for _, item := range e.Value.Items[:min(len(e.Value.Items), MaxItems)] {
		if item.Type == String && strings.TrimSpace(item.Text) != "" {
			s.oneOf(key, item, words)
		}
	}
}

func (s *Section) oneOf(key string, v *Value, words []string) bool {
	known := slices.Contains(words, strings.TrimSpace(v.Text))
	if !known && !s.c.full() {
		s.Add(v.At, key, Quoted(v.Text)+" is not known here", DidYouMean(v.Text, words))
	}
	return known
}

// Flag is true or false.
func Flag(to *bool) Target {
	read := func(s *Section, key string, v *Value) {
		if s.Is(key, v, Boolean) {
			*to = v.Bool
		}
	}
	return Own("true or false", read, func() string { return strconv.FormatBool(*to) })
}

// Whole is a whole number from low to high, which may be left open where the
// variable is a pointer.
func Whole[T int | *int](to *T, low, high int) Target {
	read := func(s *Section, key string, v *Value) {
		if !s.Is(key, v, Integer) {
			return
		}
		if v.Int < int64(low) || v.Int > int64(high) {
			what := strconv.FormatInt(v.Int, 10) + " is out of range"
			s.Add(v.At, key, what, fmt.Sprintf("write a whole number from %d to %d", low, high))
			return
		}
		n := int(v.Int)
		switch to := any(to).(type) {
		case *int:
			*to = n
		case **int:
			*to = &n
		}
	}
	return Own("whole number", read, func() string {
		switch to := any(to).(type) {
		case *int:
			return counted(*to)
		case **int:
			if *to != nil {
				return strconv.Itoa(**to)
			}
		}
		return ""
	})
}

func unless(nothing bool, text string) string {
	if nothing {
		return ""
	}
	return text
}

// Number is a plain number that is finite and above zero.
func Number(to *float64) Target {
	read := func(s *Section, key string, v *Value) {
		switch {
		case !s.Is(key, v, Float):
		case math.IsNaN(v.Float) || math.IsInf(v.Float, 0) || v.Float <= 0:
			s.Add(v.At, key, v.Raw+" is not a number above zero", "")
		default:
			*to = v.Float
		}
	}
	return Own("number", read, func() string { return unless(*to == 0, strconv.FormatFloat(*to, 'g', -1, 64)) })
}

// Day is a date, as TOML has it or as text.
func Day(to *string) Target {
	read := func(s *Section, key string, v *Value) {
		if v.Type != String && !s.Is(key, v, Date) {
			return
		}
		if _, err := time.Parse(time.DateOnly, v.Text); err != nil {
			s.Add(v.At, key, Quoted(v.Text)+" is not a date", `write year-month-day, such as 2026-03-01`)
			return
		}
		*to = v.Text
	}
	return Own("date", read, func() string { return *to })
}

func counted(n int) string { return unless(n == 0, strconv.Itoa(n)) }

// Texts is a list of texts without repetitions.
func Texts(to *[]string) Target {
	read := func(s *Section, key string, v *Value) { *to = s.texts(key, v) }
	return Own("list of text", read, func() string { return strings.Join(*to, ", ") })
}

func (s *Section) texts(key string, v *Value) []string {
	out := []string{}
	for _, item := range s.Items(key, v) {
		t := strings.TrimSpace(item.Text)
		switch {
		case !s.Is(key, item, String):
		case t == "":
			s.Add(item.At, key, "empty text", "remove it")
		case slices.Contains(out, t):
			s.Add(item.At, key, Quoted(t)+" stands twice", "remove one of them")
		default:
			out = append(out, t)
		}
	}
	return out
}

// Words is a list of texts that are some of a few words.
func Words[T ~string](to *[]T, words ...T) Target {
	plain := plainWords(words)
	read := func(s *Section, key string, v *Value) {
		for _, text := range s.texts(key, v) {
			*to = append(*to, T(text))
		}
		s.Among(key, plain)
	}
	t := Own("list of words", read, func() string { return strings.Join(plainWords(*to), ", ") })
	t.words = plain
	return t
}
