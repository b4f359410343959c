package plans

import "strings"

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
		{Name: "detected", Ask: "Is the card found by the system", Words: []string{Yes, No}, Required: true, Expected: Yes},
		{Name: "bus", Ask: "On which bus", Words: busKinds(), Required: true, Expected: family.Bus.Kind},
	}
	if len(family.IDs) > 0 {
		var ids []string
		for _, id := range family.IDs {
			ids = append(ids, id.Vendor+":"+id.Device)
		}
		out = append(out, Field{Name: "id", Ask: "Vendor and device ID (vvvv:dddd)", Required: true,
			Expected: strings.Join(ids, " or ")})
		if first := family.IDs[0]; first.Subsystem != "" {
			out = append(out, Field{Name: "subsystem", Ask: "Subsystem ID (vvvv:dddd)",
				Expected: first.SubsystemVendor + ":" + first.Subsystem})
		}
	}
	if len(family.Bus.Rates) > 0 {
		out = append(out, Field{Name: "rate", Ask: "Link rate in use", Words: family.Bus.Rates, Required: true,
			Expected: family.Bus.Expect})
	}
	if family.Detected != "" {
		out = append(out, Field{Name: "description", Ask: "How the system names it", Expected: family.Detected})
	}
	return out
}
