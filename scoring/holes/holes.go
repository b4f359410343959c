// Package holes holds the times of a recording that nothing is known of, and says
// where they are. Times are in seconds.
package holes

import (
	"math"

	"proveout/plans/fact"
)

// A Hole is a time without readings that is longer than may be.
type Hole struct {
	From float64 `json:"from_s"`
	To   float64 `json:"to_s"`
}

// Within is how much of the hole lies in a span of time.
func (h Hole) Within(from, to float64) float64 {
	return math.Max(0, math.Min(h.To, to)-math.Max(h.From, from))
}

// told is how many holes are named with their place.
const told = 5

// Told names the holes with their places; it is zero where there are none.
func Told(holes []Hole) fact.Fact {
	if len(holes) == 0 {
		return fact.Fact{}
	}
	var places []fact.Fact
	total := 0.0
	for _, h := range holes {
		if total += h.To - h.From; len(places) < told {
			places = append(places, fact.New("holes.place", "from", minutes(h.From), "to", minutes(h.To)))
		}
	}
	if more := len(holes) - len(places); more > 0 {
		places = append(places, fact.New("holes.more", "n", more))
	}
	return fact.New("holes.told", "n", len(holes), "places", fact.ListOf(fact.And, places), "total", minutes(total))
}

func minutes(seconds float64) fact.Amount { return fact.In(seconds/60, "min").To(0.1) }
