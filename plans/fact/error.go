package fact

import (
	"encoding/json"
	"errors"
)

// An Error is a fact as an error: why something cannot be read or does not hold.
// As a string it is the fact's JSON, for programmers; a catalogue has the words.
type Error struct{ Fact Fact }

// Err is the fact as an error.
func (f Fact) Err() error { return Error{f} }

func (e Error) Error() string {
	text, err := json.Marshal(e.Fact)
	if err != nil {
		return e.Fact.Key
	}
	return string(text)
}

// Is tells whether two errors say the same, whatever their arguments.
func (e Error) Is(other error) bool {
	o, ok := other.(Error)
	return ok && o.Fact.Key == e.Fact.Key
}

// Why is what an error has to say, to be told inside another fact: the fact of an
// [Error]; the text of any other, in English.
func Why(err error) Arg {
	var e Error
	if errors.As(err, &e) {
		return e.Fact
	}
	return Name(err.Error())
}
