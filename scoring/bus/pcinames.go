package bus

import (
	"bufio"
	"fmt"
	"io"
	"strings"
)

// FillNames enters the names of devices that a list of PCI names knows; the
// program carries no list of its own. In the public format of such lists
// vendors stand at the margin, devices behind one tab, subsystems behind two,
// and the list of classes follows.
func FillNames(list io.Reader, devices []Device) error {
	var vendor, device string
	s := bufio.NewScanner(list)
	for s.Scan() && !strings.HasPrefix(s.Text(), "C ") {
		text := strings.TrimLeft(s.Text(), "\t")
		id, name, ok := strings.Cut(text, "  ")
		if !ok || strings.HasPrefix(text, "#") {
			continue
		}
		depth := len(s.Text()) - len(text)
		switch depth {
		case 0:
			vendor, device = "0x"+id, ""
		case 1:
			device = "0x" + id
		}
		subsystem := "0x" + strings.Replace(id, " ", ":0x", 1)
		for i := range devices {
			d := &devices[i]
			switch {
			case d.VendorID != vendor:
			case depth == 0:
				d.name("vendor", name)
			case d.DeviceID != device:
			case depth == 1:
				d.name("device", name)
			case depth == 2 && d.Subsystem == subsystem:
				d.name("subsystem", name)
			}
		}
	}
	if err := s.Err(); err != nil {
		return fmt.Errorf("reading the list of PCI names: %w", err)
	}
	return nil
}

// name enters what an identifier of the device stands for.
func (d *Device) name(key, name string) {
	if d.Names == nil {
		d.Names = map[string]string{}
	}
	d.Names[key] = strings.TrimSpace(name)
}
