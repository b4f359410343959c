package bus

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
)

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

// Detect compares a device with a family behind a slot that offers some rates;
// none when nobody knows.
func Detect(d Device, family *plans.Family, slotRates []string) Detection {
	c := comparison{found: []Difference{}}
	c.ids(d, family.IDs)
	slot := rateNumbers(slotRates)
	switch family.Bus.Kind {
	case "AGP":
		c.capability(d, agpID)
	case "PCIe":
		c.capability(d, expressID)
	}
	if len(family.Memory) > 0 { // a second memory is not in the window
		c.window(d, int64(family.Memory[0].Total.Value))
	}
	switch {
	case family.Bus.Kind == "AGP" && d.AGP != nil:
		c.agp(d.AGP, family.Bus, slot)
	case family.Bus.Kind == "PCIe" && d.Express != nil:
		c.express(d.Express, rateNumbers(family.Bus.Rates), slot)
	}
	out := Detection{Verdict: conformity.Pass, Differences: c.found}
	for _, x := range c.found {
		if out.Verdict != conformity.Fail {
			out.Verdict = x.Verdict
		}
	}
	return out
}

// rateNumbers takes the numbers out of "2x" and "x16".
func rateNumbers(rates []string) []int {
	var out []int
	for _, r := range rates {
		if n, err := strconv.Atoi(strings.Trim(r, "x")); err == nil {
			out = append(out, n)
		}
	}
	return out
}

// FindDevice returns the card of a family in a dump: the device with the
// family's IDs; otherwise a display controller, of the family's maker if there
// is one; otherwise any device of the maker, because a line at fault can damage
// class and device ID alike.
func FindDevice(list []Device, family *plans.Family) (Device, bool) {
	best, most := Device{}, 0
	for _, d := range list {
		score := 0
		if slices.ContainsFunc(family.IDs, func(id plans.DeviceID) bool { return sameID(d.ids.vendor, id.Vendor) }) {
			score = 1
		}
		if d.ids.class>>8 == 3 || d.ids.class == 1 { // display controllers, and those older than the class code
			score += 2
		}
		if slices.ContainsFunc(family.IDs, d.has) {
			score += 4
		}
		if score > most {
			best, most = d, score
		}
	}
	return best, most > 0
}

// has says whether a device has the vendor and the device of an ID.
func (d *Device) has(id plans.DeviceID) bool {
	return sameID(d.ids.vendor, id.Vendor) && sameID(d.ids.device, id.Device)
}

// sameID compares an identifier with one that a family states, in hexadecimal.
func sameID(got uint16, want string) bool { return strings.EqualFold(hex16(got), "0x"+want) }

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

// ids compares the identifiers with those of the family: with the one that the
// device has of several, else with the first.
func (c *comparison) ids(d Device, known []plans.DeviceID) {
	if d.ids.vendor == 0xffff {
		c.fail("device", fact.New("bus.answers"), value(fact.Name("0xffff")), fact.New("bus.nothing-answers"))
		return
	}
	if len(known) == 0 {
		return
	}
	want := known[max(0, slices.IndexFunc(known, d.has))]
	id := func(field, wanted string, got uint16, meaning fact.Fact) {
		number, err := strconv.ParseUint(wanted, 16, 16)
		if err != nil || sameID(got, wanted) { // not stated, or as stated
			return
		}
		if bits := differingBits(uint16(number), got); bits != nil {
			meaning = fact.New("bus.differing-bits", "meaning", meaning, "bits", fact.ListOf(fact.And, bits))
		}
		c.fail(field, value(fact.Name(hex16(uint16(number)))), value(fact.Name(hex16(got))), meaning)
	}
	id("vendor_id", want.Vendor, d.ids.vendor, fact.New("bus.another-maker"))
	id("device_id", want.Device, d.ids.device, fact.New("bus.another-chip"))
	id("subsystem_vendor", want.SubsystemVendor, d.ids.subVendor, fact.New("bus.another-board"))
	id("subsystem", want.Subsystem, d.ids.subDevice, fact.New("bus.another-board"))
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

// capability asks for the one that the family's bus needs.
func (c *comparison) capability(d Device, id byte) {
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

func bytesOf(n int64) fact.Amount {
	return fact.In(quantity.ReadsWell(float64(n), quantity.Bytes)).Whole()
}

// window compares the largest memory region with the memory that it must hold:
// the one that the frame buffer is seen through. A region that was never sized
// may be larger than it looks.
func (c *comparison) window(d Device, memoryBytes int64) {
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
// did not take part. A rate that the slot does not have, or that the device's
// mode cannot show, is not asked of the card: with AGP 3.0 signalling the
// status register has bits for 4x and 8x only (AGP Interface Specification 3.0,
// from memory).
func (c *comparison) agp(a *AGP, family plans.Bus, slot []int) {
	inSlot := func(rate int) bool { return len(slot) == 0 || slices.Contains(slot, rate) }
	for _, r := range rateNumbers(family.Rates) {
		shown := !a.AGP3 || r >= 4
		if inSlot(r) && shown && !slices.Contains(a.Rates, r) {
			c.fail("agp rates", times(r), rateList(a.Rates), fact.New("bus.rate-not-offered"))
		}
	}
	offered, notOffered := fact.New("bus.offered"), fact.New("bus.not-offered")
	if slices.Contains(family.Features, "sideband") && !a.Sideband {
		c.fail("agp sideband", offered, notOffered, fact.New("bus.look-sideband"))
	}
	if slices.Contains(family.Features, "fast-write") && !a.FastWrite {
		c.fail("agp fast write", offered, notOffered, fact.New("bus.look-straps"))
	}
	if !a.Enabled || a.EnabledRate == 0 {
		c.open("agp link", fact.New("bus.enabled"), fact.New("bus.not-enabled"), fact.New("bus.agp-not-set-up"))
		return
	}
	best := 0 // of the rates that both ends offer
	for _, r := range a.Rates {
		if inSlot(r) {
			best = max(best, r)
		}
	}
	switch {
	case best == 0:
		c.fail("agp link", rateList(slot), rateList(a.Rates), fact.New("bus.no-common-rate"))
	case a.EnabledRate > best:
		c.fail("agp link", times(best), times(a.EnabledRate), fact.New("bus.too-fast"))
	case a.EnabledRate < best && len(slot) > 0:
		c.fail("agp link", times(best), times(a.EnabledRate), fact.New("bus.trained-low"))
	case a.EnabledRate < best:
		c.open("agp link", times(best), times(a.EnabledRate), fact.New("bus.slot-unknown"))
	}
}

// express compares the width that the card offers, and then the link with what
// both ends offer.
func (c *comparison) express(x *Express, card, slot []int) {
	if len(card) > 0 && x.MaxWidth != slices.Max(card) {
		c.fail("express width offered", lanes(slices.Max(card)), lanes(x.MaxWidth), fact.New("bus.look-strap-or-chip"))
	}
	width, verdict := x.MaxWidth, conformity.Inconclusive
	if len(slot) > 0 {
		width, verdict = min(width, slices.Max(slot)), conformity.Fail
	}
	if x.Width < width {
		c.add(verdict, "express width", lanes(width), lanes(x.Width), fact.New("bus.fewer-lanes"))
	}
	if x.SpeedGT < x.MaxSpeedGT { // what the slot offers is not known
		c.open("express speed", speed(x.MaxSpeedGT), speed(x.SpeedGT), fact.New("bus.slower"))
	}
}
