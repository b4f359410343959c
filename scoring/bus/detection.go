package bus

import (
	"fmt"
	"slices"
	"strings"

	"proveout/scoring/conformity"
)

// A DeviceExpectation is what a family says of the card in configuration
// space. Nil and zero values are not compared.
type DeviceExpectation struct {
	VendorID, DeviceID             *uint16
	SubsystemVendorID, SubsystemID *uint16
	Revisions                      []byte  // any of these
	ClassCode                      *uint16 // base class and subclass, 0x0300
	CapabilityIDs                  []int   // that must be in the chain
	MemoryBytes                    int64   // the window must hold it
	AGP                            *AGPExpectation
	Express                        *ExpressExpectation
}

// An AGPExpectation is what the family offers and what the slot offers.
type AGPExpectation struct {
	Rates        []int // the card must offer: 1, 2, 4, 8
	SlotRates    []int // the bench's slot offers; nil when not known
	Sideband     bool  // the card must offer it
	FastWrite    bool  // the card must offer it
	RequestDepth int   // least number of requests; 0: any
}

// An ExpressExpectation is what the family's link and the slot offer.
type ExpressExpectation struct {
	Width     int     // lanes of the card; 0: as the device says
	SpeedGT   float64 // GT/s of the card; 0: as the device says
	SlotWidth int     // lanes of the slot; 0: not known
	SlotGT    float64 // GT/s of the slot; 0: not known
}

// A Difference is one point in which a device is not what its family expects.
type Difference struct {
	Field   string             `json:"field"`
	Want    string             `json:"want"`
	Got     string             `json:"got"`
	Verdict conformity.Verdict `json:"verdict"` // fail, or inconclusive when the dump cannot settle it
	Meaning string             `json:"meaning"` // what it points to
}

// A Detection is a device compared with its family.
type Detection struct {
	Verdict     conformity.Verdict `json:"verdict"`
	Differences []Difference       `json:"differences"`
}

// Detect compares a device with what its family expects.
func Detect(d Device, e DeviceExpectation) Detection {
	var c comparison
	c.ids(d, e)
	c.capabilities(d, e)
	c.window(d, e)
	if e.AGP != nil {
		c.agp(d, *e.AGP)
	}
	if e.Express != nil {
		c.express(d, *e.Express)
	}
	out := Detection{Verdict: conformity.Pass, Differences: c.found}
	if out.Differences == nil {
		out.Differences = []Difference{}
	}
	for _, x := range c.found {
		if x.Verdict == conformity.Fail {
			out.Verdict = conformity.Fail
		} else if out.Verdict == conformity.Pass {
			out.Verdict = x.Verdict
		}
	}
	return out
}

// FindDevice returns the device of a dump that fits an expectation best: by
// vendor and device, otherwise the first display controller.
func FindDevice(list []Device, e DeviceExpectation) (Device, bool) {
	best, score := -1, 0
	for i, d := range list {
		s := 0
		if e.VendorID != nil && d.ids.vendor == *e.VendorID {
			s += 4
			if e.DeviceID != nil && d.ids.device == *e.DeviceID {
				s += 4
			}
		}
		if d.IsDisplay() {
			s += 2
		}
		if s > score {
			best, score = i, s
		}
	}
	if best < 0 {
		return Device{}, false
	}
	return list[best], true
}

// IsDisplay reports whether the class code is one of a display device.
func (d Device) IsDisplay() bool { return d.ids.class>>8 == 3 || d.ids.class == 1 }

type comparison struct{ found []Difference }

func (c *comparison) add(v conformity.Verdict, field, want, got, meaning string) {
	c.found = append(c.found, Difference{Field: field, Want: want, Got: got, Verdict: v, Meaning: meaning})
}

func (c *comparison) ids(d Device, e DeviceExpectation) {
	if d.ids.vendor == 0xffff {
		c.add(conformity.Fail, "device", "a card that answers", "0xffff", "nothing answers: contacts, slot power, clock, reset, or a dead chip")
		return
	}
	id := func(field string, want *uint16, got uint16, meaning string) {
		if want != nil && *want != got {
			bits := ""
			if n := differingBits(*want, got); n != "" {
				bits = "; they differ in " + n + ": a bus line at fault looks like that"
			}
			c.add(conformity.Fail, field, hex16(*want), hex16(got), meaning+bits)
		}
	}
	id("vendor_id", e.VendorID, d.ids.vendor, "another maker's chip, or the wrong device of the dump")
	id("device_id", e.DeviceID, d.ids.device, "another chip or variant than the family's")
	id("subsystem_vendor", e.SubsystemVendorID, d.ids.subVendor, "another board's firmware, or the expansion ROM was not read at reset")
	id("subsystem", e.SubsystemID, d.ids.subDevice, "another board's firmware, or the expansion ROM was not read at reset")
	if len(e.Revisions) > 0 && !slices.Contains(e.Revisions, d.ids.revision) {
		var want []string
		for _, r := range e.Revisions {
			want = append(want, fmt.Sprintf("0x%02x", r))
		}
		c.add(conformity.Inconclusive, "revision", strings.Join(want, " or "), d.Revision, "a stepping that the family does not list")
	}
	if e.ClassCode != nil && *e.ClassCode != d.ids.class {
		c.add(conformity.Fail, "class", className(byte(*e.ClassCode>>8), byte(*e.ClassCode)), d.Class, "a strap or the firmware sets another class")
	}
}

// differingBits names the data bits in which two identifiers differ, when
// there are one or two.
func differingBits(a, b uint16) string {
	var out []string
	for i := range 16 {
		if (a^b)>>uint(i)&1 == 1 {
			out = append(out, fmt.Sprintf("bit %d", i))
		}
	}
	if len(out) > 2 || b == 0xffff || b == 0 {
		return ""
	}
	return strings.Join(out, " and ")
}

func (c *comparison) capabilities(d Device, e DeviceExpectation) {
	short := d.DumpBytes < 256
	need := slices.Clone(e.CapabilityIDs)
	if e.AGP != nil {
		need = append(need, 0x02)
	}
	if e.Express != nil {
		need = append(need, 0x10)
	}
	slices.Sort(need)
	for _, id := range slices.Compact(need) {
		if slices.ContainsFunc(d.Capabilities, func(x Capability) bool { return x.ID == id }) {
			continue
		}
		name := capabilityName(byte(id))
		if short {
			c.add(conformity.Inconclusive, "capability", name, "not in the dump", "the dump holds the header only: dump 256 bytes, with the rights that needs")
			continue
		}
		c.add(conformity.Fail, "capability", name, "missing", "the chain lacks it: wrong strap or firmware, or the card runs as a plain PCI card")
	}
}

func (c *comparison) window(d Device, e DeviceExpectation) {
	if e.MemoryBytes <= 0 {
		return
	}
	largest, unsized, any := int64(0), false, false
	for _, b := range d.BARs {
		if b.Kind != "memory" {
			continue
		}
		any = true
		largest = max(largest, b.SizeBytes)
		unsized = unsized || b.SizeBytes == 0
	}
	want := fmt.Sprintf("a memory window of at least %d bytes", e.MemoryBytes)
	switch {
	case !any:
		c.add(conformity.Fail, "memory window", want, "none", "no memory region is set up: firmware or driver did not map the card")
	case largest >= e.MemoryBytes:
	case unsized:
		c.add(conformity.Inconclusive, "memory window", want, "size not known", "give the sizing readback of the base address registers")
	default:
		c.add(conformity.Fail, "memory window", want, fmt.Sprintf("%d bytes", largest), "the window is smaller than the memory: size straps, or less memory found at reset")
	}
}

func (c *comparison) agp(d Device, e AGPExpectation) {
	a := d.AGP
	if a == nil {
		return // the missing capability is named already
	}
	for _, r := range e.Rates {
		if !slices.Contains(a.Rates, r) {
			c.add(conformity.Fail, "agp rates", fmt.Sprintf("%dx", r), rateList(a.Rates), "a rate is not offered: straps, signalling voltage, or another chip")
		}
	}
	if e.Sideband && !a.Sideband {
		c.add(conformity.Fail, "agp sideband", "offered", "not offered", "straps or firmware; sideband lines")
	}
	if e.FastWrite && !a.FastWrite {
		c.add(conformity.Fail, "agp fast write", "offered", "not offered", "straps or firmware")
	}
	if e.RequestDepth > a.RequestDepth {
		c.add(conformity.Fail, "agp request depth", fmt.Sprint(e.RequestDepth), fmt.Sprint(a.RequestDepth), "a logged depth may be the register's value, which is one less")
	}
	if !a.Enabled || a.EnabledRate == 0 {
		c.add(conformity.Inconclusive, "agp link", "enabled", "not enabled", "no driver has set up AGP yet, or it runs as PCI: dump again with the driver loaded")
		return
	}
	both := slices.DeleteFunc(slices.Clone(a.Rates), func(r int) bool { return len(e.SlotRates) > 0 && !slices.Contains(e.SlotRates, r) })
	if len(both) == 0 {
		c.add(conformity.Fail, "agp link", rateList(e.SlotRates), rateList(a.Rates), "card and slot have no rate in common")
		return
	}
	best := slices.Max(both)
	switch {
	case a.EnabledRate > best:
		c.add(conformity.Fail, "agp link", fmt.Sprintf("%dx", best), fmt.Sprintf("%dx", a.EnabledRate), "the link runs faster than both ends offer")
	case a.EnabledRate < best && len(e.SlotRates) > 0:
		c.add(conformity.Fail, "agp link", fmt.Sprintf("%dx", best), fmt.Sprintf("%dx", a.EnabledRate), "trained below what both ends offer: contacts, strobe lines, VREF and termination, or a setting of the bench")
	case a.EnabledRate < best:
		c.add(conformity.Inconclusive, "agp link", fmt.Sprintf("%dx", best), fmt.Sprintf("%dx", a.EnabledRate), "below what the card offers: state what the bench's slot offers to decide")
	}
}

func rateList(rates []int) string {
	if len(rates) == 0 {
		return "none"
	}
	var s []string
	for _, r := range rates {
		s = append(s, fmt.Sprintf("%dx", r))
	}
	return strings.Join(s, ", ")
}

func (c *comparison) express(d Device, e ExpressExpectation) {
	x := d.Express
	if x == nil {
		return
	}
	if e.Width > 0 && x.MaxWidth != e.Width {
		c.add(conformity.Fail, "express width offered", fmt.Sprintf("x%d", e.Width), fmt.Sprintf("x%d", x.MaxWidth), "straps, or another chip")
	}
	if e.SpeedGT > 0 && x.MaxSpeedGT != e.SpeedGT {
		c.add(conformity.Fail, "express speed offered", fmt.Sprintf("%g GT/s", e.SpeedGT), fmt.Sprintf("%g GT/s", x.MaxSpeedGT), "straps, firmware, or another chip")
	}
	width, speed := x.MaxWidth, x.MaxSpeedGT
	if e.SlotWidth > 0 {
		width = min(width, e.SlotWidth)
	}
	if e.SlotGT > 0 {
		speed = min(speed, e.SlotGT)
	}
	verdict := func(known bool) conformity.Verdict {
		if known {
			return conformity.Fail
		}
		return conformity.Inconclusive
	}
	if x.Width < width {
		c.add(verdict(e.SlotWidth > 0), "express width", fmt.Sprintf("x%d", width), fmt.Sprintf("x%d", x.Width),
			"fewer lanes trained than both ends offer: contacts of the upper lanes, coupling capacitors, a lane's trace")
	}
	if x.SpeedGT < speed {
		c.add(verdict(e.SlotGT > 0), "express speed", fmt.Sprintf("%g GT/s", speed), fmt.Sprintf("%g GT/s", x.SpeedGT),
			"slower than both ends offer: links slow down when idle, so read it under load; then signal quality")
	}
}
