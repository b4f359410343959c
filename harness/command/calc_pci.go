package command

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"github.com/urfave/cli/v2"

	"proveout/harness/probe"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/scoring"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

func (c *Console) calcPCI() *cli.Command {
	return &cli.Command{
		Name:      "pci",
		Usage:     "decode PCI configuration space: IDs, regions, capabilities, AGP and PCI Express link",
		ArgsUsage: "FILE",
		Description: "FILE is a dump as text, with one device or several, or the raw bytes of one;\n" +
			"- is the standard input. With --family the card in it is compared with a board\n" +
			"family.",
		Flags: []cli.Flag{shopFlag, jsonFlag,
			&cli.StringFlag{Name: "local", Usage: "read this machine's own device at `ADDRESS`, as in 01:00.0; display lists all display devices"},
			&cli.StringFlag{Name: "root", Usage: "`DIR` that holds the system tree of --local", Value: "/"},
			&cli.StringFlag{Name: "family", Usage: "compare with the board family `ID`"}, variantFlag,
			&cli.StringFlag{Name: "slot", Usage: "link `RATES` that the slot offers, with --family, as in \"1x 2x\""},
		},
		Action: c.runPCI,
	}
}

// pciAnswer is what calc pci prints.
type pciAnswer struct {
	Devices   []bus.Device   `json:"devices"`
	Card      string         `json:"card,omitempty"` // address of the device that was compared
	Detection *bus.Detection `json:"detection,omitempty"`
}

func (c *Console) runPCI(x *cli.Context) error {
	devices, err := c.pciDevices(x)
	if err != nil {
		return err
	}
	if names := systemNames(); names != nil {
		for i := range devices {
			names.Fill(&devices[i])
		}
	}
	a := pciAnswer{Devices: devices}
	if id := x.String("family"); id != "" {
		family, err := c.familyFor(x, id)
		if err != nil {
			return err
		}
		if err := a.compare(family, strings.Fields(strings.ReplaceAll(x.String("slot"), ",", " "))); err != nil {
			return err
		}
	} else if x.IsSet("slot") || x.IsSet("variant") {
		return errors.New("--slot and --variant go with --family")
	}
	if x.Bool("json") {
		err = c.answer(a)
	} else {
		a.print(c.Out)
	}
	if err == nil && a.Detection != nil && a.Detection.Verdict != conformity.Pass {
		err = errNotPassed
	}
	return err
}

func (c *Console) pciDevices(x *cli.Context) ([]bus.Device, error) {
	if x.IsSet("local") {
		if err := noArguments(x); err != nil {
			return nil, err
		}
		return c.localDevices(x.String("local"), c.path(x.String("root")))
	}
	if x.NArg() != 1 {
		return nil, errors.New("name one dump of configuration space, or - for the standard input, or this machine's device with --local ADDRESS")
	}
	name := x.Args().First()
	data, err := c.readInput(name, reading.MostDump)
	if err != nil {
		return nil, err
	}
	return decodeDump(shownName(name), data)
}

// shownName is what messages call a file.
func shownName(name string) string {
	if name == "-" {
		return "standard input"
	}
	return name
}

// localDevices decodes the configuration space of this machine's own devices.
func (c *Console) localDevices(address, root string) ([]bus.Device, error) {
	m, err := probe.Look(root, c.Now())
	if err != nil {
		return nil, err
	}
	var out []bus.Device
	var known []string
	for _, d := range m.Devices {
		if address == "display" && !d.Display() || address != "display" && d.Address != address && d.Address != "0000:"+address {
			known = append(known, d.Address)
			continue
		}
		if len(d.Config) == 0 {
			return nil, fmt.Errorf("configuration space of %s cannot be read here: %s", d.Address, strings.Join(m.Notes, "; "))
		}
		device, err := bus.Decode(bus.ConfigSpace{Address: d.Address, Bytes: d.Config})
		if err != nil {
			return nil, fmt.Errorf("%s: %w", d.Address, err)
		}
		if device.DumpBytes < 256 {
			device.Notes = append(device.Notes, "only the header may be read without the rights of the system's administrator; capabilities are not in it")
		}
		out = append(out, device)
	}
	if len(out) > 0 {
		return out, nil
	}
	if address == "display" {
		return nil, fmt.Errorf("this machine has no display device among its %d devices", len(known))
	}
	if len(known) > 12 {
		known = append(known[:12], "…")
	}
	return nil, fmt.Errorf("this machine has no device at %s; it has: %s", address, strings.Join(known, ", "))
}

// systemNames reads the system's list of PCI names when the machine has one.
func systemNames() *bus.NameList {
	for _, dir := range []string{"/usr/share/misc", "/usr/share/hwdata", "/usr/share", "/var/lib/pciutils"} {
		f, err := os.Open(filepath.Join(dir, "pci.ids"))
		if err != nil {
			continue
		}
		names, err := bus.ParseNames(f)
		f.Close()
		if err == nil {
			return names
		}
	}
	return nil
}

// familyFor returns the family of --family and --variant.
func (c *Console) familyFor(x *cli.Context, id string) (*plans.Family, error) {
	shop, err := c.shopDir(x)
	if err != nil && (x.String("shop") != "" || c.Getenv("PROVEOUT_SHOP") != "") {
		return nil, err
	}
	_, family, err := findFamily(shop, id, x.String("variant"))
	return family, err
}

func (a *pciAnswer) compare(family *plans.Family, slot []string) error {
	var id plans.DeviceID
	if len(family.IDs) > 0 {
		id = family.IDs[0]
	}
	card, ok := bus.FindDevice(a.Devices, scoring.DeviceExpectation(family, id))
	if !ok {
		return errors.New("no device of the dump is a display controller or has the family's vendor ID")
	}
	detection := scoring.DetectDevice(card, family, slot)
	a.Card, a.Detection = card.Address, &detection
	return nil
}

func (a *pciAnswer) print(w io.Writer) {
	for i, d := range a.Devices {
		if i > 0 {
			fmt.Fprintln(w)
		}
		printDevice(w, &d)
	}
	if a.Detection == nil {
		return
	}
	fmt.Fprintf(w, "\n%s\n", strings.ToUpper(a.Detection.Verdict.String()))
	if len(a.Detection.Differences) == 0 {
		fold(w, "", "The card is as its family states.")
	}
	for _, x := range a.Detection.Differences {
		fold(w, "", fmt.Sprintf("%s: %s: %s, expected %s: %s", x.Verdict, strings.ReplaceAll(x.Field, "_", " "), x.Got, x.Want, x.Meaning))
	}
}

func printDevice(w io.Writer, d *bus.Device) {
	title := d.Class
	if d.Address != "" {
		title = d.Address + "  " + title
	}
	fmt.Fprintln(w, title)
	lines := &labelled{w: w}
	name := func(id, key string) string {
		if n := d.Names[key]; n != "" {
			return id + " (" + n + ")"
		}
		return id
	}
	lines.add("vendor", name(d.VendorID, "vendor"))
	lines.add("device", name(d.DeviceID, "device")+", revision "+d.Revision)
	if d.Subsystem != "" {
		lines.add("subsystem", name(d.Subsystem, "subsystem"))
	}
	lines.add("command", orNone(strings.Join(d.Command, ", ")))
	lines.add("status", orNone(strings.Join(d.Status, ", ")))
	for _, b := range d.BARs {
		kind := fmt.Sprintf("%s at 0x%08x, %d bit", b.Kind, b.Address, b.Width)
		if b.Prefetchable {
			kind += ", prefetchable"
		}
		if b.SizeBytes > 0 {
			kind += fmt.Sprintf(", %d KiB", b.SizeBytes>>10)
		}
		lines.add(fmt.Sprintf("region %d", b.Index), kind)
	}
	if r := d.ROM; r != nil {
		lines.add("expansion ROM", fmt.Sprintf("at 0x%08x, %s", r.Address, onOff(r.Enabled)))
	}
	var caps []string
	for _, k := range d.Capabilities {
		caps = append(caps, fmt.Sprintf("%s at 0x%02x", k.Name, k.Offset))
	}
	lines.add("capabilities", orNone(strings.Join(caps, ", ")))
	printLinks(lines, d)
	for _, n := range d.Notes {
		lines.add("note", n)
	}
}

func printLinks(lines *labelled, d *bus.Device) {
	if p := d.PowerManagement; p != nil {
		lines.add("power", fmt.Sprintf("version %d, now in %s", p.Version, p.State))
	}
	if a := d.AGP; a != nil {
		lines.add("AGP", fmt.Sprintf("version %s, rates %s, sideband %s, fast write %s, %d requests", a.Version, timesList(a.Rates), yesNo(a.Sideband), yesNo(a.FastWrite), a.RequestDepth))
		now := "not enabled"
		if a.Enabled && a.EnabledRate > 0 {
			now = fmt.Sprintf("enabled at %dx, sideband %s, fast write %s", a.EnabledRate, yesNo(a.EnabledSideband), yesNo(a.EnabledFastWrite))
		}
		lines.add("AGP link", now)
	}
	if e := d.Express; e != nil {
		lines.add("PCI Express", fmt.Sprintf("offers x%d at %g GT/s, runs x%d at %g GT/s", e.MaxWidth, e.MaxSpeedGT, e.Width, e.SpeedGT))
	}
}

// labelled prints lines of a label and a text, folded beside it.
type labelled struct{ w io.Writer }

const labelWidth = 16

func (l *labelled) add(label, text string) {
	var b strings.Builder
	fold(&b, strings.Repeat(" ", labelWidth), text)
	out := b.String()
	if len(out) > labelWidth {
		out = fmt.Sprintf("  %-*s", labelWidth-2, label) + out[labelWidth:]
	}
	io.WriteString(l.w, out)
}

func timesList(rates []int) string {
	var s []string
	for _, r := range rates {
		s = append(s, fmt.Sprintf("%dx", r))
	}
	return orNone(strings.Join(s, " "))
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

func yesNo(b bool) string {
	if b {
		return plans.Yes
	}
	return plans.No
}

func onOff(b bool) string {
	if b {
		return "enabled"
	}
	return "not enabled"
}

// table prints rows of cells in columns.
func table(w io.Writer, rows [][]string) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		fmt.Fprintln(t, strings.Join(r, "\t"))
	}
	t.Flush()
}
