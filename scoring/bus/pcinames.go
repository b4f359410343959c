package bus

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// A NameList is the system's list of PCI names, when the machine has one. The
// program needs none and carries none.
type NameList struct {
	vendors    map[uint16]string
	devices    map[uint32]string
	subsystems map[uint64]string
}

// maxNames bounds what is read of a list.
const maxNames = 200_000

// ParseNames reads a list of PCI names in the public format: vendors at the
// margin, devices behind one tab, subsystems behind two. Classes are left out.
func ParseNames(r io.Reader) (*NameList, error) {
	l := &NameList{vendors: map[uint16]string{}, devices: map[uint32]string{}, subsystems: map[uint64]string{}}
	s := bufio.NewScanner(r)
	var vendor, device uint16
	for n := 0; s.Scan() && n < maxNames; n++ {
		line := s.Text()
		text := strings.TrimLeft(line, "\t")
		depth := len(line) - len(text)
		if text == "" || text[0] == '#' {
			continue
		}
		if depth == 0 && len(text) > 4 && text[4] != ' ' {
			break // the list of classes begins
		}
		switch depth {
		case 0:
			if id, name, ok := idAndName(text); ok {
				vendor = id
				l.vendors[id] = name
			}
		case 1:
			if id, name, ok := idAndName(text); ok {
				device = id
				l.devices[uint32(vendor)<<16|uint32(id)] = name
			}
		case 2:
			first, rest, _ := strings.Cut(text, " ")
			sv, err := strconv.ParseUint(first, 16, 16)
			if id, name, ok := idAndName(rest); ok && err == nil {
				l.subsystems[subsystemKey(vendor, device, uint16(sv), id)] = name
			}
		}
	}
	if err := s.Err(); err != nil {
		return nil, fmt.Errorf("reading the list of PCI names: %w", err)
	}
	return l, nil
}

func idAndName(s string) (uint16, string, bool) {
	first, name, ok := strings.Cut(s, " ")
	id, err := strconv.ParseUint(first, 16, 16)
	name = strings.TrimSpace(name)
	return uint16(id), name, ok && err == nil && len(first) == 4 && name != ""
}

func subsystemKey(vendor, device, subVendor, subDevice uint16) uint64 {
	return uint64(vendor)<<48 | uint64(device)<<32 | uint64(subVendor)<<16 | uint64(subDevice)
}

// Fill enters the names of a device that the list knows.
func (l *NameList) Fill(d *Device) {
	names := map[string]string{}
	set := func(key, name string) {
		if name != "" {
			names[key] = name
		}
	}
	set("vendor", l.vendors[d.ids.vendor])
	set("device", l.devices[uint32(d.ids.vendor)<<16|uint32(d.ids.device)])
	if d.Subsystem != "" {
		set("subsystem_vendor", l.vendors[d.ids.subVendor])
		set("subsystem", l.subsystems[subsystemKey(d.ids.vendor, d.ids.device, d.ids.subVendor, d.ids.subDevice)])
	}
	if len(names) > 0 {
		d.Names = names
	}
}
