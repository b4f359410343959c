package plans

import (
	"slices"

	"proveout/plans/document"
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// ClockKind is core, memory and other clocks.
const ClockKind Kind = "clock"

var _ = declare(Declaration{
	Kind: ClockKind, Position: 60, What: "core, memory and other clocks",
	Powered: true,
	New:     func() Spec { return &Clock{} },
})

// Clock is what a clock step says.
type Clock struct {
	unchecked
	Clocks []string // of the family; empty means all
}

func (c *Clock) keys() []key {
	return []key{
		{Name: "clocks", To: orFromFamily(document.Texts(&c.Clocks)), Absent: "all of the family",
			Says: namesOrAll(c.Clocks), Filled: nameOne, What: "names of the family's clocks"},
	}
}

func (c *Clock) against(x *crossCheck) {
	have := NamesOf(x.family.Clocks, func(clock FamilyClock) string { return clock.Name })
	x.names("clocks", "clock", c.Clocks, have)
}

func (c *Clock) fields(family *Family) []Field {
	var out []Field
	for _, clock := range family.Clocks {
		if len(c.Clocks) > 0 && !slices.Contains(c.Clocks, clock.Name) {
			continue
		}
		out = append(out, Field{Name: clock.Name, Ask: fact.New("ask.clock", "clock", clock.Name),
			Dimension: quantity.Frequency, Unit: "MHz", Required: true, Many: true,
			Expected: asWritten(clock.Value), Nominal: clock.Value.Value})
	}
	return out
}
