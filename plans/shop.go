package plans

import "proveout/plans/quantity"

// A Shop is the workshop: who signs, on which benches, with which instruments.
type Shop struct {
	Name        string
	Address     []string
	Contact     string
	Numbering   string // certificate numbers: "PO-{year}-{n:04}"
	Paper       string // "A4" or "Letter"
	Language    string // "en"
	Logo        string
	Benches     []Bench
	Technicians []Technician
	Source      string // the TOML text the shop was read from
	File        string // name of the file, for messages
}

// Bench returns the bench with the given id.
func (s *Shop) Bench(id string) (*Bench, bool) {
	for i := range s.Benches {
		if s.Benches[i].ID == id {
			return &s.Benches[i], true
		}
	}
	return nil, false
}

// A Bench is a place where cards are tested.
type Bench struct {
	ID          string
	Title       string
	Host        string // the computer the card is plugged into
	Slot        Slot
	Ambient     *quantity.Quantity // range of ambient, as value with tolerance
	Instruments []Instrument
	ControlCard string
}

// Instrument returns the instrument with the given id.
func (b *Bench) Instrument(id string) (*Instrument, bool) {
	for i := range b.Instruments {
		if b.Instruments[i].ID == id {
			return &b.Instruments[i], true
		}
	}
	return nil, false
}

// A Slot is what the bench's expansion slot can take.
type Slot struct {
	Kind      string              // "PCI", "AGP", "PCIe"
	Signaling []quantity.Quantity // voltages the slot signals with
	Key       string              // "3.3 V", "1.5 V", "5 V", "universal"
	Rates     []string            // link rates the slot offers
}

// An Instrument is what readings are taken with.
type Instrument struct {
	ID         string
	Title      string
	Measures   []quantity.Dimension
	Limits     quantity.Quantity  // stated limits ±a of the reading: "±1.5 °C"; Ratio when relative
	Floor      *quantity.Quantity // added to relative limits: "±0.5 % + 2 mV"
	Coverage   float64            // k of Limits when the sheet states one; 0 means limits, taken as rectangular
	Resolution *quantity.Quantity // of the display
	Place      string             // where a temperature sensor sits
	LastCheck  string             // date of the last check
	NextCheck  string             // date the next check is due; empty when none is planned
}

// A Technician may record readings and sign.
type Technician struct {
	ID   string
	Name string
	Sign bool // may authorise certificates
}
