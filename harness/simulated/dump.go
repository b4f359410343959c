package simulated

import (
	"encoding/binary"
	"fmt"
	"math/bits"
	"slices"
	"strconv"
	"strings"
)

// configuration is the configuration space of the card as the bus shows it: the
// type 0 header (PCI Local Bus Specification 2.2, 6.1, from memory) and for AGP its
// capability (AGP Interface Specification 2.0, 6.1, from memory).
func (s *specimen) configuration() []byte {
	space := make([]byte, 256)
	if s.silent {
		for i := range space {
			space[i] = 0xff
		}
		return space
	}
	put16 := func(at int, hex string) {
		v, _ := strconv.ParseUint(hex, 16, 16)
		binary.LittleEndian.PutUint16(space[at:], uint16(v))
	}
	put16(0x00, s.id.Vendor)
	put16(0x02, s.id.Device)
	put16(0x04, "0007")
	put16(0x06, "0290")
	space[0x08], space[0x0b] = 1, 3 // revision; display controller, VGA compatible
	binary.LittleEndian.PutUint32(space[0x10:], 0xe0000008)
	put16(0x2c, orSame(s.id.SubsystemVendor, s.id.Vendor))
	put16(0x2e, orSame(s.id.Subsystem, "0001"))
	if s.family.Bus.Kind != "AGP" {
		space[0x06] = 0x80 // no list of capabilities
		return space
	}
	space[0x34] = 0x58
	space[0x58], space[0x5a] = 2, 0x20 // AGP 2.0
	status, command := uint32(0x1f000000), uint32(0x1f000100)
	if slices.Contains(s.features, "sideband") {
		status, command = status|0x200, command|0x200
	}
	if slices.Contains(s.features, "fast-write") {
		status, command = status|0x10, command|0x10
	}
	for _, rate := range s.offered {
		status |= rateBit(rate)
	}
	binary.LittleEndian.PutUint32(space[0x5c:], status)
	binary.LittleEndian.PutUint32(space[0x60:], command|rateBit(s.link))
	return space
}

func rateBit(rate string) uint32 {
	n, _ := strconv.ParseUint(strings.TrimSuffix(rate, "x"), 10, 8)
	return uint32(n) & 7
}

func orSame(a, b string) string {
	if a == "" {
		return b
	}
	return a
}

// dumped writes a configuration space as rows of bytes behind their offset, with
// the size of the memory's window.
func dumped(space []byte, window float64) []byte {
	var b strings.Builder
	size := uint64(1) << bits.Len64(uint64(window)-1)
	fmt.Fprintf(&b, "01:00.0 display controller\n")
	for at := 0; at < len(space); at += 16 {
		fmt.Fprintf(&b, "%02x: % x\n", at, space[at:at+16])
	}
	fmt.Fprintf(&b, "sizing 10: %08x\n", uint32(-size)|8)
	return []byte(b.String())
}
