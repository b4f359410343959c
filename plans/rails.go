package plans

import (
	"slices"

	"proveout/plans/document"
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// RailsKind is the supply rails: resistance before power, voltage after. It
// begins before power, so no gate holds it.
const RailsKind Kind = "rails"

var _ = declare(Declaration{
	Kind: RailsKind, Position: 20, What: "supply rails: resistance before power, voltage after",
	New: func() Spec { return &Rails{} },
})

// Rails is what a rails step says.
type Rails struct {
	unchecked
	Rails []string // of the family, or of the slot; empty means all of the family
}

func (r *Rails) keys() []key {
	return []key{
		{Name: "rails", To: orFromFamily(document.Texts(&r.Rails)), Absent: "the family's", Says: namesOrAll(r.Rails),
			Filled: nameOne, What: `names of the family's rails, or of rails of the slot such as "PCI +12 V"`},
	}
}

func (r *Rails) against(x *crossCheck) {
	have := NamesOf(x.family.Rails, railName)
	for _, name := range r.Rails {
		if _, ok := x.family.Rail(name); ok && !slices.Contains(have, name) {
			have = append(have, name) // of the slot
		}
	}
	x.names("rails", "rail", r.Rails, have)
}

// Names returns the rails that the step measures.
func (r *Rails) Names(family *Family) []string {
	if len(r.Rails) > 0 {
		return r.Rails
	}
	return NamesOf(family.Rails, railName)
}

// OhmReading and VoltReading name the two readings of a rail.
func OhmReading(rail string) string { return rail + ".ohm" }

// VoltReading names the reading of a rail's voltage.
func VoltReading(rail string) string { return rail + ".volt" }

func (r *Rails) fields(family *Family) []Field {
	var ohms, volts []Field
	for _, name := range r.Names(family) {
		rail, ok := family.Rail(name)
		if !ok {
			continue
		}
		ofSlot := !slices.ContainsFunc(family.Rails, func(own Rail) bool { return own.Name == name })
		f := Field{Name: OhmReading(name), Ask: fact.New("ask.resistance", "rail", name),
			Dimension: quantity.Resistance, Unit: "ohm", Required: !ofSlot}
		if rail.Resistance != nil {
			f.Expected, f.Nominal = fact.New("ask.about", "value", fact.AsWritten(rail.Resistance.Text)), rail.Resistance.Value
		}
		ohms = append(ohms, f)
		volts = append(volts, Field{Name: VoltReading(name), Ask: fact.New("ask.voltage", "rail", name),
			Dimension: quantity.Voltage, Unit: "V", Required: true,
			Expected: asWritten(rail.Voltage), Nominal: rail.Voltage.Value})
	}
	return append(ohms, volts...)
}
