package reading

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"proveout/plans"
	"proveout/plans/quantity"
)

// Parse reads the answer to a field. Several readings of a field that may be
// read more than once are separated by commas or semicolons.
func Parse(field plans.Field, text string) ([]Reading, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return nil, fmt.Errorf("%s: nothing was given", field.Name)
	}
	if field.Dimension == "" {
		r, err := word(field, text)
		return []Reading{r}, err
	}
	parts := []string{text}
	if field.Many {
		parts = several(text)
	}
	if len(parts) == 0 {
		return nil, fmt.Errorf("%s: nothing was given", field.Name)
	}
	var out []Reading
	for _, p := range parts {
		r, err := number(field, strings.TrimSpace(p))
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// several parts a list of readings: at semicolons, and at commas that cannot be
// a decimal sign, because a space follows or a point is the decimal sign.
func several(text string) []string {
	comma := strings.Contains(text, ".")
	var out []string
	start := 0
	for i, r := range text {
		if r == ';' || r == ',' && (comma || i+1 == len(text) || text[i+1] == ' ') {
			out = append(out, text[start:i])
			start = i + 1
		}
	}
	out = append(out, text[start:])
	return slices.DeleteFunc(out, func(s string) bool { return strings.TrimSpace(s) == "" })
}

// number reads a number with its unit. "61.5 °C @ 30 min" also says how long
// after the beginning of the run it was read.
func number(field plans.Field, text string) (Reading, error) {
	text, when, timed := strings.Cut(text, "@")
	text = strings.TrimSpace(text)
	var after *float64
	if timed {
		q, err := quantity.Parse(strings.TrimSpace(when), quantity.Duration)
		if err != nil || q.Value < 0 || q.Tolerated {
			return Reading{}, fmt.Errorf(
				"%s: behind @ stands how long after the beginning it was read, as in \"61.5 °C @ 30 min\", not %q",
				field.Name, strings.TrimSpace(when))
		}
		after = &q.Value
	}
	unit, ok := quantity.LookUp(field.Dimension, field.Unit)
	if !ok {
		unit = quantity.Choose(field.Dimension)
	}
	if field.Dimension == quantity.Number && field.Unit != "" {
		// A score may be typed with the unit of its reference set.
		text = strings.TrimSpace(strings.TrimSuffix(text, field.Unit))
	}
	q, over, err := quantity.ParseShown(text, field.Dimension, unit)
	if err != nil {
		return Reading{}, fmt.Errorf("%s: %w", field.Name, err)
	}
	if q.Tolerated {
		return Reading{}, fmt.Errorf(
			"%s: %q has a tolerance, but a reading has none; the uncertainty comes from the instrument",
			field.Name, text)
	}
	return Reading{
		Name: field.Name, Value: &q.Value, Over: over, Text: strings.TrimSpace(q.Text), Unit: q.Unit,
		Resolution: q.Resolution, Place: field.Place, After: after,
	}, nil
}

func word(field plans.Field, text string) (Reading, error) {
	r := Reading{Name: field.Name, Word: text, Text: text}
	if len(field.Words) == 0 {
		return r, nil
	}
	var found []string
	for _, w := range field.Words {
		if strings.EqualFold(w, text) {
			r.Word = w
			return r, nil
		}
		if strings.HasPrefix(strings.ToLower(w), strings.ToLower(text)) {
			found = append(found, w)
		}
	}
	if len(found) == 1 {
		r.Word = found[0]
		return r, nil
	}
	return r, fmt.Errorf("%s: %q is not one of %s", field.Name, text, strings.Join(field.Words, ", "))
}

// A Doubt says that a number is far from what is expected of its field.
type Doubt struct {
	Typed string        // as [Reading.Shown]
	Meant float64       // base unit: what it is with its decimal point put right; 0 when that explains nothing
	Unit  quantity.Unit // for Meant
}

// Slip reports whether the decimal point was probably misplaced.
func (d Doubt) Slip() bool { return d.Meant > 0 }

// Question asks in English whether it was a slip.
func (d Doubt) Question() string {
	return fmt.Sprintf("%s: did you mean %s?", d.Typed, d.Unit.Format(d.Meant, 0))
}

// DoubtOf looks whether a number is so far from what is expected that it was
// probably mistyped.
func DoubtOf(field plans.Field, r Reading) (d Doubt, doubtful bool) {
	value := r.Number()
	if r.Value == nil || r.Over || field.Nominal <= 0 || value <= 0 {
		return Doubt{}, false
	}
	if ratio := value / field.Nominal; ratio > 0.4 && ratio < 2.5 {
		return Doubt{}, false
	}
	d.Typed = r.Shown()
	for power := -6; power <= 6; power++ {
		candidate := value * math.Pow(10, float64(power))
		if ratio := candidate / field.Nominal; power != 0 && ratio > 0.5 && ratio < 2 {
			nearer := d.Meant == 0 || math.Abs(math.Log(ratio)) < math.Abs(math.Log(d.Meant/field.Nominal))
			if nearer {
				d.Meant = candidate
			}
		}
	}
	var known bool
	if d.Unit, known = quantity.LookUp(field.Dimension, r.Unit); !known {
		d.Unit = quantity.Choose(field.Dimension, d.Meant)
	}
	return d, true
}

// Shown is a reading as it was typed, with the unit that was taken where none
// was typed.
func (r Reading) Shown() string {
	switch {
	case r.Value == nil:
		return r.Word
	case r.Unit != "" && !r.Over && strings.Trim(r.Text, "0123456789.,+-") == "":
		return r.Text + " " + r.Unit
	}
	return r.Text
}
