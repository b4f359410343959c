package bus

import "fmt"

// className names a class code as the PCI class-code list does (PCI Code and
// ID Assignment Specification; names as in the public list of PCI IDs). Only
// the classes met beside a graphics card are listed with their subclasses.
func className(base, sub byte) string {
	if name, ok := classes()[uint16(base)<<8|uint16(sub)]; ok {
		return name
	}
	if name, ok := baseClasses()[base]; ok {
		return fmt.Sprintf("%s [%02x]", name, sub)
	}
	return fmt.Sprintf("Class [%02x%02x]", base, sub)
}

// capabilityName names a capability (PCI Local Bus 3.0, appendix H; PCI Code
// and ID Assignment Specification; from memory).
func capabilityName(id byte) string {
	if name, ok := capabilityNames()[id]; ok {
		return name
	}
	return fmt.Sprintf("unknown 0x%02x", id)
}

func classes() map[uint16]string {
	return map[uint16]string{
		0x0000: "Non-VGA unclassified device", 0x0001: "VGA compatible unclassified device",
		0x0101: "IDE interface", 0x0106: "SATA controller",
		0x0200: "Ethernet controller",
		0x0300: "VGA compatible controller", 0x0301: "XGA compatible controller",
		0x0302: "3D controller", 0x0380: "Display controller",
		0x0400: "Multimedia video controller", 0x0401: "Multimedia audio controller",
		0x0403: "Audio device", 0x0480: "Multimedia controller",
		0x0600: "Host bridge", 0x0601: "ISA bridge", 0x0604: "PCI bridge", 0x0680: "Bridge",
		0x0c00: "FireWire (IEEE 1394)", 0x0c03: "USB controller", 0x0c05: "SMBus",
	}
}

func baseClasses() map[byte]string {
	return map[byte]string{
		0x00: "Unclassified device", 0x01: "Mass storage controller", 0x02: "Network controller",
		0x03: "Display controller", 0x04: "Multimedia controller", 0x05: "Memory controller", 0x06: "Bridge",
		0x07: "Communication controller", 0x08: "Generic system peripheral", 0x09: "Input device controller",
		0x0a: "Docking station", 0x0b: "Processor", 0x0c: "Serial bus controller", 0x0d: "Wireless controller",
		0x0e: "Intelligent controller", 0x0f: "Satellite communications controller", 0x10: "Encryption controller",
		0x11: "Signal processing controller", 0x12: "Processing accelerators", 0xff: "Unassigned class",
	}
}

func capabilityNames() map[byte]string {
	return map[byte]string{
		0x00: "null", 0x01: "power management", 0x02: "AGP", 0x03: "vital product data", 0x04: "slot identification",
		0x05: "message signalled interrupts", 0x06: "CompactPCI hot swap", 0x07: "PCI-X", 0x08: "HyperTransport",
		0x09: "vendor specific", 0x0a: "debug port", 0x0b: "CompactPCI resource control", 0x0c: "hot plug",
		0x0d: "bridge subsystem", 0x0e: "AGP 8x bridge", 0x0f: "secure device", 0x10: "PCI Express", 0x11: "MSI-X",
		0x12: "SATA", 0x13: "advanced features",
	}
}
