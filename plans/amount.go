package plans

import (
	"errors"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// An amountRule narrows down which quantities may stand at a key.
type amountRule int

// The rules; they may be joined with |.
const (
	aboveZero amountRule = 1 << iota // the value, and its lower limit, are above zero
	exact                            // no tolerance
	tolerated                        // a tolerance must be there
)

// exactly is a quantity above zero that takes no tolerance.
func exactly[T quantity.Quantity | *quantity.Quantity](to *T, dim quantity.Dimension) document.Target {
	return amount(to, dim, exact|aboveZero)
}

// amount is a quantity of a dimension. It may be left open where the variable is
// a pointer.
func amount[T quantity.Quantity | *quantity.Quantity](
	to *T, dim quantity.Dimension, rules amountRule,
) document.Target {
	read := func(s *section, key string, v *document.Value) {
		if v.Type != document.String {
			what := "expected a " + string(dim) + " in quotes, found " + v.Type.String()
			s.Add(v.At, key, what, `write it with its unit, such as "`+dim.Example()+`"`)
			return
		}
		q, ok := readQuantity(s, key, v, dim, rules)
		if !ok {
			return
		}
		switch to := any(to).(type) {
		case *quantity.Quantity:
			*to = q
		case **quantity.Quantity:
			*to = &q
		}
	}
	example := dim.Example()
	if rules&tolerated != 0 {
		example += exampleTolerance(dim)
	}
	return document.Own(string(dim)+` ("`+example+`")`, read, func() string {
		switch to := any(to).(type) {
		case *quantity.Quantity:
			if to.Text != "" {
				return to.String()
			}
		case **quantity.Quantity:
			if *to != nil {
				return (*to).String()
			}
		}
		return ""
	})
}

// amounts is a list of quantities above zero, or of their values in base units.
func amounts[T quantity.Quantity | float64](to *[]T, dim quantity.Dimension) document.Target {
	read := func(s *section, key string, v *document.Value) {
		for _, item := range s.Items(key, v) {
			if !s.Is(key, item, document.String) {
				continue
			}
			q, ok := readQuantity(s, key, item, dim, aboveZero)
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
	return document.Own("list of "+string(dim)+"s", read, func() string {
		if len(*to) == 0 {
			return ""
		}
		return strconv.Itoa(len(*to))
	})
}

// readQuantity reads the quantity that a text holds.
func readQuantity(
	s *section, key string, v *document.Value, dim quantity.Dimension, rules amountRule,
) (quantity.Quantity, bool) {
	q, err := quantity.Parse(v.Text, dim)
	quoted := document.Quoted(v.Text)
	what, fix := "", ""
	switch {
	case err != nil:
		notAQuantity(s, key, v, err)
		return q, false
	case rules&aboveZero != 0 && q.Value < 0:
		what = quoted + " is negative"
	case rules&aboveZero != 0 && q.Value == 0:
		what, fix = quoted+" is zero", "write a value above zero"
	case rules&aboveZero != 0 && q.Tolerated && q.Minus >= q.Value:
		what, fix = "the tolerance of "+quoted+" reaches down to zero", "write a smaller tolerance"
	case rules&exact != 0 && q.Tolerated:
		what, fix = "a tolerance makes no sense here", `write "`+strings.TrimSuffix(q.String(), " "+q.Tolerance())+`"`
	case rules&tolerated != 0 && !q.Tolerated:
		what = quoted + " has no tolerance"
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

// notAQuantity records what is wrong with a quantity, at the place inside the
// text.
func notAQuantity(s *section, key string, v *document.Value, err error) {
	var qe *quantity.Error
	if !errors.As(err, &qe) {
		s.Add(v.At, key, err.Error(), "")
		return
	}
	what := qe.What
	if v.Text != "" && !strings.Contains(qe.What, `"`) {
		what = document.Quoted(v.Text) + ": " + qe.What
	}
	s.Add(v.TextAt(qe.Column, qe.Width), key, what, qe.Fix)
}

// fromFamily is written where the family states the limit.
const fromFamily = "from family"

// orFromFamily is a value that may be left to the family.
func orFromFamily(value document.Target) document.Target {
	read := func(s *section, key string, v *document.Value) {
		if v.Type != document.String || v.Text != fromFamily {
			value.Read(s, key, v)
		}
	}
	return document.Own(value.Type+` or "`+fromFamily+`"`, read, value.Text)
}
