package command

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/logs"
	"proveout/harness/probe"
	"proveout/harness/reading"
	"proveout/harness/session"
	"proveout/plans"
	"proveout/scoring/bus"
)

func (c *Console) probeCommand() *cli.Command {
	return &cli.Command{
		Name:  "probe",
		Usage: "look at this computer: devices, temperatures, monitors (Linux)",
		Description: "Reads the system tree and writes nothing to the hardware. Devices show their\n" +
			"IDs and, as far as their configuration space may be read, their link.",
		Flags: []cli.Flag{jsonFlag,
			&cli.StringFlag{Name: "root", Usage: "folder `DIR` that holds the system tree", Value: "/"},
			&cli.BoolFlag{Name: "all", Usage: "every device, not the display controllers alone"}},
		Action: c.probe,
	}
}

// probedDevice is a device with what its configuration space says.
type probedDevice struct {
	probe.Device
	Decoded *bus.Device `json:"decoded,omitempty"`
}

func (c *Console) probe(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
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
		devices = append(devices, probedDevice{d, decoded(d)})
	}
	if x.Bool("json") {
		monitors := []map[string]any{}
		for _, mon := range m.Monitors {
			one := map[string]any{"connector": mon.Connector, "status": mon.Status, "edid_bytes": mon.EDIDBytes}
			if e, err := bus.ParseEDID(mon.EDID); err == nil {
				one["edid"] = e
			}
			monitors = append(monitors, one)
		}
		return c.answer(map[string]any{"at": m.At, "devices": devices, "temperatures": m.Temperatures, "monitors": monitors, "notes": append([]string{}, m.Notes...)})
	}
	for _, d := range devices {
		fmt.Fprintf(c.Out, "%s  %s:%s  class %s\n", d.Address, d.Vendor, d.Device.Device, d.Class)
		if d.Subsystem != "" {
			fmt.Fprintf(c.Out, "    subsystem %s:%s, revision %s\n", d.SubsystemVendor, d.Subsystem, d.Revision)
		}
		if kind, rate := link(d.Device, d.Decoded); kind != "" {
			fold(c.Out, "    ", strings.TrimSpace(kind+" "+rate))
		}
	}
	if len(devices) == 0 {
		fmt.Fprintln(c.Out, "No display controller is there.")
	}
	if others > 0 {
		fmt.Fprintf(c.Out, "%d other devices; --all shows them.\n", others)
	}
	for _, t := range m.Temperatures {
		fmt.Fprintf(c.Out, "%-16s %6.1f °C  %s\n", t.Source, t.Celsius, t.Name)
	}
	for _, mon := range m.Monitors {
		fmt.Fprintf(c.Out, "%-16s %s, %d bytes of display data\n", mon.Connector, orWord(mon.Status, "unknown"), mon.EDIDBytes)
	}
	for _, n := range m.Notes {
		fold(c.Out, "", "Note: "+n)
	}
	return nil
}

func orWord(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

func decoded(d probe.Device) *bus.Device {
	one, ok := bus.Decode(bus.ConfigSpace{Address: d.Address, Bytes: d.Config})
	if !ok {
		return nil
	}
	return &one
}

// link says on which bus a device sits and the rate in use, in the words of a
// family file; empty where it does not tell.
func link(d probe.Device, dec *bus.Device) (kind, rate string) {
	switch {
	case dec != nil && dec.AGP != nil:
		if dec.AGP.Enabled && dec.AGP.EnabledRate > 0 {
			rate = fmt.Sprintf("%dx", dec.AGP.EnabledRate)
		}
		return "AGP", rate
	case dec != nil && dec.Express != nil:
		return "PCIe", fmt.Sprintf("x%d", dec.Express.Width)
	case d.LinkWidth != "":
		return "PCIe", "x" + d.LinkWidth
	case dec != nil && len(d.Config) >= 256:
		return "PCI", ""
	}
	return "", ""
}

// Offer reads what a detection step asks for from the computer the card sits in.
func (d *desk) Offer(step *plans.Step) ([]reading.Reading, string) {
	if d.here == "" || step.Kind.Files() != plans.BusDump {
		return nil, ""
	}
	m, err := probe.Look(d.here, d.now())
	if err != nil {
		return nil, ""
	}
	word := func(name, text string) reading.Reading {
		return reading.Reading{Name: name, Word: text, Text: text, Source: reading.Source{Kind: "probe"}}
	}
	found, ok := ownDevice(m.Devices, d.Family())
	if !ok {
		return nil, ""
	}
	out := []reading.Reading{word("detected", plans.Yes)}
	kind, rate := link(found, decoded(found))
	values := map[string]string{"bus": kind, "id": found.Vendor + ":" + found.Device, "rate": rate}
	if found.Subsystem != "" {
		values["subsystem"] = found.SubsystemVendor + ":" + found.Subsystem
	}
	fields := plans.Fields(step, d.Family())
	for _, name := range []string{"bus", "id", "subsystem", "rate"} {
		if _, asked := plans.FieldNamed(fields, name); asked && values[name] != "" {
			out = append(out, word(name, values[name]))
		}
	}
	return out, fmt.Sprintf("This computer has a display controller at %s. It reads:", found.Address)
}

// ownDevice finds the card among the devices: the one with the family's IDs,
// else the only display controller.
func ownDevice(devices []probe.Device, family *plans.Family) (probe.Device, bool) {
	var displays []probe.Device
	for _, one := range devices {
		for _, id := range family.IDs {
			if strings.EqualFold(one.Vendor, id.Vendor) && strings.EqualFold(one.Device, id.Device) {
				return one, true
			}
		}
		if one.Display() {
			displays = append(displays, one)
		}
	}
	if len(displays) == 1 {
		return displays[0], true
	}
	return probe.Device{}, false
}

func (d *desk) Sensors() []string {
	if d.here == "" {
		return nil
	}
	m, err := probe.Look(d.here, d.now())
	if err != nil {
		return nil
	}
	var out []string
	for _, t := range m.Temperatures {
		out = append(out, t.Source)
	}
	return out
}

func (d *desk) Sample(step, sensor string) (session.Follower, error) {
	st, _ := d.Plan().Step(step)
	return newSensorFollower(d, st, sensor)
}

// A sensorFollower logs a temperature of this computer, once a second.
type sensorFollower struct {
	d      *desk
	view   *liveView
	sensor string
	start  time.Time
	next   time.Time
	last   time.Time // a value came
	file   *os.File
}

func newSensorFollower(d *desk, step *plans.Step, sensor string) (*sensorFollower, error) {
	dir, err := os.MkdirTemp("", "proveout-sensor-")
	if err != nil {
		return nil, err
	}
	name := strings.NewReplacer("/", "-", " ", "-").Replace(sensor)
	file, err := os.Create(filepath.Join(dir, name+".csv"))
	if err != nil {
		return nil, err
	}
	if _, err := fmt.Fprintf(file, "time_s,temperature_C\n"); err != nil {
		return nil, err
	}
	now := d.now()
	view := newLiveView(step, d.Family(), d.now)
	view.Begin(func(quantity string) int { return slices.Index([]string{"time", "temperature"}, quantity) })
	f := &sensorFollower{d: d, view: view, sensor: sensor, start: now, next: now, last: now, file: file}
	if _, err := f.read(); err != nil {
		return nil, err
	}
	return f, nil
}

func (f *sensorFollower) read() (float64, error) {
	m, err := probe.Look(f.d.here, f.d.now())
	if err != nil {
		return 0, err
	}
	var names []string
	for _, t := range m.Temperatures {
		if t.Source == f.sensor {
			return t.Celsius, nil
		}
		names = append(names, t.Source)
	}
	return 0, fmt.Errorf("there is no sensor %q; there are: %s", f.sensor, strings.Join(names, ", "))
}

func (f *sensorFollower) Poll() (session.Live, error) {
	now := f.d.now()
	if !now.Before(f.next) {
		f.next = now.Add(time.Second)
		if v, err := f.read(); err == nil {
			at := now.Sub(f.start).Seconds()
			if _, err := fmt.Fprintf(f.file, "%.1f,%.3f\n", at, v); err != nil {
				return f.view.state(), fmt.Errorf("the readings of %s cannot be kept: %w", f.sensor, err)
			}
			f.view.Row(func(place int) float64 { return []float64{at, v}[place] })
			f.last = now
		}
	}
	live := f.view.live()
	live.Silent = now.Sub(f.last)
	live.Stalled = new(logs.Pace).Stalled(live.Silent)
	return live, nil
}

func (f *sensorFollower) Stop() (files, notes []string, err error) {
	err = f.file.Close()
	if f.view.state().Rows == 0 {
		return nil, nil, err
	}
	return []string{f.file.Name()}, []string{"temperature of " + f.sensor + " logged by this computer"}, err
}

// confirmedFile remembers, in the shop folder, which commands may run.
const confirmedFile = ".confirmed-commands"

// commandKey is the hash of a command as it stands, words apart by NUL.
func commandKey(words []string) string {
	sum := sha256.Sum256([]byte(strings.Join(words, "\x00")))
	return hex.EncodeToString(sum[:])
}

func (d *desk) Command(step *plans.Step) (words []string, confirmed bool) {
	words = plans.SpecOf[plans.Load](step).Command
	if d.here == "" || len(words) == 0 {
		return nil, false
	}
	data, _ := os.ReadFile(filepath.Join(d.k.shopDir, confirmedFile))
	key := commandKey(words)
	for _, l := range strings.Split(string(data), "\n") {
		if word, _, _ := strings.Cut(l, " "); word == key {
			return words, true
		}
	}
	return words, false
}

func (d *desk) Confirm(step *plans.Step) error {
	words, confirmed := d.Command(step)
	if confirmed {
		return nil
	}
	path := filepath.Join(d.k.shopDir, confirmedFile)
	data, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	line := fmt.Sprintf("%s %s %s by %s at %s\n", commandKey(words), d.Plan().ID, step.ID, d.by, d.now().Format(time.RFC3339))
	return job.WriteFile(path, append(data, line...), job.ReplaceExisting)
}
