package bus

import (
	"encoding/binary"
	"fmt"

	"proveout/plans/fact"
)

// A Device is the decoded configuration space of one device. Identifiers are
// written as hexadecimal words. Layout: PCI Local Bus Specification 2.3,
// chapter 6.
type Device struct {
	Address         string            `json:"address"`
	VendorID        string            `json:"vendor_id"`
	DeviceID        string            `json:"device_id"`
	Subsystem       string            `json:"subsystem,omitempty"` // "0x121a:0x003a"; empty for bridges
	Revision        string            `json:"revision"`
	Class           string            `json:"class"`
	Command         []string          `json:"command"` // bits that are set
	Status          []string          `json:"status"`
	BARs            []BAR             `json:"bars"`
	ROM             *ROM              `json:"rom,omitempty"`
	Capabilities    []Capability      `json:"capabilities"`
	PowerManagement *PowerManagement  `json:"power_management,omitempty"`
	AGP             *AGP              `json:"agp,omitempty"`
	Express         *Express          `json:"express,omitempty"`
	Names           map[string]string `json:"names,omitempty"` // filled by [FillNames]
	Notes           []fact.Fact       `json:"notes,omitempty"` // doubts about the dump
	DumpBytes       int               `json:"dump_bytes"`

	ids ids
}

type ids struct{ vendor, device, subVendor, subDevice, class uint16 }

// A BAR is one base address register.
type BAR struct {
	Index        int    `json:"index"`
	Kind         string `json:"kind"` // "memory" or "io"
	Width        int    `json:"width_bits"`
	Address      uint64 `json:"address"`
	Prefetchable bool   `json:"prefetchable"`
	SizeBytes    int64  `json:"size_bytes,omitempty"` // 0: no sizing readback given
}

// A ROM is the expansion ROM register.
type ROM struct {
	Address uint64 `json:"address"`
	Enabled bool   `json:"enabled"`
}

// A Capability is one link of the capability chain.
type Capability struct {
	Offset int    `json:"offset"`
	ID     int    `json:"id"`
	Name   string `json:"name"`
}

func hex8(v byte) string    { return fmt.Sprintf("0x%02x", v) }
func hex16(v uint16) string { return fmt.Sprintf("0x%04x", v) }

// Decode reads the configuration space of the device at an address. It reports
// false only when the header is not there; doubts travel in Notes.
func Decode(address string, config []byte) (Device, bool) {
	if len(config) < minConfig {
		return Device{}, false
	}
	s := space{address: address, bytes: config[:min(len(config), maxConfig)]}
	return s.decode(), true
}

// decode reads a space with its header.
func (s *space) decode() Device {
	b := s.bytes
	le := binary.LittleEndian
	command, status, header := le.Uint16(b[4:]), le.Uint16(b[6:]), b[0x0e]&0x7f
	d := Device{
		Address:      s.address,
		VendorID:     hex16(le.Uint16(b)),
		DeviceID:     hex16(le.Uint16(b[2:])),
		Revision:     hex8(b[8]),
		Class:        className(b[0x0b], b[0x0a]),
		Command:      bitNames(command, commandBits[:]),
		Status:       bitNames(status, statusBits[:]),
		BARs:         []BAR{},
		Capabilities: []Capability{},
		DumpBytes:    len(b),
		ids:          ids{vendor: le.Uint16(b), device: le.Uint16(b[2:]), class: le.Uint16(b[0x0a:])},
	}
	d.doubt(b, header)
	if errs := bitNames(status&statusErrors, statusBits[:]); len(errs) > 0 && d.ids.vendor != 0xffff {
		d.note(fact.New("bus.errors-kept", "errors", fact.Names(fact.Comma, errs)))
	}
	chain := b[0x34]
	switch header {
	case 0:
		d.ids.subVendor, d.ids.subDevice = le.Uint16(b[0x2c:]), le.Uint16(b[0x2e:])
		d.Subsystem = hex16(d.ids.subVendor) + ":" + hex16(d.ids.subDevice)
		d.regions(s, 6)
		d.rom(s, 0x30)
	case 1:
		d.regions(s, 2)
		d.rom(s, 0x38)
	case 2:
		chain = b[0x14]
	}
	if status&0x10 != 0 {
		d.capabilities(b, chain)
	}
	return d
}

// note adds a doubt about the dump.
func (d *Device) note(f fact.Fact) { d.Notes = append(d.Notes, f) }

// doubt notes what makes the dump itself doubtful.
func (d *Device) doubt(b []byte, header byte) {
	same := true
	for _, x := range b[:minConfig] {
		same = same && x == b[0]
	}
	switch {
	case same && b[0] == 0xff:
		d.note(fact.New("bus.all-ones"))
	case same && b[0] == 0:
		d.note(fact.New("bus.all-zeros"))
	case d.ids.vendor == 0xffff || d.ids.vendor == 0:
		d.note(fact.New("bus.no-vendor", "vendor", d.VendorID))
	}
	if header > 2 {
		d.note(fact.New("bus.unknown-header", "type", hex8(header)))
	}
}

// commandBits and statusBits name the bits of both registers, from bit 0 on.
var (
	commandBits = [...]string{
		"I/O", "memory", "bus master", "special cycles", "memory write and invalidate", "VGA palette snoop",
		"parity error response", "stepping", "SERR#", "fast back-to-back", "interrupt disable",
	}
	statusBits = [...]string{
		"", "", "", "interrupt", "capabilities", "66 MHz", "user definable features", "fast back-to-back",
		"master data parity error", "", "", "signalled target abort", "received target abort",
		"received master abort", "signalled system error", "detected parity error",
	}
)

// statusErrors are the bits of the status register that a device sets when a
// transfer that it took part in went wrong: they stay set until they are cleared,
// so one may be of long ago, and it is told, not judged. A target that nobody
// answers to (master abort) is left out: sizing and probing leave it (PCI Local
// Bus Specification 2.3, 6.2.3).
const statusErrors = 1<<8 | 1<<11 | 1<<14 | 1<<15

// bitNames returns the names of the bits that are set.
func bitNames(v uint16, names []string) []string {
	set := []string{}
	for bit, name := range names {
		if v>>uint(bit)&1 == 1 && name != "" {
			set = append(set, name)
		}
	}
	return set
}

// regions reads the base address registers, of which a region of 64 bits takes
// two. The size of a region shows when its register is written with ones: the
// bits that stay 0 count through it (PCI Local Bus Specification 2.3, 6.2.5.1).
func (d *Device) regions(s *space, registers int) {
	for i := 0; i < registers; i++ {
		at := 0x10 + 4*i
		raw := binary.LittleEndian.Uint32(s.bytes[at:])
		ones, sized := s.sizing[at]
		low := raw // tells the kind of region, also of one that is not set up
		if raw == 0 {
			low = ones
		}
		switch {
		case raw == 0 && ones == 0:
		case low&1 == 1:
			bar := BAR{Index: i, Kind: "io", Width: 32, Address: uint64(raw &^ 3)}
			if sized {
				mask := ones &^ 3
				if mask>>16 == 0 { // only 16 bits are decoded
					mask |= 0xffff0000
				}
				bar.SizeBytes = int64(-mask)
			}
			d.addRegion(s, bar)
		default:
			bar := BAR{Index: i, Kind: "memory", Width: 32, Address: uint64(raw &^ 15), Prefetchable: low&8 != 0}
			mask := uint64(ones&^15) | 0xffffffff<<32
			switch low >> 1 & 3 {
			case 1:
				bar.Width = 20
			case 2:
				if i+1 >= registers {
					d.note(fact.New("bus.no-second-register", "region", i))
					break
				}
				bar.Width = 64
				bar.Address |= uint64(binary.LittleEndian.Uint32(s.bytes[at+4:])) << 32
				if high, ok := s.sizing[at+4]; ok {
					mask = uint64(ones&^15) | uint64(high)<<32
				}
				i++
			case 3:
				d.note(fact.New("bus.reserved-region", "region", i))
			}
			if sized && (uint32(mask) != 0 || bar.Width == 64 && mask != 0) {
				bar.SizeBytes = int64(-mask)
			}
			d.addRegion(s, bar)
		}
	}
}

// addRegion files a register after looking at its size.
func (d *Device) addRegion(s *space, bar BAR) {
	if bar.SizeBytes == 0 {
		bar.SizeBytes = s.sizes[bar.Index]
	}
	if size := bar.SizeBytes; size < 0 || size&(size-1) != 0 {
		d.note(fact.New("bus.odd-size", "region", bar.Index))
		bar.SizeBytes = 0
	} else if size > 0 && bar.Address&uint64(size-1) != 0 {
		address := fmt.Sprintf("0x%x", bar.Address)
		d.note(fact.New("bus.not-aligned", "region", bar.Index, "address", address, "size", size))
	}
	d.BARs = append(d.BARs, bar)
}

func (d *Device) rom(s *space, at int) {
	if raw := binary.LittleEndian.Uint32(s.bytes[at:]); raw != 0 || s.sizing[at]&^0x7ff != 0 {
		d.ROM = &ROM{Address: uint64(raw &^ 0x7ff), Enabled: raw&1 == 1}
	}
}

// capabilities follows the chain from its first offset. Each offset is visited once, so a chain that
// bites its tail ends.
func (d *Device) capabilities(b []byte, next byte) {
	seen := [256]bool{}
	for next &^= 3; next != 0; next &^= 3 {
		at := int(next)
		switch {
		case at < 0x40:
			d.note(fact.New("bus.chain-into-header", "at", hex8(next)))
			return
		case seen[at]:
			d.note(fact.New("bus.chain-loops", "at", hex8(next)))
			return
		case at+2 > len(b):
			d.note(fact.New("bus.chain-beyond", "at", hex8(next), "n", len(b)))
			return
		case b[at] == 0xff:
			d.note(fact.New("bus.chain-broken", "at", hex8(next)))
			return
		}
		seen[at] = true
		d.Capabilities = append(d.Capabilities, Capability{Offset: at, ID: int(b[at]), Name: capabilityName(b[at])})
		switch b[at] {
		case powerManagementID:
			d.powerManagement(b[at:])
		case agpID:
			d.agp(b[at:], next)
		case expressID:
			d.express(b[at:], next)
		}
		next = b[at+1]
	}
}
