package plans

import (
	"strings"
	"testing"

	"proveout/plans/quantity"
)

func volts(texts ...string) []quantity.Quantity {
	var out []quantity.Quantity
	for _, t := range texts {
		q, err := quantity.Parse(t, quantity.Voltage)
		if err != nil {
			panic(err)
		}
		out = append(out, q)
	}
	return out
}

// AGP: a 3.3 V card does not go into a 1.5 V slot and the other way round; a
// universal card goes into both, a universal slot takes both; 0.8 V signalling
// of AGP 3.0 sits behind the 1.5 V key (AGP Interface Specification 2.0 and
// 3.0, connectors and signalling; from memory). PCI: 5 V and 3.3 V keys, cards
// notched for both (PCI Local Bus Specification 2.x, chapter 5; from memory).
func TestAccepts(t *testing.T) {
	for _, tt := range []struct {
		name    string
		slot    Slot
		bus     Bus
		refused string
	}{
		{"AGP 3.3 V in 3.3 V", Slot{"AGP", volts("3.3 V"), "3.3 V", nil}, Bus{Kind: "AGP", Signaling: volts("3.3 V")}, ""},
		{"AGP 3.3 V in 1.5 V", Slot{"AGP", volts("1.5 V"), "1.5 V", nil}, Bus{Kind: "AGP", Signaling: volts("3.3 V")}, "signals with 3.3 V and the slot of bench-1 with 1.5 V"},
		{"AGP 1.5 V in 3.3 V", Slot{"AGP", volts("3.3 V"), "3.3 V", nil}, Bus{Kind: "AGP", Signaling: volts("1.5 V")}, "signals with 1.5 V and the slot of bench-1 with 3.3 V"},
		{"AGP both in 1.5 V", Slot{"AGP", volts("1.5 V"), "1.5 V", nil}, Bus{Kind: "AGP", Signaling: volts("1.5 V", "3.3 V")}, ""},
		{"AGP both in 3.3 V", Slot{"AGP", volts("3.3 V"), "3.3 V", nil}, Bus{Kind: "AGP", Signaling: volts("1.5 V", "3.3 V")}, ""},
		{"AGP 3.3 V in universal", Slot{"AGP", volts("1.5 V", "3.3 V"), "universal", nil}, Bus{Kind: "AGP", Signaling: volts("3.3 V")}, ""},
		{"AGP 1.5 V in universal", Slot{"AGP", volts("1.5 V", "3.3 V"), "universal", nil}, Bus{Kind: "AGP", Signaling: volts("1.5 V")}, ""},
		{"AGP 3.3 V in universal of 1.5 V", Slot{"AGP", volts("1.5 V"), "universal", nil}, Bus{Kind: "AGP", Signaling: volts("3.3 V")}, "even if it fits"},
		{"AGP 0.8 V behind the 1.5 V key", Slot{"AGP", volts("0.8 V", "1.5 V"), "1.5 V", nil}, Bus{Kind: "AGP", Signaling: volts("0.8 V")}, ""},
		{"AGP 0.8 V in 1.5 V only", Slot{"AGP", volts("1.5 V"), "1.5 V", nil}, Bus{Kind: "AGP", Signaling: volts("0.8 V")}, "even if it fits"},
		{"AGP with the wrong key", Slot{"AGP", volts("1.5 V", "3.3 V"), "1.5 V", nil}, Bus{Kind: "AGP", Signaling: volts("3.3 V")}, "keyed for 1.5 V: it does not fit"},
		{"PCI 5 V in 5 V", Slot{"PCI", volts("5 V"), "5 V", nil}, Bus{Kind: "PCI", Signaling: volts("5 V")}, ""},
		{"PCI 5 V in 3.3 V", Slot{"PCI", volts("3.3 V"), "3.3 V", nil}, Bus{Kind: "PCI", Signaling: volts("5 V")}, "signals with 5 V"},
		{"PCI both in 3.3 V", Slot{"PCI", volts("3.3 V"), "3.3 V", nil}, Bus{Kind: "PCI", Signaling: volts("3.3 V", "5 V")}, ""},
		{"PCI in AGP", Slot{"AGP", volts("3.3 V"), "3.3 V", nil}, Bus{Kind: "PCI", Signaling: volts("3.3 V")}, "is a card for PCI, and the slot of bench-1 takes AGP"},
		{"PCIe", Slot{Kind: "PCIe"}, Bus{Kind: "PCIe"}, ""},
	} {
		b := Bench{ID: "bench-1", Slot: tt.slot}
		err := b.Accepts(&Family{Title: "Card", Bus: tt.bus})
		if tt.refused == "" && err != nil || tt.refused != "" && (err == nil || !strings.Contains(err.Error(), tt.refused)) {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.refused)
		}
	}
}

// PCI Local Bus Specification 2.x, add-in card supply table: 5 V ±5 %,
// 3.3 V ±0.3 V, 12 V ±5 %, -12 V ±10 %; AGP Interface Specification 2.0, power
// supply table: VDDQ 3.15 to 3.45 V and 1.425 to 1.575 V, 3.3 V ±0.15 V, 5 V
// ±0.25 V, 12 V ±0.6 V (all from memory).
func TestSlotRails(t *testing.T) {
	want := map[string][2]float64{
		"PCI +5 V": {4.75, 5.25}, "PCI +3.3 V": {3.0, 3.6}, "PCI +12 V": {11.4, 12.6}, "PCI -12 V": {-13.2, -10.8},
		"AGP VDDQ 3.3 V": {3.15, 3.45}, "AGP VDDQ 1.5 V": {1.425, 1.575}, "AGP VDDQ 0.8 V": {1.425, 1.575},
		"AGP +3.3 V": {3.15, 3.45}, "AGP +5 V": {4.75, 5.25}, "AGP +12 V": {11.4, 12.6},
	}
	rails := slotRails()
	if len(rails) != len(want) {
		t.Errorf("%d rails, want %d", len(rails), len(want))
	}
	for _, r := range rails {
		w := want[r.Name]
		near := func(a, b float64) bool { return a-b < 1e-12 && b-a < 1e-12 }
		if !near(r.Voltage.Low(), w[0]) || !near(r.Voltage.High(), w[1]) || !strings.Contains(r.Source, "from memory") {
			t.Errorf("%s: %v to %v, want %v (%s)", r.Name, r.Voltage.Low(), r.Voltage.High(), w, r.Source)
		}
	}
}

func TestCertificateNumber(t *testing.T) {
	for pattern, want := range map[string]string{
		"PO-{year}-{n:04}": "PO-2026-0042", "{n}": "42", "A{n:1}": "A42", "{year}{n:6}": "2026000042",
		"PO-{year}": "", "{n": "", "n}": "", "{n:x}": "", "{n:99}": "", "a/{n}": "", ".{n}": "", " {n}": "", "": "",
	} {
		got, err := CertificateNumber(pattern, 2026, 42)
		if got != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q, %v; want %q", pattern, got, err, want)
		}
	}
}
