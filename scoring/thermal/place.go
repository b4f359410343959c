package thermal

import (
	"fmt"
	"math"
)

// A Place is where a temperature is taken. Readings and limits of different
// places are different quantities.
type Place string

// The places a sensor can sit.
const (
	Unknown  Place = ""
	Heatsink Place = "heatsink"
	Case     Place = "case"
	Board    Place = "board"
	Die      Place = "die"
)

// ParsePlace reads the name of a place.
func ParsePlace(name string) (Place, error) {
	switch p := Place(name); p {
	case Heatsink, Case, Board, Die:
		return p, nil
	}
	return Unknown, fmt.Errorf("no such place: %q; write heatsink, case, board or die", name)
}

// Theta names the thermal resistance from a place to the ambient air, after
// the manner of JESD51-1 (from memory).
func (p Place) Theta() string {
	switch p {
	case Die:
		return "θJA"
	case Case:
		return "θCA"
	case Heatsink:
		return "θSA"
	case Board:
		return "θBA"
	}
	return "θ"
}

// An Offset says how much warmer To is than From, in °C, with the standard
// uncertainty of that statement.
type Offset struct {
	From  Place
	To    Place
	Value float64 // °C to add to a reading at From
	U     float64 // °C, more than zero: an offset nobody doubts was not measured
}

// A PlaceError says that a reading cannot be held against a limit.
type PlaceError struct {
	Reading Place
	Limit   Place
	Reason  string
}

func (e *PlaceError) Error() string {
	return fmt.Sprintf("a limit for the %s cannot be judged with a reading from the %s: %s",
		orUnknown(e.Limit), orUnknown(e.Reading), e.Reason)
}

func orUnknown(p Place) string {
	if p == Unknown {
		return "unknown place"
	}
	return string(p)
}

// AtPlace turns a reading at one place, with standard uncertainty u, into the
// temperature at the place of a limit. Equal places pass unchanged; for others
// an offset between just these two, with its uncertainty, is required. A
// reading or a limit without a place is refused.
func AtPlace(value, u float64, at, limit Place, offset *Offset) (float64, float64, error) {
	refuse := func(reason string) (float64, float64, error) {
		return 0, 0, &PlaceError{Reading: at, Limit: limit, Reason: reason}
	}
	switch {
	case at == Unknown || limit == Unknown:
		return refuse("state where both sit")
	case at == limit:
		return value, u, nil
	case offset == nil:
		return refuse("state the offset between them and its uncertainty")
	case offset.From != at || offset.To != limit:
		return refuse(fmt.Sprintf("the offset stated leads from the %s to the %s", orUnknown(offset.From), orUnknown(offset.To)))
	case !(offset.U > 0) || !finite(offset.U) || !finite(offset.Value):
		return refuse("the offset needs an uncertainty above zero")
	}
	return value + offset.Value, math.Hypot(u, offset.U), nil
}
