package plans

import (
	"slices"

	"proveout/plans/quantity"
)

// A Shop is the workshop: who signs, on which benches, with which instruments.
// Its JSON is what a record tells of it; the rest is for the next document, or
// for messages.
type Shop struct {
	Name        string       `json:"name"`
	Address     []string     `json:"address,omitempty"`
	Contact     string       `json:"contact,omitempty"`
	Numbering   string       `json:"-"` // certificate numbers: "PO-{year}-{n:04}"
	Paper       string       `json:"-"` // "A4" or "Letter"
	Language    string       `json:"-"` // "en"
	Logo        string       `json:"-"`
	TimeStamp   string       `json:"-"` // address of a time stamp server, asked at signing; or empty
	Benches     []Bench      `json:"benches,omitempty"`
	Technicians []Technician `json:"technicians,omitempty"`
	Source      string       `json:"-"` // the TOML text the shop was read from
	File        string       `json:"-"` // name of the file, for messages
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
	ID          string             `json:"id"`
	Title       string             `json:"title"`
	Host        string             `json:"host,omitempty"` // the computer the card is plugged into
	Slot        Slot               `json:"slot"`
	Ambient     *quantity.Quantity `json:"ambient,omitempty"` // range of ambient, as value with tolerance
	Instruments []Instrument       `json:"instruments"`
	ControlCard string             `json:"control_card,omitempty"`
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
	Kind      string              `json:"kind"`                // "PCI", "AGP", "PCIe"
	Signaling []quantity.Quantity `json:"signaling,omitempty"` // voltages the slot signals with
	Key       string              `json:"key,omitempty"`       // "3.3 V", "1.5 V", "5 V", "universal"
	Rates     []string            `json:"rates,omitempty"`     // link rates the slot offers
}

// An Instrument is what readings are taken with.
type Instrument struct {
	ID         string               `json:"id"`
	Title      string               `json:"title"`
	Measures   []quantity.Dimension `json:"measures"`
	Limits     quantity.Quantity    `json:"limits"`               // ±a of the reading: "±1.5 °C"; Ratio when relative
	Floor      *quantity.Quantity   `json:"floor,omitempty"`      // added to relative limits: "±0.5 % + 2 mV"
	Coverage   float64              `json:"coverage,omitempty"`   // k of Limits; 0: limits, taken as rectangular
	Resolution *quantity.Quantity   `json:"resolution,omitempty"` // of the display
	Place      string               `json:"place,omitempty"`      // where a temperature sensor sits
	LastCheck  string               `json:"last_check,omitempty"` // date of the last check
	NextCheck  string               `json:"next_check,omitempty"` // date it is due; empty when none is planned
}

// A Technician may record readings and sign.
type Technician struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	Sign bool   `json:"sign,omitempty"` // may authorise certificates
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
