package plans

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"proveout/plans/quantity"
)

// busRates returns the link rates of a kind of bus, slowest first.
func busRates(kind string) []string {
	switch kind {
	case "AGP":
		return []string{"1x", "2x", "4x", "8x"}
	case "PCI":
		return []string{"33 MHz", "66 MHz"}
	case "PCIe":
		return []string{"x1", "x2", "x4", "x8", "x16"}
	}
	return nil
}

// busVoltages returns the signalling voltages of a kind of bus. PCI Local Bus
// Specification 2.x: 5 V and 3.3 V; AGP Interface Specification 2.0: 3.3 V and
// 1.5 V, 3.0: 0.8 V (from memory). PCI Express has one signalling for all.
func busVoltages(kind string) []float64 {
	switch kind {
	case "AGP":
		return []float64{0.8, 1.5, 3.3}
	case "PCI":
		return []float64{3.3, 5}
	}
	return nil
}

// readPort reads what card and slot have in common: kind, signalling, rates.
func readPort(s *section) (kind string, signaling []quantity.Quantity, rates []string) {
	s.missing("kind", `"AGP", "PCI" or "PCIe"`)
	kind = s.word("kind", "", "PCI", "AGP", "PCIe")
	signaling = s.quantities("signaling", quantity.Voltage)
	if kind == "" {
		s.texts("rates")
		return kind, signaling, nil
	}
	switch allowed := busVoltages(kind); {
	case allowed == nil && s.has("signaling"):
		s.problem("signaling", kind+" has no choice of signalling voltage", "remove it")
	case allowed != nil:
		s.missing("signaling", `["3.3 V"]`)
		s.nonEmpty("signaling", `write ["3.3 V"]`)
		for _, q := range signaling {
			if !slices.ContainsFunc(allowed, func(v float64) bool { return sameVolts(v, q.Value) }) {
				s.problem("signaling", kind+" does not signal with "+q.Text, "use "+voltsOf(allowed))
			}
		}
	}
	rates = s.words("rates", busRates(kind)...)
	if !slices.IsSortedFunc(rates, func(a, b string) int {
		return slices.Index(busRates(kind), a) - slices.Index(busRates(kind), b)
	}) {
		s.problem("rates", "not in order, slowest first", "write them as "+list(busRates(kind)))
	}
	if kind == "AGP" {
		checkRates(s, signaling, rates)
	}
	return kind, signaling, rates
}

// checkRates: 4x needs 1.5 V signalling or less and 8x needs 0.8 V (AGP
// Interface Specification 2.0 and 3.0, from memory).
func checkRates(s *section, signaling []quantity.Quantity, rates []string) {
	if len(signaling) == 0 || !s.sound() {
		return
	}
	lowest := math.Inf(1)
	for _, q := range signaling {
		lowest = math.Min(lowest, q.Value)
	}
	if slices.Contains(rates, "8x") && lowest > 1 {
		s.problem("rates", "8x is signalled with 0.8 V only", `add "0.8 V" to signaling, or remove 8x`)
	} else if slices.Contains(rates, "4x") && lowest > 2 {
		s.problem("rates", "4x is signalled with 1.5 V or less", `add "1.5 V" to signaling, or remove 4x`)
	}
}

func readBus(s *section) Bus {
	var b Bus
	b.Kind, b.Signaling, b.Rates = readPort(s)
	b.Expect = s.text("expect")
	b.Clock = s.quantity("clock", quantity.Frequency, aboveZero)
	b.Features = s.words("features", "sideband", "fast-write")
	if b.Expect != "" && len(b.Rates) == 0 && !s.has("rates") {
		s.problem("expect", "the card offers no rates", "add rates")
	} else if b.Expect != "" && len(b.Rates) > 0 && !slices.Contains(b.Rates, b.Expect) {
		s.problem("expect", "the card does not offer "+quoted(b.Expect), "use one of "+list(b.Rates))
	}
	if b.Kind != "AGP" && b.Kind != "" && len(b.Features) > 0 {
		s.problem("features", "sideband and fast-write are of AGP", "remove it")
	}
	return b
}

func readSlot(s *section) Slot {
	var sl Slot
	sl.Kind, sl.Signaling, sl.Rates = readPort(s)
	keys := []string{"3.3 V", "1.5 V", "universal"}
	if sl.Kind == "PCI" {
		keys = []string{"5 V", "3.3 V", "universal"}
	}
	if sl.Kind == "PCIe" {
		if s.has("key") {
			s.problem("key", "PCIe slots are not keyed by voltage", "remove it")
		}
		return sl
	}
	if sl.Kind == "" {
		return sl
	}
	s.missing("key", `"3.3 V", "1.5 V", "5 V" or "universal"`)
	sl.Key = s.word("key", "", keys...)
	if sl.Key == "" || sl.Key == "universal" {
		return sl
	}
	for _, q := range sl.Signaling {
		if keyFor(q.Value) != sl.Key {
			s.problem("key", "a slot keyed for "+sl.Key+" does not signal with "+q.Text, `put signaling right, or write key = "universal"`)
		}
	}
	return sl
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

// sameVolts compares nominal voltages.
func sameVolts(a, b float64) bool { return math.Abs(a-b) < 0.05 }

func voltsOf(vs []float64) string {
	var words []string
	for _, v := range vs {
		u, _ := quantity.LookUp(quantity.Voltage, "V")
		words = append(words, u.Format(v, 0))
	}
	return strings.Join(words, " or ")
}

func signals(qs []quantity.Quantity) string {
	var vs []float64
	for _, q := range qs {
		vs = append(vs, q.Value)
	}
	return voltsOf(vs)
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
	if busVoltages(sl.Kind) == nil || len(f.Bus.Signaling) == 0 || len(sl.Signaling) == 0 {
		return nil
	}
	common := func(keyed bool) bool {
		for _, c := range f.Bus.Signaling {
			for _, s := range sl.Signaling {
				if sameVolts(c.Value, s.Value) && (!keyed || sl.Key == "" || sl.Key == "universal" || keyFor(c.Value) == sl.Key) {
					return true
				}
			}
		}
		return false
	}
	if !common(false) {
		return fmt.Errorf("%s signals with %s and the slot of %s with %s: do not plug it in, even if it fits; the wrong signalling voltage destroys card or computer (%s)",
			f.Title, signals(f.Bus.Signaling), b.ID, signals(sl.Signaling), keyingSource(sl.Kind))
	}
	if !common(true) {
		return fmt.Errorf("%s signals with %s and the slot of %s is keyed for %s: it does not fit, and must not be forced or cut to fit (%s)",
			f.Title, signals(f.Bus.Signaling), b.ID, sl.Key, keyingSource(sl.Kind))
	}
	return nil
}

func keyingSource(kind string) string {
	if kind == "PCI" {
		return "keying: PCI Local Bus Specification"
	}
	return "keying: AGP Interface Specification"
}

// SlotRails returns the supply rails of PCI and AGP slots with their
// tolerances, under the names that families refer to. The values are from
// memory and name the document they are recalled from.
func SlotRails() []Rail {
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
		{"AGP VDDQ 3.3 V", "3.3 V ±0.15 V", agp},
		{"AGP VDDQ 1.5 V", "1.5 V ±0.075 V", agp},
		{"AGP VDDQ 0.8 V", "1.5 V ±0.075 V", agp3},
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

// SlotRail returns the rail of that name.
func SlotRail(name string) (Rail, bool) {
	for _, r := range SlotRails() {
		if r.Name == name {
			return r, true
		}
	}
	return Rail{}, false
}

func slotRailNames() []string {
	var names []string
	for _, r := range SlotRails() {
		names = append(names, r.Name)
	}
	return names
}
