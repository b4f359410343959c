package document

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"proveout/plans/quantity"
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
	return &target{
		written: Alternatives(plain),
		words:   plain,
		text:    func() string { return string(*to) },
		read: func(s *Section, key string, v *Value) {
			if s.Is(key, v, String) && s.oneOf(key, v, plain) {
				*to = T(strings.TrimSpace(v.Text))
			}
		},
	}
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
		put(to, int(v.Int))
	}
	return Own("whole number", read, func() string {
		n, optional := got[int](to)
		return unless(n == 0 && !optional, strconv.Itoa(n))
	})
}

// put sets a variable of the type T, or one that points to a T.
func put[T any](to any, value T) {
	switch to := to.(type) {
	case *T:
		*to = value
	case **T:
		*to = &value
	}
}

// got returns what put has set, and whether a pointer was set.
func got[T any](from any) (value T, set bool) {
	switch from := from.(type) {
	case *T:
		return *from, false
	case **T:
		if *from != nil {
			return **from, true
		}
	}
	return value, false
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

// A Rule narrows down what may stand in a quantity or a list.
type Rule int

// The rules; they may be joined with |.
const (
	AboveZero  Rule = 1 << iota // the value, and its lower limit, are above zero
	Exact                       // no tolerance
	Tolerated                   // a tolerance must be there
	FromFamily                  // "from family" leaves it to the family
)

// fromFamily is written where the family states the limit.
const fromFamily = "from family"

func (r Rule) written(plain string) string {
	if r&FromFamily != 0 {
		plain += ` or "` + fromFamily + `"`
	}
	return plain
}

// leaves reports whether a value leaves the matter to the family.
func (r Rule) leaves(v *Value) bool {
	return r&FromFamily != 0 && v.Type == String && v.Text == fromFamily
}

// Amount is a quantity of a dimension. It may be left open where the variable
// is a pointer.
func Amount[T quantity.Quantity | *quantity.Quantity](to *T, dim quantity.Dimension, rules Rule) Target {
	read := func(s *Section, key string, v *Value) {
		if rules.leaves(v) {
			return
		}
		if v.Type != String {
			what := "expected a " + string(dim) + " in quotes, found " + v.Type.String()
			s.Add(v.At, key, what, `write it with its unit, such as "`+dim.Example()+`"`)
			return
		}
		if q, ok := s.quantity(key, v, dim, rules); ok {
			put(to, q)
		}
	}
	example := dim.Example()
	if rules&Tolerated != 0 {
		example += exampleTolerance(dim)
	}
	written := rules.written(string(dim) + ` ("` + example + `")`)
	return Own(written, read, func() string {
		q, _ := got[quantity.Quantity](to)
		return unless(q.Text == "", q.String())
	})
}

// quantity reads the quantity that a text holds.
func (s *Section) quantity(key string, v *Value, dim quantity.Dimension, rules Rule) (quantity.Quantity, bool) {
	q, err := quantity.Parse(v.Text, dim)
	what, fix := "", ""
	switch {
	case err != nil:
		s.NotAQuantity(key, v, err)
		return q, false
	case rules&AboveZero != 0 && q.Value < 0:
		what = Quoted(v.Text) + " is negative"
	case rules&AboveZero != 0 && q.Value == 0:
		what, fix = Quoted(v.Text)+" is zero", "write a value above zero"
	case rules&AboveZero != 0 && q.Tolerated && q.Minus >= q.Value:
		what, fix = "the tolerance of "+Quoted(v.Text)+" reaches down to zero", "write a smaller tolerance"
	case rules&Exact != 0 && q.Tolerated:
		what, fix = "a tolerance makes no sense here", `write "`+strings.TrimSuffix(q.String(), " "+q.Tolerance())+`"`
	case rules&Tolerated != 0 && !q.Tolerated:
		what = Quoted(v.Text) + " has no tolerance"
		fix = `write it with one, such as "` + strings.TrimSpace(q.Text) + exampleTolerance(dim) + `"`
		if dim == quantity.Temperature {
			what = "a range is missing"
		}
	default:
		return q, true
	}
	s.Add(v.At, key, what, fix)
	return q, false
}

func exampleTolerance(dim quantity.Dimension) string {
	if dim == quantity.Temperature {
		return " ±5 °C"
	}
	return " ±1 %"
}

// NotAQuantity records what is wrong with a quantity, at the place inside the
// text.
func (s *Section) NotAQuantity(key string, v *Value, err error) {
	var qe *quantity.Error
	if !errors.As(err, &qe) {
		s.Add(v.At, key, err.Error(), "")
		return
	}
	what := qe.What
	if v.Text != "" && !strings.Contains(qe.What, `"`) {
		what = Quoted(v.Text) + ": " + qe.What
	}
	s.Add(v.TextAt(qe.Column, qe.Width), key, what, qe.Fix)
}

// Amounts is a list of quantities above zero, or of their values in base units.
func Amounts[T quantity.Quantity | float64](to *[]T, dim quantity.Dimension) Target {
	read := func(s *Section, key string, v *Value) {
		for _, item := range s.Items(key, v) {
			if !s.Is(key, item, String) {
				continue
			}
			q, ok := s.quantity(key, item, dim, AboveZero)
			if !ok {
				continue
			}
			switch to := any(to).(type) {
			case *[]quantity.Quantity:
				*to = append(*to, q)
			case *[]float64:
				*to = append(*to, q.Value)
			}
		}
	}
	return Own("list of "+string(dim)+"s", read, func() string { return counted(len(*to)) })
}

func counted(n int) string { return unless(n == 0, strconv.Itoa(n)) }

// Texts is a list of texts without repetitions.
func Texts(to *[]string, rules Rule) Target {
	read := func(s *Section, key string, v *Value) {
		if !rules.leaves(v) {
			*to = s.texts(key, v)
		}
	}
	return Own(rules.written("list of text"), read, func() string { return strings.Join(*to, ", ") })
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
	return &target{written: "list of words", words: plain, read: read,
		text: func() string { return strings.Join(plainWords(*to), ", ") }}
}
