package scoring

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

// A dumpedDevice is a dump and the device found in it, in the step's detail.
type dumpedDevice struct {
	File      string        `json:"file"`
	SHA256    string        `json:"sha256"`
	Device    bus.Device    `json:"device"`
	Detection bus.Detection `json:"detection"`
}

// dumped decodes the last dump of configuration space of the attempt and finds
// the card in it. It returns nil when there is no dump or no device in it; what
// is wrong is then an undecided check.
func (j *judge) dumped() *dumpedDevice {
	if len(j.attempt.Dumps) == 0 {
		return nil
	}
	d := &j.attempt.Dumps[len(j.attempt.Dumps)-1]
	undecided := func(reason string) *dumpedDevice {
		j.check(Check{Name: "dump", Title: english("Configuration space"), Verdict: conformity.Inconclusive, Evidence: []string{d.SHA256},
			Reason: english(fmt.Sprintf("%s: %s", d.Name, endSentence(reason)))})
		return nil
	}
	data, err := reading.ReadAll(j.in.Files, *d, reading.MostDump)
	if err != nil {
		return undecided("it cannot be read again: " + err.Error())
	}
	spaces, problems := bus.ParseConfig(data)
	if len(spaces) == 0 {
		var wrong []string
		for _, p := range problems {
			wrong = append(wrong, said(p.Fact()))
		}
		return undecided(strings.Join(wrong, "; "))
	}
	var devices []bus.Device
	for _, s := range spaces {
		if device, ok := bus.Decode(s); ok {
			devices = append(devices, device)
		}
	}
	out := &dumpedDevice{File: d.Name, SHA256: d.SHA256}
	var found bool
	for _, id := range j.in.Family.IDs {
		if out.Device, found = bus.FindDevice(devices, DeviceExpectation(j.in.Family, id)); found && isDevice(out.Device, id) {
			break
		}
	}
	if !found {
		if out.Device, found = bus.FindDevice(devices, bus.DeviceExpectation{}); !found {
			return undecided("no display controller is in it")
		}
	}
	for _, note := range out.Device.Notes {
		j.doubt("%s: %s", d.Name, said(note))
	}
	return out
}

func isDevice(d bus.Device, id plans.DeviceID) bool {
	return strings.EqualFold(d.VendorID, "0x"+id.Vendor) && strings.EqualFold(d.DeviceID, "0x"+id.Device)
}

// DeviceExpectation returns what a family says of configuration space, for one
// of its IDs. What the slot offers is not in it.
func DeviceExpectation(family *plans.Family, id plans.DeviceID) bus.DeviceExpectation {
	hex := func(text string) *uint16 {
		n, err := strconv.ParseUint(text, 16, 16)
		if err != nil {
			return nil
		}
		v := uint16(n)
		return &v
	}
	e := bus.DeviceExpectation{VendorID: hex(id.Vendor), DeviceID: hex(id.Device), SubsystemVendorID: hex(id.SubsystemVendor), SubsystemID: hex(id.Subsystem)}
	if len(family.Memory) > 0 { // a second memory is not in the window
		e.MemoryBytes = int64(family.Memory[0].Total.Value)
	}
	switch family.Bus.Kind {
	case "AGP":
		e.AGP = &bus.AGPExpectation{Rates: rateNumbers(family.Bus.Rates), Sideband: slices.Contains(family.Bus.Features, "sideband"), FastWrite: slices.Contains(family.Bus.Features, "fast-write")}
	case "PCIe":
		e.Express = &bus.ExpressExpectation{}
		if lanes := rateNumbers(family.Bus.Rates); len(lanes) > 0 {
			e.Express.Width = slices.Max(lanes)
		}
	}
	return e
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

// DetectDevice compares a device with a family behind a slot that offers some
// rates; none when nobody knows. A rate that the slot does not have, or that
// the device's mode cannot show, is not asked of the card: with AGP 3.0
// signalling the status register has bits for 4x and 8x only (AGP Interface
// Specification 3.0, from memory).
func DetectDevice(d bus.Device, family *plans.Family, slotRates []string) bus.Detection {
	var id plans.DeviceID
	if len(family.IDs) > 0 {
		id = family.IDs[0]
	}
	for _, known := range family.IDs {
		if isDevice(d, known) {
			id = known
		}
	}
	e := DeviceExpectation(family, id)
	slot := rateNumbers(slotRates)
	if e.AGP != nil {
		e.AGP.SlotRates = slot
		e.AGP.Rates = slices.DeleteFunc(e.AGP.Rates, func(r int) bool {
			return len(slot) > 0 && !slices.Contains(slot, r) || d.AGP != nil && d.AGP.AGP3 && r < 4
		})
	}
	if e.Express != nil && len(slot) > 0 {
		e.Express.SlotWidth = slices.Max(slot)
	}
	return bus.Detect(d, e)
}

// fromDump fills in the words that nobody typed with what the dump says.
func (j *judge) fromDump(d *dumpedDevice) {
	a := *j.attempt
	a.Readings = slices.Clone(a.Readings)
	add := func(name, word string) {
		if _, typed := j.attempt.Latest(name); !typed && word != "" {
			a.Readings = append(a.Readings, reading.Reading{Name: name, Word: word, Text: word, Source: reading.Source{Kind: "file", Evidence: d.SHA256}})
		}
	}
	add("detected", plans.Yes)
	add("bus", dumpedBus(d.Device))
	add("id", dumpedID(d.Device))
	add("rate", dumpedRate(d.Device))
	j.attempt = &a
}

func dumpedID(d bus.Device) string {
	return strings.TrimPrefix(d.VendorID, "0x") + ":" + strings.TrimPrefix(d.DeviceID, "0x")
}

func dumpedBus(d bus.Device) string {
	switch {
	case d.AGP != nil:
		return "AGP"
	case d.Express != nil:
		return "PCIe"
	case d.DumpBytes >= 256:
		return "PCI"
	}
	return "" // the header alone does not say
}

// dumpedRate is the rate that the link runs at, "" when the dump does not say.
func dumpedRate(d bus.Device) string {
	switch {
	case d.AGP != nil && d.AGP.Enabled && d.AGP.EnabledRate > 0:
		return fmt.Sprintf("%dx", d.AGP.EnabledRate)
	case d.Express != nil && d.Express.Width > 0:
		return fmt.Sprintf("x%d", d.Express.Width)
	}
	return ""
}

// contradictions returns the words that were typed and that the dump denies.
// One of the two is of another card, or a slip: nobody can tell which.
func (j *judge) contradictions(d *dumpedDevice) map[string]string {
	out := map[string]string{}
	for _, x := range []struct{ name, dump string }{
		{"detected", plans.Yes}, {"bus", dumpedBus(d.Device)}, {"id", dumpedID(d.Device)}, {"rate", dumpedRate(d.Device)},
		{"subsystem", strings.ReplaceAll(d.Device.Subsystem, "0x", "")}} {
		r, typed := j.attempt.Latest(x.name)
		if typed && x.dump != "" && !sameWords(strings.ReplaceAll(wordOf(r), "0x", ""), x.dump) {
			out[x.name] = x.dump
		}
	}
	return out
}

// dumpChecks judges the dump against the family.
func (j *judge) dumpChecks(d *dumpedDevice, denied map[string]string) {
	var slotRates []string
	if bench, ok := j.in.Shop.Bench(j.in.Job.Bench); ok {
		slotRates = bench.Slot.Rates
	}
	d.Detection = DetectDevice(d.Device, j.in.Family, slotRates)
	j.out.Detail = map[string]any{"configuration_space": d}
	seen := map[string]int{}
	for _, x := range d.Detection.Differences {
		field, got, want, meaning := said(x.Title()), said(x.Got), said(x.Want), said(x.Meaning)
		c := Check{
			Name:     "dump." + strings.ReplaceAll(strings.ReplaceAll(x.Field, "_", "-"), " ", "-"),
			Title:    english(upperFirst(field) + " in the dump"),
			Text:     english(got),
			Limits:   &Limits{Text: english(want)},
			Verdict:  x.Verdict,
			Evidence: []string{d.SHA256},
		}
		if seen[c.Name]++; seen[c.Name] > 1 {
			c.Name += fmt.Sprintf("-%d", seen[c.Name])
		}
		c.Reason = english(fmt.Sprintf("%s: %s, expected %s: %s", said(c.Title), got, want, endSentence(meaning)))
		switch {
		case x.Verdict == conformity.Fail && denied[typedField(x.Field)] != "":
			c.Verdict = conformity.Inconclusive
			c.Reason = english(said(c.Reason) + " What was typed says otherwise.")
		case x.Verdict == conformity.Fail:
			j.cause(0.5, fmt.Sprintf("%s: %s, not %s", field, got, want), upperFirst(endSentence(meaning)))
		case x.Field == "memory window", x.Field == "capability", x.Field == "agp link" && j.typedRate():
			c.Informative, c.Verdict = true, conformity.NotApplicable // the dump cannot settle it, and nothing contradicts
		}
		j.check(c)
	}
	if len(d.Detection.Differences) == 0 {
		j.check(Check{Name: "dump", Title: english("Configuration space"), Text: english(dumpedID(d.Device)), Verdict: conformity.Pass, Evidence: []string{d.SHA256},
			Limits: &Limits{Text: english("as the family states")}, Reason: english(fmt.Sprintf("Configuration space of %s in %s: IDs, capabilities, link and memory window are those of the family.", dumpedID(d.Device), d.File))})
	}
}

func (j *judge) typedRate() bool {
	_, ok := j.attempt.Latest("rate")
	return ok
}

// typedField names the typed word that a field of the dump belongs to.
func typedField(field string) string {
	switch field {
	case "vendor_id", "device_id", "device":
		return "id"
	case "subsystem", "subsystem_vendor":
		return "subsystem"
	case "agp link", "express width":
		return "rate"
	case "capability":
		return "bus"
	}
	return ""
}

// deny leaves undecided what was typed and what the dump contradicts.
func (j *judge) deny(denied map[string]string) {
	for i := range j.out.Checks {
		c := &j.out.Checks[i]
		dump, ok := denied[c.Name]
		if !ok {
			continue
		}
		c.Verdict = conformity.Inconclusive
		c.Reason = english(fmt.Sprintf("%s: %s was typed, but the dump says %s: one of them is of another card or a slip.", said(c.Title), said(c.Text), dump))
		c.Settle = english("Dump the configuration space again on this bench and compare; correct what was typed, or import the right dump with --retest.")
		j.out.Causes = slices.DeleteFunc(j.out.Causes, func(x Cause) bool { return strings.Contains(said(x.Text), said(c.Text)) })
	}
}
