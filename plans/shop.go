package plans

import (
	"slices"

	"proveout/plans/quantity"
)

// A Shop is the workshop: who signs, on which benches, with which instruments.
type Shop struct {
	Name        string
	Address     []string
	Contact     string
	Numbering   string // certificate numbers: "PO-{year}-{n:04}"
	Paper       string // "A4" or "Letter"
	Language    string // "en"
	Logo        string
	TimeStamp   string // address of a time stamp server, asked when a certificate is signed; empty for none
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

// Measuring returns the bench's only instrument for a dimension, or for a
// temperature the only one that sits at the place. With several to choose from
// it reports false: the reading must name its instrument.
func (b *Bench) Measuring(dim quantity.Dimension, place string) (*Instrument, bool) {
	var found, placed *Instrument
	n, nPlaced := 0, 0
	for i := range b.Instruments {
		inst := &b.Instruments[i]
		if !slices.Contains(inst.Measures, dim) {
			continue
		}
		found, n = inst, n+1
		if place != "" && inst.Place == place {
			placed, nPlaced = inst, nPlaced+1
		}
	}
	switch {
	case nPlaced == 1:
		return placed, true
	case n == 1 && nPlaced == 0:
		return found, true
	}
	return nil, false
}
