package command

import (
	"errors"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/reading"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

func (c *Console) calcPCI() *cli.Command {
	var slot []string
	rates := func(text string) error {
		slot = strings.Fields(strings.ReplaceAll(text, ",", " "))
		return nil
	}
	return &cli.Command{
		Name:      "pci",
		Usage:     "decode PCI configuration space: IDs, regions, capabilities, AGP and PCI Express link",
		ArgsUsage: "FILE",
		Description: "FILE is a dump as text, with one device or several, or the raw bytes of one;\n" +
			"- is the standard input. With --family the card in it is compared with a board\n" +
			"family.",
		Flags: []cli.Flag{shopFlag, jsonFlag,
			textFlag("local", "read this machine's own device at `ADDRESS`, as in 01:00.0; display lists all display devices"),
			usualFlag("root", "`DIR` that holds the system tree of --local", "/"),
			textFlag("family", "compare with the board family `ID`"), variantFlag,
			typedFlag("slot", "link `RATES` that the slot offers, with --family, as in \"1x 2x\"", rates),
		},
		Action: func(x *cli.Context) error {
			a, err := c.decodedDevices(x, slot)
			if err != nil {
				return err
			}
			return c.give(x, a, a.Detection == nil || a.Detection.Verdict == conformity.Pass, a.print)
		},
	}
}

// pciAnswer is what calc pci prints.
type pciAnswer struct {
	Devices   []bus.Device   `json:"devices"`
	Card      string         `json:"card,omitempty"` // address of the device that was compared
	Detection *bus.Detection `json:"detection,omitempty"`
}

// decodedDevices decodes the devices that are asked for, and compares the card
// among them with a family where one is named.
func (c *Console) decodedDevices(x *cli.Context, slot []string) (*pciAnswer, error) {
	devices, err := c.pciDevices(x)
	if err != nil {
		return nil, err
	}
	workflow.NameDevices(devices)
	a := &pciAnswer{Devices: devices}
	if x.String("family") == "" {
		if x.IsSet("slot") || x.IsSet("variant") {
			return nil, errors.New("--slot and --variant go with --family")
		}
		return a, nil
	}
	family, err := c.familyFor(x)
	if err != nil {
		return nil, err
	}
	return a, a.compare(family, slot)
}

func (c *Console) pciDevices(x *cli.Context) ([]bus.Device, error) {
	if x.IsSet("local") {
		if x.NArg() > 0 {
			return nil, errors.New("name a dump, or this machine's device with --local, not both")
		}
		return workflow.LocalDevices(c.path(x.String("root")), x.String("local"), c.Now())
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
	return workflow.Devices(shownName(name), data)
}

// shownName is what messages call a file.
func shownName(name string) string {
	if name == "-" {
		return "standard input"
	}
	return name
}

func (a *pciAnswer) compare(family *plans.Family, slot []string) error {
	card, ok := bus.FindDevice(a.Devices, family)
	if !ok {
		return errors.New("no device of the dump is a display controller or has the family's vendor ID")
	}
	detection := bus.Detect(card, family, slot)
	a.Card, a.Detection = card.Address, &detection
	return nil
}

func (a *pciAnswer) print(p *printer) {
	for i := range a.Devices {
		d := &a.Devices[i]
		if i > 0 {
			p.gap()
		}
		p.line(strings.TrimLeft(d.Address+"  "+d.Class, " "))
		for _, l := range d.Describe() {
			p.label(l.Label, l.Text)
		}
	}
	if a.Detection == nil {
		return
	}
	p.gap()
	p.verdict(a.Detection.Verdict)
	if len(a.Detection.Differences) == 0 {
		p.say(fact.New("bus.as-family"))
	}
	for _, d := range a.Detection.Differences {
		difference := fact.New("bus.difference", "field", d.Title(), "got", d.Got, "want", d.Want, "meaning", d.Meaning)
		p.lead(d.Verdict.String()+": ", difference)
	}
}
