package bus

import (
	"fmt"
	"slices"
	"strings"
)

// A Signal is the signalling voltage of a slot or a card edge.
type Signal string

// Signalling voltages. AGP 3.0 swings 0.8 V on a supply of 1.5 V and is keyed
// as 1.5 V.
const (
	Signal5V  Signal = "5 V"
	Signal33V Signal = "3.3 V"
	Signal15V Signal = "1.5 V"
	Signal08V Signal = "0.8 V"
)

// A Slot is a slot of the bench.
type Slot struct {
	Bus        string   // pci, agp, pcie
	Key        Signal   // the voltage whose key stands in the slot; empty: no key (AGP universal)
	Signalling []Signal // what it can signal with; nil: as its key says
	Lanes      int      // PCI Express: lanes the connector takes
	OpenEnded  bool     // PCI Express: longer cards fit
}

// An Edge is the edge connector of a card.
type Edge struct {
	Bus        string
	Notches    []Signal // voltages whose key the card has a notch for
	Signalling []Signal // what it can signal with; nil: as its notches say
	Lanes      int      // PCI Express: lanes of the edge
}

// SlotAccepts says whether a card may be put into the bench's slot, and why
// not. Keys: PCI Local Bus Specification 2.x, connectors; AGP Interface
// Specification 2.0 and 3.0, connectors (from memory). Whatever it says, a key
// that does not slide in is never forced.
func SlotAccepts(bench Slot, card Edge) (ok bool, reason string) {
	slotBus, cardBus := strings.ToLower(bench.Bus), strings.ToLower(card.Bus)
	if slotBus != cardBus {
		return false, fmt.Sprintf("the card is %s, the slot is %s", cardBus, slotBus)
	}
	switch slotBus {
	case "pcie":
		return expressAccepts(bench, card)
	case "pci", "agp":
	default:
		return false, fmt.Sprintf("bus %q is not pci, agp or pcie", bench.Bus)
	}
	if len(card.Notches) == 0 {
		return false, "the card's notches are not stated: look at the edge and compare with the key of the slot"
	}
	if slotBus == "pci" && bench.Key == "" {
		return false, "a PCI slot has a key for 5 V or 3.3 V: state which"
	}
	if bench.Key != "" && !slices.Contains(card.Notches, bench.Key) {
		return false, fmt.Sprintf("the slot's key is at the %s place, the card is notched for %s: it does not go in, do not force it", bench.Key, signals(card.Notches))
	}
	slot, edge := bench.Signalling, card.Signalling
	if slot == nil {
		slot = []Signal{bench.Key}
		if bench.Key == "" {
			slot = []Signal{Signal33V, Signal15V}
		}
	}
	if edge == nil {
		edge = card.Notches
	}
	for _, s := range edge {
		if slices.Contains(slot, s) {
			return true, fmt.Sprintf("the notch fits and both signal with %s", s)
		}
	}
	danger := ""
	if slices.Contains(edge, Signal33V) && (slices.Contains(slot, Signal15V) || slices.Contains(slot, Signal08V)) {
		danger = "; a 3.3 V card drives more than a 1.5 V slot bears and can destroy the bench's bridge chip"
	}
	return false, fmt.Sprintf("the card signals with %s, the slot with %s: it fits but must not be powered%s", signals(edge), signals(slot), danger)
}

func signals(list []Signal) string {
	var s []string
	for _, x := range list {
		s = append(s, string(x))
	}
	return strings.Join(s, " and ")
}

// expressAccepts compares lanes.
func expressAccepts(bench Slot, card Edge) (bool, string) {
	if bench.Lanes <= 0 || card.Lanes <= 0 {
		return false, "the lanes of slot or card are not stated"
	}
	if card.Lanes > bench.Lanes && !bench.OpenEnded {
		return false, fmt.Sprintf("an x%d card does not go into a closed x%d slot", card.Lanes, bench.Lanes)
	}
	if card.Lanes > bench.Lanes {
		return true, fmt.Sprintf("it goes in, and at most %d of its %d lanes can run", bench.Lanes, card.Lanes)
	}
	return true, fmt.Sprintf("an x%d card goes into an x%d slot", card.Lanes, bench.Lanes)
}
