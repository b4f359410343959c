package bus

import (
	"fmt"
	"slices"
	"strings"

	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
)

// A DeviceExpectation is what a family says of the card in configuration
// space. Nil and zero values are not compared.
type DeviceExpectation struct {
	VendorID, DeviceID             *uint16
	SubsystemVendorID, SubsystemID *uint16
	MemoryBytes                    int64 // the window must hold it
	AGP                            *AGPExpectation
	Express                        *ExpressExpectation
}

// An AGPExpectation is what the family offers and what the slot offers.
type AGPExpectation struct {
	Rates     []int // the card must offer: 1, 2, 4, 8
	SlotRates []int // the bench's slot offers; nil when not known
	Sideband  bool  // the card must offer it
	FastWrite bool  // the card must offer it
}

// An ExpressExpectation is what the family's link and the slot offer.
type ExpressExpectation struct {
	Width     int // lanes of the card; 0: as the device says
	SlotWidth int // lanes of the slot; 0: not known
}

// A Difference is one point in which a device is not what its family expects.
type Difference struct {
	Field   string             `json:"field"`
	Want    fact.Fact          `json:"want"`
	Got     fact.Fact          `json:"got"`
	Verdict conformity.Verdict `json:"verdict"` // fail, or inconclusive when the dump cannot settle it
	Meaning fact.Fact          `json:"meaning"` // what it points to
}

// Title is the field in words.
func (x Difference) Title() fact.Fact {
	return fact.New("bus.field." + strings.NewReplacer("_", "-", " ", "-").Replace(x.Field))
}

// A Detection is a device compared with its family.
type Detection struct {
	Verdict     conformity.Verdict `json:"verdict"`
	Differences []Difference       `json:"differences"`
}

// Detect compares a device with what its family expects.
func Detect(d Device, e DeviceExpectation) Detection {
	c := comparison{found: []Difference{}}
	c.ids(d, e)
	c.capabilities(d, e)
	c.window(d, e.MemoryBytes)
	if d.AGP != nil && e.AGP != nil {
		c.agp(d.AGP, e.AGP)
	}
	if d.Express != nil && e.Express != nil {
		c.express(d.Express, e.Express)
	}
	out := Detection{Verdict: conformity.Pass, Differences: c.found}
	for _, x := range c.found {
		if out.Verdict != conformity.Fail {
			out.Verdict = x.Verdict
		}
	}
	return out
}

// FindDevice returns the device of a dump that fits an expectation best: by
// vendor and device, otherwise the first display controller.
func FindDevice(list []Device, e DeviceExpectation) (Device, bool) {
	best, most := Device{}, 0
	for _, d := range list {
		score := 0
		if e.VendorID != nil && d.ids.vendor == *e.VendorID {
			score += 4
			if e.DeviceID != nil && d.ids.device == *e.DeviceID {
				score += 4
			}
		}
		if d.ids.class>>8 == 3 || d.ids.class == 1 { // display controllers, and those older than the class code
			score += 2
		}
		if score > most {
			best, most = d, score
		}
	}
	return best, most > 0
}

type comparison struct{ found []Difference }

func (c *comparison) add(v conformity.Verdict, field string, want, got, meaning fact.Fact) {
	c.found = append(c.found, Difference{Field: field, Want: want, Got: got, Verdict: v, Meaning: meaning})
}

func (c *comparison) fail(field string, want, got, meaning fact.Fact) {
	c.add(conformity.Fail, field, want, got, meaning)
}

func (c *comparison) open(field string, want, got, meaning fact.Fact) {
	c.add(conformity.Inconclusive, field, want, got, meaning)
}

// value is what reads the same in every language.
func value(v fact.Arg) fact.Fact { return fact.New("bus.value", "value", v) }

// times is an AGP rate, lanes and speed are those of a PCI Express link.
func times(rate int) fact.Fact   { return value(fact.Name(fmt.Sprintf("%dx", rate))) }
func lanes(n int) fact.Fact      { return value(fact.Name(fmt.Sprintf("x%d", n))) }
func speed(gt float64) fact.Fact { return value(fact.In(gt, "GT/s").Whole()) }

func (c *comparison) ids(d Device, e DeviceExpectation) {
	if d.ids.vendor == 0xffff {
		c.fail("device", fact.New("bus.answers"), value(fact.Name("0xffff")), fact.New("bus.nothing-answers"))
		return
	}
	id := func(field string, want *uint16, got uint16, meaning fact.Fact) {
		if want == nil || *want == got {
			return
		}
		if bits := differingBits(*want, got); bits != nil {
			meaning = fact.New("bus.differing-bits", "meaning", meaning, "bits", fact.ListOf(fact.And, bits))
		}
		c.fail(field, value(fact.Name(hex16(*want))), value(fact.Name(hex16(got))), meaning)
	}
	id("vendor_id", e.VendorID, d.ids.vendor, fact.New("bus.another-maker"))
	id("device_id", e.DeviceID, d.ids.device, fact.New("bus.another-chip"))
	id("subsystem_vendor", e.SubsystemVendorID, d.ids.subVendor, fact.New("bus.another-board"))
	id("subsystem", e.SubsystemID, d.ids.subDevice, fact.New("bus.another-board"))
}

// differingBits names the data bits in which two identifiers differ, when
// there are one or two.
func differingBits(a, b uint16) []fact.Fact {
	var out []fact.Fact
	for i := range 16 {
		if (a^b)>>uint(i)&1 == 1 {
			out = append(out, fact.New("bus.bit", "bit", i))
		}
	}
	if len(out) > 2 || b == 0xffff || b == 0 {
		return nil
	}
	return out
}

// capabilities asks for those that the family's bus needs.
func (c *comparison) capabilities(d Device, e DeviceExpectation) {
	need := func(id byte) {
		if slices.ContainsFunc(d.Capabilities, func(x Capability) bool { return x.ID == int(id) }) {
			return
		}
		name := value(fact.Name(capabilityName(id)))
		if d.DumpBytes < 256 {
			c.open("capability", name, fact.New("bus.not-in-dump"), fact.New("bus.header-only"))
			return
		}
		c.fail("capability", name, fact.New("bus.missing"), fact.New("bus.chain-lacks-it"))
	}
	if e.AGP != nil {
		need(agpID)
	}
	if e.Express != nil {
		need(expressID)
	}
}

func bytesOf(n int64) fact.Amount {
	return fact.In(quantity.ReadsWell(float64(n), quantity.Bytes)).Whole()
}

// window compares the largest memory region with the memory that it must hold:
// the one that the frame buffer is seen through. A region that was never sized
// may be larger than it looks.
func (c *comparison) window(d Device, memoryBytes int64) {
	if memoryBytes <= 0 {
		return
	}
	largest, unsized, any := int64(0), false, false
	for _, b := range d.BARs {
		if b.Kind == "memory" {
			any = true
			largest = max(largest, b.SizeBytes)
			unsized = unsized || b.SizeBytes == 0
		}
	}
	want := fact.New("bus.window-of", "size", bytesOf(memoryBytes))
	switch {
	case !any:
		c.fail("memory window", want, fact.New("bus.none"), fact.New("bus.not-mapped"))
	case largest >= memoryBytes:
	case unsized:
		c.open("memory window", want, fact.New("bus.size-unknown"), fact.New("bus.give-sizing"))
	default:
		c.fail("memory window", want, value(bytesOf(largest)), fact.New("bus.window-small"))
	}
}

func rateList(rates []int) fact.Fact {
	if len(rates) == 0 {
		return fact.New("bus.none")
	}
	var list []fact.Fact
	for _, r := range rates {
		list = append(list, times(r))
	}
	return fact.New("bus.rates", "rates", fact.ListOf(fact.Comma, list))
}

// agp compares what the card offers, and then the link with the fastest rate
// that both ends offer: a link that trains lower has a line or a contact that
// did not take part.
func (c *comparison) agp(a *AGP, e *AGPExpectation) {
	for _, r := range e.Rates {
		if !slices.Contains(a.Rates, r) {
			c.fail("agp rates", times(r), rateList(a.Rates), fact.New("bus.rate-not-offered"))
		}
	}
	offered, notOffered := fact.New("bus.offered"), fact.New("bus.not-offered")
	if e.Sideband && !a.Sideband {
		c.fail("agp sideband", offered, notOffered, fact.New("bus.look-sideband"))
	}
	if e.FastWrite && !a.FastWrite {
		c.fail("agp fast write", offered, notOffered, fact.New("bus.look-straps"))
	}
	if !a.Enabled || a.EnabledRate == 0 {
		c.open("agp link", fact.New("bus.enabled"), fact.New("bus.not-enabled"), fact.New("bus.agp-not-set-up"))
		return
	}
	best := 0 // of the rates that both ends offer
	for _, r := range a.Rates {
		if len(e.SlotRates) == 0 || slices.Contains(e.SlotRates, r) {
			best = max(best, r)
		}
	}
	switch {
	case best == 0:
		c.fail("agp link", rateList(e.SlotRates), rateList(a.Rates), fact.New("bus.no-common-rate"))
	case a.EnabledRate > best:
		c.fail("agp link", times(best), times(a.EnabledRate), fact.New("bus.too-fast"))
	case a.EnabledRate < best && len(e.SlotRates) > 0:
		c.fail("agp link", times(best), times(a.EnabledRate), fact.New("bus.trained-low"))
	case a.EnabledRate < best:
		c.open("agp link", times(best), times(a.EnabledRate), fact.New("bus.slot-unknown"))
	}
}

func (c *comparison) express(x *Express, e *ExpressExpectation) {
	if e.Width > 0 && x.MaxWidth != e.Width {
		c.fail("express width offered", lanes(e.Width), lanes(x.MaxWidth), fact.New("bus.look-strap-or-chip"))
	}
	width, verdict := x.MaxWidth, conformity.Inconclusive
	if e.SlotWidth > 0 {
		width, verdict = min(width, e.SlotWidth), conformity.Fail
	}
	if x.Width < width {
		c.add(verdict, "express width", lanes(width), lanes(x.Width), fact.New("bus.fewer-lanes"))
	}
	if x.SpeedGT < x.MaxSpeedGT { // what the slot offers is not known
		c.open("express speed", speed(x.MaxSpeedGT), speed(x.SpeedGT), fact.New("bus.slower"))
	}
}
