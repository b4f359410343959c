package bus

import (
	"fmt"
	"strings"

	"proveout/plans/fact"
)

// A Line is one line of a description: a label, and what stands beside it.
type Line struct {
	Label fact.Fact
	Text  fact.Arg
}

// Describe says what a device says of itself, line by line.
func (d *Device) Describe() []Line {
	lines := []Line{
		{fact.New("bus.label-vendor"), d.named("vendor", d.VendorID)},
		{fact.New("bus.label-device"),
			fact.New("bus.device-revision", "device", d.named("device", d.DeviceID), "revision", d.Revision)},
	}
	if d.Subsystem != "" {
		lines = append(lines, Line{fact.New("bus.label-subsystem"), d.named("subsystem", d.Subsystem)})
	}
	lines = append(lines,
		Line{fact.New("bus.label-command"), orNone(fact.Names(fact.Comma, d.Command))},
		Line{fact.New("bus.label-status"), orNone(fact.Names(fact.Comma, d.Status))})
	for _, b := range d.BARs {
		lines = append(lines, Line{fact.New("bus.label-region", "region", b.Index), b.describe()})
	}
	if r := d.ROM; r != nil {
		at := fact.New("bus.rom-at", "address", hex32(r.Address), "state", enabled(r.Enabled))
		lines = append(lines, Line{fact.New("bus.label-rom"), at})
	}
	var capabilities []fact.Fact
	for _, k := range d.Capabilities {
		at := fact.New("bus.capability-at", "name", k.Name, "at", fmt.Sprintf("0x%02x", k.Offset))
		capabilities = append(capabilities, at)
	}
	lines = append(lines, Line{fact.New("bus.label-capabilities"), orNone(fact.ListOf(fact.Comma, capabilities))})
	lines = append(lines, d.describeLinks()...)
	for _, note := range d.Notes {
		lines = append(lines, Line{fact.New("bus.label-note"), note})
	}
	return lines
}

// named is an ID with the name that is known for it.
func (d *Device) named(key, id string) fact.Name {
	if name := d.Names[key]; name != "" {
		id += " (" + name + ")"
	}
	return fact.Name(id)
}

func (b BAR) describe() fact.List {
	parts := []fact.Fact{
		fact.New("bus.region-at", "kind", b.Kind, "address", hex32(b.Address)),
		fact.New("bus.bits", "bits", b.Width),
	}
	if b.Prefetchable {
		parts = append(parts, fact.New("bus.prefetchable"))
	}
	if b.SizeBytes > 0 {
		parts = append(parts, fact.New("bus.value", "value", fact.In(float64(b.SizeBytes>>10), "KiB").Whole()))
	}
	return fact.ListOf(fact.Comma, parts)
}

func (d *Device) describeLinks() (lines []Line) {
	if p := d.PowerManagement; p != nil {
		power := fact.New("bus.power", "version", p.Version, "state", p.State)
		lines = append(lines, Line{fact.New("bus.label-power"), power})
	}
	if a := d.AGP; a != nil {
		offers := fact.New("bus.agp-offers", "version", a.Version, "rates", rateNames(a.Rates),
			"sideband", yesNo(a.Sideband), "fast", yesNo(a.FastWrite), "n", a.RequestDepth)
		now := fact.New("bus.not-enabled")
		if a.Enabled && a.EnabledRate > 0 {
			now = fact.New("bus.agp-runs", "rate", fmt.Sprintf("%dx", a.EnabledRate),
				"sideband", yesNo(a.EnabledSideband), "fast", yesNo(a.EnabledFastWrite))
		}
		lines = append(lines, Line{fact.New("bus.label-agp"), offers}, Line{fact.New("bus.label-agp-link"), now})
	}
	if e := d.Express; e != nil {
		runs := fact.New("bus.express-runs",
			"most", fmt.Sprintf("x%d", e.MaxWidth), "top-speed", fact.In(e.MaxSpeedGT, "GT/s").Whole(),
			"width", fmt.Sprintf("x%d", e.Width), "speed", fact.In(e.SpeedGT, "GT/s").Whole())
		lines = append(lines, Line{fact.New("bus.label-express"), runs})
	}
	return lines
}

// Describe says what a monitor says of itself, line by line.
func (e *EDID) Describe() []Line {
	checksum := fact.New("bus.checksum-right")
	if !e.ChecksumOK {
		checksum = fact.New("bus.checksum-wrong")
	}
	lines := []Line{
		{fact.New("bus.label-checksum"), checksum},
		{fact.New("bus.label-version"), fact.New("bus.edid-blocks", "version", e.Version, "n", e.Extensions)},
		{fact.New("bus.label-maker"), fact.New("bus.edid-maker", "maker", e.Manufacturer,
			"product", fmt.Sprintf("0x%04x", e.ProductCode), "year", e.Year)},
	}
	if e.Name != "" {
		lines = append(lines, Line{fact.New("bus.label-name"), fact.Name(e.Name)})
	}
	lines = append(lines, Line{fact.New("bus.label-input"), e.describeInput()})
	if e.WidthCM > 0 && e.HeightCM > 0 {
		size := fact.New("bus.centimetres", "width", e.WidthCM, "height", e.HeightCM)
		lines = append(lines, Line{fact.New("bus.label-picture"), size})
	}
	if e.Preferred != nil {
		lines = append(lines, Line{fact.New("bus.label-preferred"), e.Preferred.describe()})
	}
	if e.Range != nil {
		lines = append(lines, Line{fact.New("bus.label-range"), e.Range.describe()})
	}
	label := fact.New("bus.label-modes")
	for _, m := range e.Modes {
		lines = append(lines, Line{label, m.describe()})
		label = fact.Fact{} // beside the first alone
	}
	for _, note := range e.Notes {
		lines = append(lines, Line{fact.New("bus.label-note"), note})
	}
	return lines
}

// describeInput is the kind of the monitor's input, and the sync that it takes.
func (e *EDID) describeInput() fact.Fact {
	switch {
	case e.Digital:
		return fact.New("bus.digital")
	case len(e.Sync) == 0:
		return fact.New("bus.analogue")
	}
	var kinds []fact.Fact
	for _, kind := range e.Sync {
		kinds = append(kinds, fact.New("bus.sync."+strings.ReplaceAll(kind, " ", "-")))
	}
	return fact.New("bus.analogue-sync", "sync", fact.ListOf(fact.Comma, kinds))
}

func (m EDIDMode) describe() fact.Fact {
	line := fact.In(m.Timing.LineHz()/1e3, "kHz").To(0.001)
	clock := fact.In(m.Timing.PixelClockHz/1e6, "MHz").To(0.001)
	return fact.New("bus.mode-from", "mode", fact.ListOf(fact.Comma, []fact.Arg{m.Mode, line, clock}), "source", m.Source)
}

func (r *MonitorRange) describe() fact.List {
	span := func(low, high float64, unit string) fact.Fact {
		return fact.New("bus.span", "low", fact.In(low, "").Whole(), "high", fact.In(high, unit).Whole())
	}
	parts := []fact.Fact{
		span(r.MinRefreshHz, r.MaxRefreshHz, "Hz"),
		span(r.MinLineHz/1e3, r.MaxLineHz/1e3, "kHz"),
	}
	if r.MaxClockHz > 0 {
		parts = append(parts, fact.New("bus.clock-up-to", "clock", fact.In(r.MaxClockHz/1e6, "MHz").Whole()))
	}
	return fact.ListOf(fact.Comma, parts)
}

func hex32(address uint64) string { return fmt.Sprintf("0x%08x", address) }

func rateNames(rates []int) fact.Arg {
	var names []string
	for _, r := range rates {
		names = append(names, fmt.Sprintf("%dx", r))
	}
	if len(names) == 0 {
		return fact.New("bus.none")
	}
	return fact.Name(strings.Join(names, " "))
}

func orNone(list fact.List) fact.Arg {
	if len(list.Items) == 0 {
		return fact.New("bus.none")
	}
	return list
}

func yesNo(b bool) fact.Fact {
	if b {
		return fact.New("bus.yes")
	}
	return fact.New("bus.no")
}

func enabled(b bool) fact.Fact {
	if b {
		return fact.New("bus.enabled")
	}
	return fact.New("bus.not-enabled")
}
