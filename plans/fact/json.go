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
// [Count]; everything else is an object, told by its first key: "fact",
// "amount", "phrase", "as_written", "date" (2006-01-02), "at" (RFC 3339) or "join".

// MarshalJSON writes an amount with null in place of a value that is not finite.
func (a Amount) MarshalJSON() ([]byte, error) {
	type plain Amount
	if !math.IsNaN(a.Value) && !math.IsInf(a.Value, 0) {
		return json.Marshal(plain(a))
	}
	return json.Marshal(struct {
		Value *float64 `json:"amount"`
		plain
	}{nil, plain(a)})
}

// MarshalJSON writes a phrase as an object, which tells it from a name.
func (p Phrase) MarshalJSON() ([]byte, error) { return object("phrase", string(p)) }

// MarshalJSON writes an amount as somebody wrote it as an object.
func (a AsWritten) MarshalJSON() ([]byte, error) { return object("as_written", string(a)) }

// MarshalJSON writes the day.
func (d Date) MarshalJSON() ([]byte, error) {
	return object("date", time.Time(d).Format(time.DateOnly))
}

// MarshalJSON writes the moment to the nanosecond.
func (m Moment) MarshalJSON() ([]byte, error) {
	return object("at", time.Time(m).Format(time.RFC3339Nano))
}

func object(key, value string) ([]byte, error) { return json.Marshal(map[string]string{key: value}) }

// UnmarshalJSON reads arguments in any of their forms and refuses anything else.
func (a *Args) UnmarshalJSON(text []byte) error {
	var in map[string]json.RawMessage
	if err := json.Unmarshal(text, &in); err != nil {
		return err
	}
	*a = make(Args, len(in))
	for name, one := range in {
		arg, err := readArg(one)
		if err != nil {
			return fmt.Errorf("the argument %s: %w", name, err)
		}
		(*a)[name] = arg
	}
	return nil
}

// UnmarshalJSON reads a list with items in any of their forms.
func (l *List) UnmarshalJSON(text []byte) error {
	var in struct {
		Join  Join              `json:"join"`
		Items []json.RawMessage `json:"items"`
	}
	if err := json.Unmarshal(text, &in); err != nil {
		return err
	}
	*l = List{Join: in.Join, Items: make([]Arg, len(in.Items))}
	for i, one := range in.Items {
		var err error
		if l.Items[i], err = readArg(one); err != nil {
			return err
		}
	}
	return nil
}

// readArg reads an argument in any of its forms.
func readArg(text []byte) (Arg, error) {
	switch text = bytes.TrimSpace(text); {
	case bytes.HasPrefix(text, []byte(`"`)):
		return read[Name](text)
	case bytes.Equal(text, []byte("null")):
		return nil, errors.New("an empty argument")
	case !bytes.HasPrefix(text, []byte("{")):
		return read[Count](text)
	}
	var in map[string]json.RawMessage
	if err := json.Unmarshal(text, &in); err != nil {
		return nil, err
	}
	has := func(key string) bool { return in[key] != nil }
	switch {
	case has("fact"):
		return read[Fact](text)
	case has("amount"):
		a := Amount{Value: math.NaN()} // null leaves it so
		err := json.Unmarshal(text, &a)
		return a, err
	case has("phrase"):
		p, err := read[string](in["phrase"])
		return Phrase(p), err
	case has("as_written"):
		text, err := read[string](in["as_written"])
		return AsWritten(text), err
	case has("date"):
		t, err := readTime(in["date"], time.DateOnly)
		return Date(t), err
	case has("at"):
		t, err := readTime(in["at"], time.RFC3339Nano)
		return Moment(t), err
	case has("join"):
		return read[List](text)
	}
	return nil, errors.New("an argument of no known form")
}

func read[T any](text []byte) (v T, err error) {
	err = json.Unmarshal(text, &v)
	return v, err
}

func readTime(text []byte, layout string) (time.Time, error) {
	s, err := read[string](text)
	if err != nil {
		return time.Time{}, err
	}
	return time.Parse(layout, s)
}
