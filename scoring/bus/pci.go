package bus

import (
	"encoding/binary"
	"fmt"
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
	ClassCode       string            `json:"class_code"` // base class, subclass, programming interface
	HeaderType      int               `json:"header_type"`
	Command         []string          `json:"command"` // bits that are set
	Status          []string          `json:"status"`
	DevselTiming    string            `json:"devsel_timing"`
	CacheLineBytes  int               `json:"cache_line_bytes"`
	LatencyClocks   int               `json:"latency_clocks"`
	InterruptLine   int               `json:"interrupt_line"`
	InterruptPin    string            `json:"interrupt_pin,omitempty"`
	BARs            []BAR             `json:"bars"`
	ROM             *ROM              `json:"rom,omitempty"`
	Capabilities    []Capability      `json:"capabilities"`
	ExtCapabilities []ExtCapability   `json:"extended_capabilities,omitempty"`
	PowerManagement *PowerManagement  `json:"power_management,omitempty"`
	AGP             *AGP              `json:"agp,omitempty"`
	Express         *Express          `json:"express,omitempty"`
	Names           map[string]string `json:"names,omitempty"` // filled by [NameList.Fill]
	Notes           []string          `json:"notes,omitempty"` // doubts about the dump
	DumpBytes       int               `json:"dump_bytes"`

	ids ids
}

type ids struct {
	vendor, device, subVendor, subDevice, class uint16
	revision                                    byte
}

// A BAR is one base address register.
type BAR struct {
	Index        int    `json:"index"`
	Kind         string `json:"kind"` // "memory" or "io"
	Width        int    `json:"width_bits"`
	Address      uint64 `json:"address"`
	Prefetchable bool   `json:"prefetchable"`
	SizeBytes    int64  `json:"size_bytes,omitempty"` // 0: no sizing readback given
	Raw          string `json:"raw"`
}

// A ROM is the expansion ROM register.
type ROM struct {
	Address   uint64 `json:"address"`
	Enabled   bool   `json:"enabled"`
	SizeBytes int64  `json:"size_bytes,omitempty"`
}

// A Capability is one link of the capability chain.
type Capability struct {
	Offset int    `json:"offset"`
	ID     int    `json:"id"`
	Name   string `json:"name"`
}

// An ExtCapability is one link of the extended chain from offset 0x100.
type ExtCapability struct {
	Offset  int `json:"offset"`
	ID      int `json:"id"`
	Version int `json:"version"`
}

func hex16(v uint16) string { return fmt.Sprintf("0x%04x", v) }

// Decode reads a configuration space. It fails only when the header is not
// there; doubts travel in Notes.
func Decode(c ConfigSpace) (Device, error) {
	b := c.Bytes
	if len(b) < minConfig {
		return Device{}, fmt.Errorf("configuration space of %d bytes, a header has 64", len(b))
	}
	b = b[:min(len(b), maxConfig)]
	le := binary.LittleEndian
	d := Device{Address: c.Address, DumpBytes: len(b), Capabilities: []Capability{}, BARs: []BAR{}}
	d.ids = ids{vendor: le.Uint16(b), device: le.Uint16(b[2:]), class: le.Uint16(b[0x0a:]), revision: b[8]}
	d.VendorID, d.DeviceID = hex16(d.ids.vendor), hex16(d.ids.device)
	d.Revision = fmt.Sprintf("0x%02x", b[8])
	d.Class = className(b[0x0b], b[0x0a])
	d.ClassCode = fmt.Sprintf("0x%02x%02x%02x", b[0x0b], b[0x0a], b[9])
	d.HeaderType = int(b[0x0e] & 0x7f)
	command, status := le.Uint16(b[4:]), le.Uint16(b[6:])
	d.Command, d.Status = bitNames(command, commandBits()), bitNames(status, statusBits())
	d.DevselTiming = [...]string{"fast", "medium", "slow", "reserved"}[status>>9&3]
	d.CacheLineBytes, d.LatencyClocks = int(b[0x0c])*4, int(b[0x0d])
	d.InterruptLine = int(b[0x3c])
	if pin := b[0x3d]; pin >= 1 && pin <= 4 {
		d.InterruptPin = string(rune('A' + pin - 1))
	}
	d.notes(b)
	bars := 6
	switch d.HeaderType {
	case 0:
		d.ids.subVendor, d.ids.subDevice = le.Uint16(b[0x2c:]), le.Uint16(b[0x2e:])
		d.Subsystem = hex16(d.ids.subVendor) + ":" + hex16(d.ids.subDevice)
	case 1:
		bars = 2
	default:
		bars = 0
	}
	d.bars(c, bars)
	d.rom(c)
	if status&0x10 != 0 {
		d.capabilities(b)
	}
	d.extended(b)
	return d, nil
}

// notes records what makes the dump itself doubtful.
func (d *Device) notes(b []byte) {
	same := true
	for _, x := range b[:minConfig] {
		same = same && x == b[0]
	}
	switch {
	case same && b[0] == 0xff:
		d.note("every byte is 0xff: nothing answers at this address")
	case same && b[0] == 0:
		d.note("every byte is 0: the dump is empty, or the bus is held low")
	case d.ids.vendor == 0xffff || d.ids.vendor == 0:
		d.note("vendor %s is not a valid identifier", d.VendorID)
	}
	if d.HeaderType > 2 {
		d.note("header type 0x%02x is unknown", d.HeaderType)
	}
}

func (d *Device) note(text string, args ...any) {
	d.Notes = append(d.Notes, fmt.Sprintf(text, args...))
}

type bitName struct {
	bit  uint
	name string
}

func bitNames(v uint16, names []bitName) []string {
	out := []string{}
	for _, n := range names {
		if v>>n.bit&1 == 1 {
			out = append(out, n.name)
		}
	}
	return out
}

func commandBits() []bitName {
	return []bitName{{0, "I/O"}, {1, "memory"}, {2, "bus master"}, {3, "special cycles"}, {4, "memory write and invalidate"},
		{5, "VGA palette snoop"}, {6, "parity error response"}, {7, "stepping"}, {8, "SERR#"}, {9, "fast back-to-back"}, {10, "interrupt disable"}}
}

func statusBits() []bitName {
	return []bitName{{3, "interrupt"}, {4, "capabilities"}, {5, "66 MHz"}, {6, "user definable features"}, {7, "fast back-to-back"}, {8, "master data parity error"},
		{11, "signalled target abort"}, {12, "received target abort"}, {13, "received master abort"}, {14, "signalled system error"}, {15, "detected parity error"}}
}

func (d *Device) bars(c ConfigSpace, n int) {
	le := binary.LittleEndian
	for i := 0; i < n; i++ {
		at := 0x10 + 4*i
		raw := le.Uint32(c.Bytes[at:])
		read, sized := c.Sizing[at]
		if raw == 0 && !(sized && read != 0) {
			continue
		}
		bar := BAR{Index: i, Raw: fmt.Sprintf("0x%08x", raw), Width: 32}
		if raw&1 == 1 || sized && raw == 0 && read&1 == 1 {
			bar.Kind, bar.Address = "io", uint64(raw&^3)
			if sized {
				mask := read &^ 3
				if mask>>16 == 0 { // only 16 bits are decoded
					mask |= 0xffff0000
				}
				bar.SizeBytes = int64(-mask)
			}
			d.addBAR(c, bar)
			continue
		}
		kind := raw
		if raw == 0 {
			kind = read
		}
		bar.Kind, bar.Address, bar.Prefetchable = "memory", uint64(raw&^15), kind&8 != 0
		mask := uint64(read&^15) | 0xffffffff<<32
		switch kind >> 1 & 3 {
		case 1:
			bar.Width = 20
		case 2:
			if i+1 >= n {
				d.note("region %d is 64 bits wide but has no second register", i)
				break
			}
			bar.Width = 64
			bar.Address |= uint64(le.Uint32(c.Bytes[at+4:])) << 32
			if high, ok := c.Sizing[at+4]; ok {
				mask = uint64(read&^15) | uint64(high)<<32
			}
			i++
		case 3:
			d.note("region %d is of the reserved kind 3", bar.Index)
		}
		if sized && mask<<32 != 0 || sized && bar.Width == 64 && mask != 0 {
			bar.SizeBytes = int64(-mask)
		}
		d.addBAR(c, bar)
	}
}

// addBAR files a register after looking at its size.
func (d *Device) addBAR(c ConfigSpace, bar BAR) {
	if bar.SizeBytes == 0 {
		bar.SizeBytes = c.Sizes[bar.Index]
	}
	if s := bar.SizeBytes; s < 0 || s&(s-1) != 0 {
		d.note("region %d: the sizing readback is no power of two", bar.Index)
		bar.SizeBytes = 0
	} else if s > 0 && bar.Address&uint64(s-1) != 0 {
		d.note("region %d: address 0x%x is not a multiple of its size, %d bytes", bar.Index, bar.Address, s)
	}
	d.BARs = append(d.BARs, bar)
}

func (d *Device) rom(c ConfigSpace) {
	at := map[int]int{0: 0x30, 1: 0x38}[d.HeaderType]
	if at == 0 {
		return
	}
	raw := binary.LittleEndian.Uint32(c.Bytes[at:])
	read := c.Sizing[at] &^ 0x7ff
	if raw == 0 && read == 0 {
		return
	}
	d.ROM = &ROM{Address: uint64(raw &^ 0x7ff), Enabled: raw&1 == 1, SizeBytes: int64(-read)}
	if read == 0 {
		d.ROM.SizeBytes = 0
	}
}

// capabilities follows the chain. Each offset is visited once, so a chain that
// bites its tail ends.
func (d *Device) capabilities(b []byte) {
	at := int(b[0x34])
	if d.HeaderType == 2 {
		at = int(b[0x14])
	}
	seen := [256]bool{}
	for at &^= 3; at != 0; at &^= 3 {
		switch {
		case at < 0x40:
			d.note("the capability chain points into the header, at 0x%02x", at)
			return
		case seen[at]:
			d.note("the capability chain loops back to 0x%02x", at)
			return
		case at+2 > len(b):
			d.note("the capability at 0x%02x lies beyond the %d bytes of the dump", at, len(b))
			return
		}
		seen[at] = true
		id := b[at]
		if id == 0xff {
			d.note("the capability at 0x%02x reads 0xff: the chain is broken", at)
			return
		}
		d.Capabilities = append(d.Capabilities, Capability{Offset: at, ID: int(id), Name: capabilityName(id)})
		switch id {
		case 0x01:
			d.powerManagement(b, at)
		case 0x02:
			d.agp(b, at)
		case 0x10:
			d.express(b, at)
		}
		at = int(b[at+1])
	}
}

// extended follows the chain from offset 0x100 of a PCI Express device.
func (d *Device) extended(b []byte) {
	seen := map[int]bool{}
	for at := 0x100; at >= 0x100 && at+4 <= len(b) && !seen[at]; {
		seen[at] = true
		v := binary.LittleEndian.Uint32(b[at:])
		if v == 0 || v == 0xffffffff {
			return
		}
		d.ExtCapabilities = append(d.ExtCapabilities, ExtCapability{Offset: at, ID: int(v & 0xffff), Version: int(v >> 16 & 15)})
		at = int(v >> 20 &^ 3)
		if seen[at] {
			d.note("the extended capability chain loops back to 0x%x", at)
		}
	}
}
