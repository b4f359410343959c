package command

import (
	"cmp"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/probe"
	"proveout/harness/workflow"
	"proveout/scoring/bus"
)

var rootFlag = usualFlag("root", "folder `DIR` that holds the system tree", "/")

func (c *Console) probeCommand() *cli.Command {
	return &cli.Command{
		Name:  "probe",
		Usage: "look at this computer: devices, temperatures, monitors (Linux)",
		Description: "Reads the system tree and writes nothing to the hardware. Devices show their\n" +
			"IDs and, as far as their configuration space may be read, their link.",
		Flags: []cli.Flag{jsonFlag, rootFlag,
			boolFlag("all", "every device, not the display controllers alone")},
		Action: c.probe,
	}
}

// probedDevice is a device with what its configuration space says.
type probedDevice struct {
	probe.Device
	Decoded *bus.Device `json:"decoded,omitempty"`
}

func (c *Console) probe(x *cli.Context) error {
	m, err := probe.Look(c.path(x.String("root")), c.Now())
	if err != nil {
		return err
	}
	devices := []probedDevice{}
	others := 0
	for _, d := range m.Devices {
		if !d.Display() && !x.Bool("all") && !x.Bool("json") {
			others++
			continue
		}
		devices = append(devices, probedDevice{d, workflow.Decoded(d)})
	}
	monitors := []map[string]any{}
	for _, mon := range m.Monitors {
		one := map[string]any{"connector": mon.Connector, "status": mon.Status, "edid_bytes": mon.EDIDBytes}
		if e, err := bus.ParseEDID(mon.EDID); err == nil {
			one["edid"] = e
		}
		monitors = append(monitors, one)
	}
	answer := map[string]any{
		"at": m.At, "devices": devices, "temperatures": m.Temperatures,
		"monitors": monitors, "notes": append([]string{}, m.Notes...),
	}
	return c.give(x, answer, true, func(p *printer) { p.machine(m, devices, others) })
}

// machine prints what a computer has; others are devices that are not shown.
func (p *printer) machine(m *probe.Machine, devices []probedDevice, others int) {
	for _, d := range devices {
		fmt.Fprintf(p, "%s  %s:%s  class %s\n", d.Address, d.Vendor, d.Device.Device, d.Class)
		if d.Subsystem != "" {
			fmt.Fprintf(p, "    subsystem %s:%s, revision %s\n", d.SubsystemVendor, d.Subsystem, d.Revision)
		}
		if kind, rate := workflow.Link(d.Device); kind != "" {
			p.text(4, strings.TrimSpace(kind+" "+rate))
		}
	}
	if len(devices) == 0 {
		p.line("No display controller is there.")
	}
	if others > 0 {
		p.textf(0, "%d other devices; --all shows them.", others)
	}
	for _, t := range m.Temperatures {
		fmt.Fprintf(p, "%-16s %6.1f °C  %s\n", t.Source, t.Celsius, t.Name)
	}
	for _, mon := range m.Monitors {
		status := cmp.Or(mon.Status, "unknown")
		fmt.Fprintf(p, "%-16s %s, %d bytes of display data\n", mon.Connector, status, mon.EDIDBytes)
	}
	for _, n := range m.Notes {
		p.text(0, "Note: "+n)
	}
}
