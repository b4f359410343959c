package thermal

import "proveout/plans/fact"

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

// said is the place as it is told; one that only a log or a shop names stays as it
// is.
func (p Place) said() fact.Arg {
	switch p {
	case Unknown:
		return fact.New("place.unknown")
	case Heatsink, Case, Board, Die:
		return fact.New("place." + string(p))
	}
	return fact.Name(p)
}

// theta names the thermal resistance from a place to the ambient air, after
// the manner of JESD51-1 (from memory).
func (p Place) theta() string {
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

// placeProblem says why a reading at one place cannot be held against a limit for
// another; it is zero where it can.
func placeProblem(reading, limit Place) fact.Fact {
	switch {
	case reading == Unknown || limit == Unknown:
		return fact.New("thermal.place-not-stated", "reading", reading.said(), "limit", limit.said())
	case reading != limit:
		return fact.New("thermal.other-place", "reading", reading.said(), "limit", limit.said())
	}
	return fact.Fact{}
}
