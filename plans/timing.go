package plans

import (
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// TimingKind is line and frame rate at the monitor connector.
const TimingKind Kind = "timing"

var _ = declare(Declaration{
	Kind: TimingKind, Position: 70, What: "line and frame rate at the monitor connector",
	Powered: true,
	New:     func() Spec { return &Timing{} },
})

// Timing is what a timing step says.
type Timing struct {
	unchecked
	Modes StepModes
}

func (t *Timing) keys() []key { return []key{t.Modes.key()} }

func (t *Timing) against(x *crossCheck) { t.Modes.against(x) }

func (t *Timing) fields(family *Family) []Field {
	var out []Field
	for _, m := range t.Modes.On(family) {
		out = append(out,
			Field{Name: m + ".line", Ask: fact.New("ask.line-rate", "mode", m),
				Dimension: quantity.Frequency, Unit: "kHz", Required: true},
			Field{Name: m + ".frame", Ask: fact.New("ask.frame-rate", "mode", m),
				Dimension: quantity.Frequency, Unit: "Hz", Required: true})
	}
	return out
}
