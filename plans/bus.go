package plans

import (
	"math"
	"slices"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// A Bus is how the card plugs in.
type Bus struct {
	Kind      string              // "PCI", "AGP", "PCIe"
	Signaling []quantity.Quantity // voltages the card can signal with: 5 V, 3.3 V, 1.5 V
	Rates     []string            // link rates the card offers, slowest first: "1x", "2x", "4x"
	Expect    string              // rate expected on a slot that offers it
	Clock     *quantity.Quantity  // bus clock, Hz
	Features  []string            // "sideband", "fast-write"
}

// A busKind is a kind of bus that cards and slots may have.
type busKind struct {
	name   string
	rates  []string  // of the link, slowest first
	volts  []float64 // signalling voltages; none where there is one for all
	keys   []string  // how slots are keyed
	keying string    // where that is laid down
}

// busTypes are the kinds of bus. PCI Local Bus Specification 2.x: 5 V and 3.3 V;
// AGP Interface Specification 2.0: 3.3 V and 1.5 V, 3.0: 0.8 V (from memory). PCI
// Express has one signalling for all.
var busTypes = []busKind{
	{
		name:   "PCI",
		rates:  []string{"33 MHz", "66 MHz"},
		volts:  []float64{3.3, 5},
		keys:   []string{universal, "5 V", "3.3 V"},
		keying: "keying: PCI Local Bus Specification",
	},
	{
		name:   "AGP",
		rates:  []string{"1x", "2x", "4x", "8x"},
		volts:  []float64{0.8, 1.5, 3.3},
		keys:   []string{universal, "3.3 V", "1.5 V"},
		keying: "keying: AGP Interface Specification",
	},
	{name: "PCIe", rates: []string{"x1", "x2", "x4", "x8", "x16"}},
}

// busNamed returns a kind of bus; one of nothing when there is none.
func busNamed(name string) busKind {
	kind, ok := find(busTypes, func(k *busKind) bool { return k.name == name })
	if !ok {
		return busKind{}
	}
	return *kind
}

func busNames() []string { return NamesOf(busTypes, func(k busKind) string { return k.name }) }

func (b *Bus) keys() []key {
	return append(portKeys(&b.Kind, &b.Signaling, &b.Rates),
		key{Name: "expect", To: document.Text(&b.Expect), What: "the rate expected on a slot that offers it"},
		key{Name: "clock", To: amount(&b.Clock, quantity.Frequency, aboveZero), What: "bus clock"},
		key{Name: "features", To: document.Words(&b.Features, "sideband", "fast-write"),
			What: "of AGP: sideband, fast-write"})
}

func checkBus(s *section, b *Bus) {
	checkPort(s, b.Kind, b.Signaling, b.Rates)
	switch {
	case b.Expect == "" || b.Kind == "":
	case !s.Has("rates"):
		s.Problem("expect", "the card offers no rates", "add rates")
	case len(b.Rates) > 0 && !slices.Contains(b.Rates, b.Expect):
		s.Problem("expect", "the card does not offer "+document.Quoted(b.Expect), "use one of "+document.Listed(b.Rates))
	}
	if b.Kind != "AGP" && b.Kind != "" && len(b.Features) > 0 {
		s.Problem("features", "sideband and fast-write are of AGP", "remove it")
	}
}

// portKeys are the keys that card and slot have in common.
func portKeys(kind *string, signaling *[]quantity.Quantity, rates *[]string) []key {
	return []key{
		{Name: "kind", To: document.Word(kind, busNames()...), Needed: `"AGP", "PCI" or "PCIe"`, What: "of bus"},
		{Name: "signaling", To: amounts(signaling, quantity.Voltage), Filled: `write ["3.3 V"]`,
			What: `voltages it signals with: "5 V", "3.3 V", "1.5 V", "0.8 V"; not for PCIe`},
		{Name: "rates", To: document.Texts(rates),
			What: `link rates offered, slowest first: AGP "1x", "2x", "4x", "8x"; PCI "33 MHz", "66 MHz"; PCIe "x1" to "x16"`},
	}
}

// checkPort holds what card and slot have in common against the kind of bus.
func checkPort(s *section, kind string, signaling []quantity.Quantity, rates []string) {
	if kind == "" {
		return
	}
	switch allowed := busNamed(kind).volts; {
	case allowed == nil && s.Has("signaling"):
		s.Problem("signaling", kind+" has no choice of signalling voltage", "remove it")
	case allowed != nil:
		s.Missing("signaling", `["3.3 V"]`)
		for _, q := range signaling {
			if !slices.ContainsFunc(allowed, func(v float64) bool { return sameVolts(v, q.Value) }) {
				s.Problem("signaling", kind+" does not signal with "+q.Text, "use "+voltsOf(allowed))
			}
		}
	}
	known := busNamed(kind).rates
	s.Among("rates", known)
	if !slices.IsSortedFunc(rates, func(a, b string) int { return slices.Index(known, a) - slices.Index(known, b) }) {
		s.Problem("rates", "not in order, slowest first", "write them as "+document.Listed(known))
	}
	if kind == "AGP" {
		checkRates(s, signaling, rates)
	}
}

// checkRates: 4x needs 1.5 V signalling or less and 8x needs 0.8 V (AGP
// Interface Specification 2.0 and 3.0, from memory).
func checkRates(s *section, signaling []quantity.Quantity, rates []string) {
	if len(signaling) == 0 || !s.Sound() {
		return
	}
	lowest := math.Inf(1)
	for _, q := range signaling {
		lowest = math.Min(lowest, q.Value)
	}
	if slices.Contains(rates, "8x") && lowest > 1 {
		s.Problem("rates", "8x is signalled with 0.8 V only", `add "0.8 V" to signaling, or remove 8x`)
	} else if slices.Contains(rates, "4x") && lowest > 2 {
		s.Problem("rates", "4x is signalled with 1.5 V or less", `add "1.5 V" to signaling, or remove 4x`)
	}
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
