package plans

import (
	"fmt"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// A Slot is what the bench's expansion slot can take.
type Slot struct {
	Kind      string              `json:"kind"`                // "PCI", "AGP", "PCIe"
	Signaling []quantity.Quantity `json:"signaling,omitempty"` // voltages the slot signals with
	Key       string              `json:"key,omitempty"`       // "3.3 V", "1.5 V", "5 V", "universal"
	Rates     []string            `json:"rates,omitempty"`     // link rates the slot offers
}

// universal is the key of a slot that takes cards of every voltage.
const universal = "universal"

// SlotKeys returns how slots of a kind of bus may be keyed; none for PCIe.
func SlotKeys(kind string) []string { return busNamed(kind).keys }

func (sl *Slot) keys() []key {
	return append(portKeys(&sl.Kind, &sl.Signaling, &sl.Rates),
		key{Name: "key", To: document.Later("word"), Absent: "none for PCIe, else needed",
			What: `how the slot is keyed: "3.3 V", "1.5 V", "5 V" or "universal"`})
}

func checkSlot(s *section, sl *Slot) {
	checkPort(s, sl.Kind, sl.Signaling, sl.Rates)
	switch sl.Kind {
	case "":
		return
	case "PCIe":
		if s.Has("key") {
			s.Problem("key", "PCIe slots are not keyed by voltage", "remove it")
		}
		return
	}
	s.Missing("key", `"3.3 V", "1.5 V", "5 V" or "universal"`)
	if e := s.Table().Get("key"); e != nil {
		document.Word(&sl.Key, SlotKeys(sl.Kind)...).Read(s, "key", e.Value)
	}
	if sl.Key == "" || sl.Key == universal {
		return
	}
	for _, q := range sl.Signaling {
		if keyFor(q.Value) != sl.Key {
			s.Problem("key", "a slot keyed for "+sl.Key+" does not signal with "+q.Text,
				`put signaling right, or write key = "universal"`)
		}
	}
}

// keyFor names the key of a slot that signals with a voltage. AGP 3.0 signals
// with a swing of 0.8 V behind the 1.5 V key (AGP Interface Specification 3.0,
// from memory).
func keyFor(volts float64) string {
	if sameVolts(volts, 0.8) {
		volts = 1.5
	}
	return quantity.Format(volts, 0, quantity.Voltage)
}

// Accepts reports whether a card of the family may be plugged into the bench's
// slot: kind of bus, signalling voltage and key. The error is the reason in a
// sentence, to be read before anyone plugs the card in.
//
// Keys: AGP Interface Specification 2.0, connector drawings; PCI Local Bus
// Specification 2.x, chapter 5 (both from memory).
func (b *Bench) Accepts(f *Family) error {
	sl := b.Slot
	if sl.Kind != f.Bus.Kind {
		return fmt.Errorf("%s is a card for %s, and the slot of %s takes %s", f.Title, f.Bus.Kind, b.ID, sl.Kind)
	}
	bus := busNamed(sl.Kind)
	if bus.volts == nil || len(f.Bus.Signaling) == 0 || len(sl.Signaling) == 0 {
		return nil
	}
	common, fits := false, false
	for _, c := range f.Bus.Signaling {
		for _, s := range sl.Signaling {
			if sameVolts(c.Value, s.Value) {
				common = true
				fits = fits || sl.Key == "" || sl.Key == universal || keyFor(c.Value) == sl.Key
			}
		}
	}
	if !common {
		return fmt.Errorf("%s signals with %s and the slot of %s with %s: do not plug it in, even if it fits; "+
			"the wrong signalling voltage destroys card or computer (%s)",
			f.Title, signals(f.Bus.Signaling), b.ID, signals(sl.Signaling), bus.keying)
	}
	if !fits {
		return fmt.Errorf("%s signals with %s and the slot of %s is keyed for %s: "+
			"it does not fit, and must not be forced or cut to fit (%s)",
			f.Title, signals(f.Bus.Signaling), b.ID, sl.Key, bus.keying)
	}
	return nil
}

// signalRail begins the name of the rail that feeds what AGP signals with.
const signalRail = "AGP VDDQ "

// slotRails returns the supply rails of PCI and AGP slots with their
// tolerances, under the names that families refer to. The values are from
// memory and name the document they are recalled from.
func slotRails() []Rail {
	const (
		pci  = "PCI Local Bus Specification 2.x, add-in card supply table (from memory)"
		agp  = "AGP Interface Specification 2.0, power supply table (from memory)"
		agp3 = "AGP Interface Specification 3.0 (from memory)"
	)
	var out []Rail
	for _, r := range [...]struct{ name, text, source string }{
		{"PCI +5 V", "5 V ±0.25 V", pci},
		{"PCI +3.3 V", "3.3 V ±0.3 V", pci},
		{"PCI +12 V", "12 V ±0.6 V", pci},
		{"PCI -12 V", "-12 V ±1.2 V", pci},
		{signalRail + "3.3 V", "3.3 V ±0.15 V", agp},
		{signalRail + "1.5 V", "1.5 V ±0.075 V", agp},
		{signalRail + "0.8 V", "1.5 V ±0.075 V", agp3},
		{"AGP +3.3 V", "3.3 V ±0.15 V", agp},
		{"AGP +5 V", "5 V ±0.25 V", agp},
		{"AGP +12 V", "12 V ±0.6 V", agp},
	} {
		q, err := quantity.Parse(r.text, quantity.Voltage)
		if err != nil {
			continue // cannot happen: a test reads them all
		}
		out = append(out, Rail{Name: r.name, Voltage: q, Source: r.source})
	}
	return out
}

// slotRail returns the rail of that name.
func slotRail(name string) (*Rail, bool) {
	return find(slotRails(), func(r *Rail) bool { return r.Name == name })
}
