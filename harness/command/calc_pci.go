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
	"proveout/plans/fact"
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
			&cli.StringFlag{
				Name:  "local",
				Usage: "read this machine's own device at `ADDRESS`, as in 01:00.0; display lists all display devices",
			},
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
		c.printPCI(&a)
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
		return nil, errors.New("name one dump of configuration space, or - for the standard input, " +
			"or this machine's device with --local ADDRESS")
	}
	name := x.Args().First()
	data, err := c.readInput(name, reading.MostDump)
	if err != nil {
		return nil, err
	}
	return c.decodeDump(shownName(name), data)
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
		named := d.Address == address || d.Address == "0000:"+address
		if address == "display" && !d.Display() || address != "display" && !named {
			known = append(known, d.Address)
			continue
		}
		if len(d.Config) == 0 {
			return nil, fmt.Errorf("configuration space of %s cannot be read here: %s",
				d.Address, strings.Join(m.Notes, "; "))
		}
		device, ok := bus.Decode(bus.ConfigSpace{Address: d.Address, Bytes: d.Config})
		if !ok {
			return nil, fmt.Errorf("%s: %d bytes of configuration space, a header has 64", d.Address, len(d.Config))
		}
		if device.DumpBytes < 256 {
			device.Notes = append(device.Notes, fact.New("bus.header-without-rights"))
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

func (c *Console) printPCI(a *pciAnswer) {
	for i := range a.Devices {
		if i > 0 {
			fmt.Fprintln(c.Out)
		}
		c.printDevice(&a.Devices[i])
	}
	if a.Detection == nil {
		return
	}
	fmt.Fprintf(c.Out, "\n%s\n", strings.ToUpper(a.Detection.Verdict.String()))
	if len(a.Detection.Differences) == 0 {
		fold(c.Out, "", c.words().Tell(fact.New("bus.as-family")))
	}
	for _, x := range a.Detection.Differences {
		difference := fact.New("bus.difference", "field", x.Title(), "got", x.Got, "want", x.Want, "meaning", x.Meaning)
		fold(c.Out, "", fmt.Sprintf("%s: %s", x.Verdict, c.words().Tell(difference)))
	}
}

func (c *Console) printDevice(d *bus.Device) {
	title := d.Class
	if d.Address != "" {
		title = d.Address + "  " + title
	}
	fmt.Fprintln(c.Out, title)
	l := c.labelled()
	name := func(id, key string) string {
		if n := d.Names[key]; n != "" {
			return id + " (" + n + ")"
		}
		return id
	}
	l.add(fact.New("bus.label-vendor"), fact.Name(name(d.VendorID, "vendor")))
	l.add(fact.New("bus.label-device"),
		fact.New("bus.device-revision", "device", name(d.DeviceID, "device"), "revision", d.Revision))
	if d.Subsystem != "" {
		l.add(fact.New("bus.label-subsystem"), fact.Name(name(d.Subsystem, "subsystem")))
	}
	l.add(fact.New("bus.label-command"), orNone(fact.Names(fact.Comma, d.Command)))
	l.add(fact.New("bus.label-status"), orNone(fact.Names(fact.Comma, d.Status)))
	for _, b := range d.BARs {
		l.add(fact.New("bus.label-region", "region", b.Index), regionText(b))
	}
	if r := d.ROM; r != nil {
		address := fmt.Sprintf("0x%08x", r.Address)
		l.add(fact.New("bus.label-rom"), fact.New("bus.rom-at", "address", address, "state", enabled(r.Enabled)))
	}
	var caps []fact.Fact
	for _, k := range d.Capabilities {
		caps = append(caps, fact.New("bus.capability-at", "name", k.Name, "at", fmt.Sprintf("0x%02x", k.Offset)))
	}
	l.add(fact.New("bus.label-capabilities"), orNone(fact.ListOf(fact.Comma, caps)))
	printLinks(l, d)
	for _, note := range d.Notes {
		l.add(fact.New("bus.label-note"), note)
	}
}

func regionText(b bus.BAR) fact.List {
	parts := []fact.Fact{
		fact.New("bus.region-at", "kind", b.Kind, "address", fmt.Sprintf("0x%08x", b.Address)),
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

func printLinks(l *labelled, d *bus.Device) {
	if p := d.PowerManagement; p != nil {
		l.add(fact.New("bus.label-power"), fact.New("bus.power", "version", p.Version, "state", p.State))
	}
	if a := d.AGP; a != nil {
		l.add(fact.New("bus.label-agp"), fact.New("bus.agp-offers", "version", a.Version, "rates", rateNames(a.Rates),
			"sideband", yesNo(a.Sideband), "fast", yesNo(a.FastWrite), "n", a.RequestDepth))
		now := fact.New("bus.not-enabled")
		if a.Enabled && a.EnabledRate > 0 {
			now = fact.New("bus.agp-runs", "rate", fmt.Sprintf("%dx", a.EnabledRate),
				"sideband", yesNo(a.EnabledSideband), "fast", yesNo(a.EnabledFastWrite))
		}
		l.add(fact.New("bus.label-agp-link"), now)
	}
	if e := d.Express; e != nil {
		l.add(fact.New("bus.label-express"), fact.New("bus.express-runs",
			"most", fmt.Sprintf("x%d", e.MaxWidth), "top-speed", fact.In(e.MaxSpeedGT, "GT/s").Whole(),
			"width", fmt.Sprintf("x%d", e.Width), "speed", fact.In(e.SpeedGT, "GT/s").Whole()))
	}
}

// labelled prints lines of a label and a text, folded beside it.
type labelled struct{ c *Console }

const labelWidth = 16

func (c *Console) labelled() *labelled { return &labelled{c} }

func (l *labelled) add(label fact.Fact, text fact.Arg) {
	said := l.c.words().Tell(fact.New("bus.value", "value", text))
	var b strings.Builder
	fold(&b, strings.Repeat(" ", labelWidth), said)
	out := b.String()
	if len(out) > labelWidth {
		out = fmt.Sprintf("  %-*s", labelWidth-2, l.c.words().Tell(label)) + out[labelWidth:]
	}
	io.WriteString(l.c.Out, out)
}

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

// table prints rows of cells in columns.
func table(w io.Writer, rows [][]string) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		fmt.Fprintln(t, strings.Join(r, "\t"))
	}
	t.Flush()
}
