package plans

import "proveout/plans/fact"

// DetectionKind is whether the card is found, as what, and at which link rate.
const DetectionKind Kind = "detection"

var _ = declare(Declaration{
	Kind: DetectionKind, Position: 30, What: "is the card found, as what, at which link rate",
	Powered: true, Files: BusDump,
	New: func() Spec { return &Detection{} },
})

// Detection is a detection step; it says nothing of its own.
type Detection struct{ unchecked }

func (*Detection) keys() []key { return nil }

func (*Detection) fields(family *Family) []Field {
	out := []Field{
		{Name: "detected", Ask: fact.New("ask.detected"), Words: []string{Yes, No}, Required: true, Expected: Answer(Yes)},
		{Name: "bus", Ask: fact.New("ask.bus"), Words: busNames(), Required: true, Expected: named(family.Bus.Kind)},
	}
	if len(family.IDs) > 0 {
		var ids []string
		for _, id := range family.IDs {
			ids = append(ids, id.Vendor+":"+id.Device)
		}
		out = append(out, Field{Name: "id", Ask: fact.New("ask.id"), Required: true,
			Expected: fact.Text(fact.Names(fact.Or, ids))})
		if first := family.IDs[0]; first.Subsystem != "" {
			out = append(out, Field{Name: "subsystem", Ask: fact.New("ask.subsystem"),
				Expected: fact.Text(fact.Name(first.SubsystemVendor + ":" + first.Subsystem))})
		}
	}
	if len(family.Bus.Rates) > 0 {
		out = append(out, Field{Name: "rate", Ask: fact.New("ask.rate"), Words: family.Bus.Rates, Required: true,
			Expected: named(family.Bus.Expect)})
	}
	if family.Detected != "" {
		out = append(out, Field{Name: "description", Ask: fact.New("ask.description"),
			Expected: named(family.Detected)})
	}
	return out
}
