// Package memory knows how the memory of a card is put together and what
// follows from it: which chip and data line holds a bit, which faults explain
// a size that fell short, and which fault explains a list of failing addresses.
//
// An [Organisation] and observations come in; findings with designators go
// out, as facts without words. The package reads no files.
package memory

import (
	"fmt"
	"math/bits"
	"slices"

	"proveout/plans/fact"
)

// What is refused before anything is made up. The limits of an organisation are
// those of package plans, which this one does not import; a test of package
// scoring holds them together.
const (
	maxWords      = 1 << 34
	maxBusBits    = 1024
	maxBanks      = 16
	maxColumnBits = 20
)

// An Organisation is the linear memory of a card: one or more banks, each as
// wide as the bus, made of equal chips.
//
// Byte address 0 sits on chip 0 of bank 0, data lines D0 to D7. Lanes run
// upward across the bus, so with 16-bit chips on a 128-bit bus chip k holds
// bytes 2k and 2k+1 of every 16-byte beat. Banks follow one another in address
// order.
type Organisation struct {
	Name     string // "frame", "texture"; empty when the card has one memory
	Words    int64  // addressable words of one chip: 1Mi×16 has 1 048 576
	ChipBits int    // data lines of one chip: 4, 8, 16 or 32
	BusBits  int    // width of the memory bus, a multiple of ChipBits and of 8
	Banks    []Bank // in address order
	Reserved int64  // bytes of it that a tool may leave out, by the family's word; 0: nothing is stated

	// ColumnBits is the number of low word-address bits that select the
	// column of a chip; 0 when the family does not say. It sharpens the
	// difference between one row and one column of a chip.
	ColumnBits int
}

// A Bank is one rank of chips that together fill the bus.
type Bank struct {
	Designators []string // in lane order: the chip with D0 of the bus first
}

// OfChips makes up an organisation of equal chips U1, U2, … in lane order. Of
// chips and banks either may be 0: the other says it, and both mean one bank.
func OfChips(words int64, chipBits, busBits, chips, banks int) (Organisation, error) {
	o := Organisation{Words: words, ChipBits: chipBits, BusBits: busBits}
	if busBits <= 0 || busBits > maxBusBits || busBits%chipBits != 0 {
		return o, fact.New("memory.impossible-bus", "bits", busBits, "most", maxBusBits, "chip", chipBits).Err()
	}
	lanes := o.ChipsPerBank()
	switch {
	case chips < 0, banks <= 0 && chips%lanes != 0:
		return o, fmt.Errorf("%d chips do not fill banks of %d", chips, lanes)
	case banks <= 0:
		banks = max(chips/lanes, 1)
	case chips != 0 && chips != banks*lanes:
		return o, fmt.Errorf("%d banks of a %d bit bus take %d chips of %d bits, not %d",
			banks, busBits, banks*lanes, chipBits, chips)
	}
	if banks > maxBanks {
		return o, fact.New("memory.impossible-banks", "banks", banks, "most", maxBanks).Err()
	}
	for bank := range banks {
		var b Bank
		for lane := range lanes {
			b.Designators = append(b.Designators, fmt.Sprintf("U%d", bank*lanes+lane+1))
		}
		o.Banks = append(o.Banks, b)
	}
	return o, o.Check()
}

// A Place is where one bit of the memory is stored.
type Place struct {
	Bank       int    // from 0
	Chip       int    // lane order within the bank, from 0
	Designator string // "U7"
	Line       int    // data line of the chip: D0 is 0
	Word       int64  // word address inside the chip
}

// Check returns a [fact.Error] that says why an organisation cannot be, nil for a
// sound one. Everything else in this package takes sound organisations.
func (o Organisation) Check() error {
	if why := o.impossible(); len(why) > 0 {
		return fact.Text(fact.ListOf(fact.Semicolon, why)).Err()
	}
	return nil
}

func (o Organisation) impossible() []fact.Fact {
	var why []fact.Fact
	if o.Words <= 0 || o.Words > maxWords {
		why = append(why, fact.New("memory.impossible-depth", "words", o.Words, "most", int64(maxWords)))
	}
	if !slices.Contains([]int{4, 8, 16, 32}, o.ChipBits) {
		return append(why, fact.New("memory.impossible-chip", "bits", o.ChipBits))
	}
	if o.BusBits <= 0 || o.BusBits > maxBusBits || o.BusBits%8 != 0 || o.BusBits%o.ChipBits != 0 {
		return append(why, fact.New("memory.impossible-bus",
			"bits", o.BusBits, "most", maxBusBits, "chip", o.ChipBits))
	}
	if o.ColumnBits < 0 || o.ColumnBits > maxColumnBits {
		why = append(why, fact.New("memory.impossible-columns", "bits", o.ColumnBits, "most", maxColumnBits))
	}
	if len(o.Banks) == 0 || len(o.Banks) > maxBanks {
		why = append(why, fact.New("memory.impossible-banks", "banks", len(o.Banks), "most", maxBanks))
	}
	for bank, b := range o.Banks {
		if len(b.Designators) != o.ChipsPerBank() {
			why = append(why, fact.New("memory.impossible-bank", "bank", bank, "n", len(b.Designators),
				"bus", o.BusBits, "chip", o.ChipBits, "want", o.ChipsPerBank()))
		}
	}
	return why
}

// ChipsPerBank returns how many chips fill the bus.
func (o Organisation) ChipsPerBank() int { return o.BusBits / o.ChipBits }

// BeatBytes returns the bytes that one access across the whole bus moves.
func (o Organisation) BeatBytes() int64 { return int64(o.BusBits / 8) }

// BankBytes returns the size of one bank in bytes.
func (o Organisation) BankBytes() int64 { return o.Words * o.BeatBytes() }

// Bytes returns the total size in bytes.
func (o Organisation) Bytes() int64 { return int64(len(o.Banks)) * o.BankBytes() }

// Locate returns where bit (0 to 7) of the byte at address addr is stored. It
// reports false when the address lies outside the memory.
func (o Organisation) Locate(addr int64, bit int) (Place, bool) {
	if addr < 0 || addr >= o.Bytes() || bit < 0 || bit > 7 {
		return Place{}, false
	}
	bank := int(addr / o.BankBytes())
	inBank := addr % o.BankBytes()
	lane := int(inBank%o.BeatBytes())*8 + bit
	chip := lane / o.ChipBits
	return Place{
		Bank:       bank,
		Chip:       chip,
		Designator: o.Banks[bank].Designators[chip],
		Line:       lane % o.ChipBits,
		Word:       inBank / o.BeatBytes(),
	}, true
}

// Address is the inverse of [Organisation.Locate]: the byte address and the
// bit (0 to 7) that the place holds.
func (o Organisation) Address(p Place) (addr int64, bit int) {
	lane := p.Chip*o.ChipBits + p.Line
	return int64(p.Bank)*o.BankBytes() + p.Word*o.BeatBytes() + int64(lane/8), lane % 8
}

// AddressLines returns how many word-address lines the depth of a chip needs.
func (o Organisation) AddressLines() int {
	if o.Words <= 1 {
		return 0
	}
	return bits.Len64(uint64(o.Words - 1))
}

// Designator returns the designator of a chip, and "" when there is no such
// chip.
func (o Organisation) Designator(bank, chip int) string {
	if bank < 0 || bank >= len(o.Banks) || chip < 0 || chip >= len(o.Banks[bank].Designators) {
		return ""
	}
	return o.Banks[bank].Designators[chip]
}

// totalBytes returns the size of several memories together: frame and texture
// memory of an add-on board, for instance.
func totalBytes(pools []Organisation) int64 {
	var sum int64
	for _, p := range pools {
		sum += p.Bytes()
	}
	return sum
}

// reservedBytes returns what tools may leave out of several memories together.
func reservedBytes(pools []Organisation) int64 {
	var sum int64
	for _, p := range pools {
		sum += p.Reserved
	}
	return sum
}

// designators returns the chips of a memory from a bank on.
func (o Organisation) designators(from int) []string {
	var out []string
	for _, b := range o.Banks[from:] {
		out = append(out, b.Designators...)
	}
	return out
}

// A ChipPlace is where a chip sits in the memory.
type ChipPlace struct {
	Designator string `json:"designator"`
	Bank       int    `json:"bank"`
	Chip       int    `json:"chip"`
	BusLines   string `json:"bus_lines"`  // "D0-D15"
	FirstByte  int64  `json:"first_byte"` // address of its first byte
	BeatBytes  int64  `json:"beat_bytes"` // from one of its words to the next
	BytesWide  string `json:"bytes"`      // offsets within a beat
}

// Chips lists where the chips of a memory sit.
func (o Organisation) Chips() []ChipPlace {
	var out []ChipPlace
	for bank := range o.Banks {
		for chip := range o.ChipsPerBank() {
			addr, _ := o.Address(Place{Bank: bank, Chip: chip})
			first := chip * o.ChipBits
			last := first + o.ChipBits - 1
			bytes := fmt.Sprint(first / 8)
			if last/8 > first/8 {
				bytes += fmt.Sprintf("-%d", last/8)
			}
			out = append(out, ChipPlace{
				Designator: o.Designator(bank, chip),
				Bank:       bank,
				Chip:       chip,
				BusLines:   fmt.Sprintf("D%d-D%d", first, last),
				FirstByte:  addr,
				BeatBytes:  o.BeatBytes(),
				BytesWide:  bytes,
			})
		}
	}
	return out
}
