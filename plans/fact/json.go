package fact

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"
)

// The forms of arguments in JSON: a string is a [Name], a whole number a
// [Count]; everything else is an object, told by the first of these fields.
type written struct {
	Fact   *string          `json:"fact,omitempty"`
	Args   Args             `json:"args,omitempty"`
	Amount *json.RawMessage `json:"amount,omitempty"` // a number, null when it is not finite
	Unit   string           `json:"unit,omitempty"`
	U      float64          `json:"u,omitempty"`
	Step   float64          `json:"step,omitempty"`
	Exact  bool             `json:"exact,omitempty"`
	Signed bool             `json:"signed,omitempty"`
	Phrase *string          `json:"phrase,omitempty"`
	As     *string          `json:"as_written,omitempty"`
	Date   string           `json:"date,omitempty"` // 2006-01-02
	At     string           `json:"at,omitempty"`   // RFC 3339
	Join   Join             `json:"join,omitempty"`
	Items  []writtenArg     `json:"items,omitempty"`
}

// A writtenArg is an argument on its way from or to JSON.
type writtenArg struct{ Arg }

const day = "2006-01-02"

// MarshalJSON writes every argument in its form.
func (a Args) MarshalJSON() ([]byte, error) {
	out := make(map[string]writtenArg, len(a))
	for name, v := range a {
		out[name] = writtenArg{v}
	}
	return json.Marshal(out)
}

// UnmarshalJSON reads what MarshalJSON wrote and refuses anything else.
func (a *Args) UnmarshalJSON(text []byte) error {
	var in map[string]writtenArg
	if err := json.Unmarshal(text, &in); err != nil {
		return err
	}
	*a = make(Args, len(in))
	for name, v := range in {
		if v.Arg == nil {
			return fmt.Errorf("the argument %s is empty", name)
		}
		(*a)[name] = v.Arg
	}
	return nil
}

// MarshalJSON writes the argument in its form.
func (w writtenArg) MarshalJSON() ([]byte, error) {
	switch v := w.Arg.(type) {
	case Name:
		return json.Marshal(string(v))
	case Count:
		return json.Marshal(int64(v))
	case Amount:
		number := json.RawMessage("null")
		if !math.IsNaN(v.Value) && !math.IsInf(v.Value, 0) {
			n, err := json.Marshal(v.Value)
			if err != nil {
				return nil, err
			}
			number = n
		}
		return json.Marshal(written{Amount: &number, Unit: v.Unit, U: v.U, Step: v.Step, Exact: v.Exact, Signed: v.Signed})
	case Phrase:
		s := string(v)
		return json.Marshal(written{Phrase: &s})
	case AsWritten:
		s := string(v)
		return json.Marshal(written{As: &s})
	case Date:
		return json.Marshal(written{Date: time.Time(v).Format(day)})
	case Moment:
		return json.Marshal(written{At: time.Time(v).Format(time.RFC3339Nano)})
	case List:
		out := written{Join: v.Join, Items: make([]writtenArg, len(v.Items))}
		for i, item := range v.Items {
			out.Items[i] = writtenArg{item}
		}
		return json.Marshal(out)
	case Fact:
		return json.Marshal(written{Fact: &v.Key, Args: v.Args})
	}
	return nil, fmt.Errorf("a %T is no argument of a fact", w.Arg)
}

// UnmarshalJSON reads an argument in any of its forms.
func (w *writtenArg) UnmarshalJSON(text []byte) error {
	text = bytes.TrimSpace(text)
	switch {
	case len(text) == 0:
		return errors.New("an empty argument")
	case text[0] == '"':
		var s string
		err := json.Unmarshal(text, &s)
		w.Arg = Name(s)
		return err
	case text[0] != '{':
		var n int64
		err := json.Unmarshal(text, &n)
		w.Arg = Count(n)
		return err
	}
	var in struct {
		written
		Amount json.RawMessage `json:"amount"` // null counts
	}
	if err := json.Unmarshal(text, &in); err != nil {
		return err
	}
	var err error
	w.Arg, err = in.read(in.Amount)
	return err
}

// read tells which argument an object is; amount is its number, nil when it has
// none.
func (in written) read(amount json.RawMessage) (Arg, error) {
	switch {
	case in.Fact != nil:
		return Fact{Key: *in.Fact, Args: in.Args}, nil
	case amount != nil:
		a := Amount{Value: math.NaN(), Unit: in.Unit, U: in.U, Step: in.Step, Exact: in.Exact, Signed: in.Signed}
		if string(amount) == "null" {
			return a, nil
		}
		err := json.Unmarshal(amount, &a.Value)
		return a, err
	case in.Phrase != nil:
		return Phrase(*in.Phrase), nil
	case in.As != nil:
		return AsWritten(*in.As), nil
	case in.Date != "":
		t, err := time.Parse(day, in.Date)
		return Date(t), err
	case in.At != "":
		t, err := time.Parse(time.RFC3339Nano, in.At)
		return Moment(t), err
	case in.Join != "":
		l := List{Join: in.Join, Items: make([]Arg, len(in.Items))}
		for i, item := range in.Items {
			if item.Arg == nil {
				return nil, errors.New("an empty item of a list")
			}
			l.Items[i] = item.Arg
		}
		return l, nil
	}
	return nil, errors.New("an argument of no known form")
}
