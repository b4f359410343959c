package plans

import (
	"fmt"
	"strconv"
	"strings"

	"proveout/plans/quantity"
)

// A Family is a board family with one variant resolved: what a good card of
// this kind is expected to show.
type Family struct {
	ID      string
	Title   string
	Maker   string
	Variant string   // the variant these values are of; empty when the family has none
	Aliases []string // variants of the family, all of them

	Bus       Bus
	IDs       []DeviceID
	Detected  string // description the system is expected to show
	Memory    []MemoryPool
	Clocks    []FamilyClock
	Modes     []Mode
	MaxDepth  int // bit per pixel
	Thermal   Thermal
	Rails     []Rail
	Reference []ReferenceSet
	Source    string // the TOML text the family was read from
	File      string // name of the file, for messages
}

// A Bus is how the card plugs in.
type Bus struct {
	Kind      string              // "PCI", "AGP", "PCIe"
	Signaling []quantity.Quantity // voltages the card can signal with: 5 V, 3.3 V, 1.5 V
	Rates     []string            // link rates the card offers, slowest first: "1x", "2x", "4x"
	Expect    string              // rate expected on a slot that offers it
	Clock     *quantity.Quantity  // bus clock, Hz
	Features  []string            // "sideband", "fast-write"
}

// A DeviceID identifies the card on its bus. Four hex digits each, lower case.
type DeviceID struct {
	Vendor, Device             string
	SubsystemVendor, Subsystem string // empty when any will do
}

// A MemoryPool is one memory of a card: most have one, add-on 3D boards have a
// frame and a texture memory.
type MemoryPool struct {
	Name     string // "frame", "texture"; empty when there is only one
	Total    quantity.Quantity
	Reserved *quantity.Quantity // what a tool may show less, as a matter of display
	Words    int64              // addressable words of one chip: 1Mi×16 has 1 048 576
	ChipBits int                // data lines of one chip
	BusBits  int                // width of the memory bus
	Banks    [][]string         // in address order; designators of each bank in lane order
	Columns  int                // low word-address bits that select the column of a chip; 0 when not known
	Source   string             // of these facts
}

// A FamilyClock is a clock with its expected value and tolerance.
type FamilyClock struct {
	Name        string // "core", "memory", or any other
	Value       quantity.Quantity
	Synthesizer *Synthesizer // what it is made with; nil when not known
	Source      string
}

// A Synthesizer makes a clock from a reference: reference x N / (M x 2^K).
type Synthesizer struct {
	N, M, K        Span
	Reference      float64 // Hz; 0 for 315/22 MHz
	VCOMin, VCOMax float64 // Hz, of reference x N / M; 0: no limit
	CompareMin     float64 // Hz, of reference / M; 0: no limit
}

// A Span is a range of whole numbers, both ends in it.
type Span struct{ Low, High int }

// ParseSpan reads a range such as "8-129", or one number.
func ParseSpan(text string) (Span, error) {
	low, high, ranged := strings.Cut(strings.NewReplacer("–", "-", "−", "-", "..", "-", " ", "").Replace(text), "-")
	if !ranged {
		high = low
	}
	a, err1 := strconv.Atoi(low)
	b, err2 := strconv.Atoi(high)
	if err1 != nil || err2 != nil {
		return Span{}, fmt.Errorf("%s is not a range of whole numbers", quoted(text))
	}
	if a > b {
		return Span{}, fmt.Errorf("%s runs from high to low", quoted(text))
	}
	return Span{a, b}, nil
}

// A Mode is one display mode.
type Mode struct {
	Width, Height int
	Depth         int     // bit per pixel
	Rate          float64 // Hz; 0 when any will do
	Text          string  // "1024x768x16@75"
}

// Thermal holds what heat the card may see.
type Thermal struct {
	Cooling      string             // "passive", "fan"
	Sensor       string             // where MaxTemp applies: die, heatsink, case, board
	MaxTemp      *quantity.Quantity // acceptance limit
	MaxRating    *quantity.Quantity // absolute maximum rating
	RatedAmbient *quantity.Quantity // hottest ambient the card is meant for
	Rise         []RiseReference    // rise over ambient of good cards
	Power        *quantity.Quantity // W under load, when known
	Source       string
}

// A RiseReference is the rise over ambient (K) that a known-good card of the
// family showed at the end of a soak.
type RiseReference struct {
	Card string
	Rise quantity.Quantity
}

// A Rail is one supply rail of the card.
type Rail struct {
	Name       string             // "3V3", "VDDQ", "core"
	Voltage    quantity.Quantity  // with tolerance
	Resistance *quantity.Quantity // typical resistance to ground of a good card, unpowered
	Good       []float64          // Ω to ground of known-good cards, unpowered
	ShortBelow *quantity.Quantity // at or below this the rail is shorted
	Source     string
}

// A ReferenceSet holds scores of known-good cards for a workload on a bench.
type ReferenceSet struct {
	Workload string           `json:"workload"`
	Bench    string           `json:"bench"`
	Unit     string           `json:"unit"`   // "fps", "score"
	Better   string           `json:"better"` // "higher", "lower"
	Source   string           `json:"source,omitempty"`
	Scores   []ReferenceScore `json:"scores"`
}

// A ReferenceScore is the score of one known-good card.
type ReferenceScore struct {
	Card  string  `json:"card"`
	Value float64 `json:"value"`
	Job   string  `json:"job,omitempty"` // job number, when the score came from one
	By    string  `json:"by,omitempty"`
	When  string  `json:"when,omitempty"` // date
}
