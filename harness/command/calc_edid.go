package command

import (
	"errors"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/plans/fact"
	"proveout/scoring/bus"
)

func (c *Console) calcEDID() *cli.Command {
	return &cli.Command{
		Name:      "edid",
		Usage:     "decode what a monitor says of itself",
		ArgsUsage: "FILE",
		Description: "FILE is raw bytes or hexadecimal text; - is the standard input. With --mode the\n" +
			"answer also says whether the monitor can show it.",
		Flags:  []cli.Flag{jsonFlag, &cli.StringFlag{Name: "mode", Usage: "a display `MODE` such as 1024x768@75"}},
		Action: c.runEDID,
	}
}

// edidAnswer is what calc edid prints.
type edidAnswer struct {
	bus.EDID
	Shows  *bool     `json:"shows,omitempty"` // the mode asked for
	Reason fact.Fact `json:"reason,omitzero"`
}

func (c *Console) runEDID(x *cli.Context) error {
	if x.NArg() != 1 {
		return errors.New("name one file of display data, or - for the standard input")
	}
	name := x.Args().First()
	data, err := c.readInput(name, 1<<20)
	if err != nil {
		return err
	}
	e, err := bus.ParseEDID(data)
	if err != nil {
		fix := "give at least the first 128 bytes, raw or as hexadecimal text"
		return &logs.Problem{File: shownName(name), What: err.Error(), Fix: fix}
	}
	a := edidAnswer{EDID: e}
	if text := x.String("mode"); text != "" {
		if err := a.ask(text); err != nil {
			return err
		}
	}
	if x.Bool("json") {
		err = c.answer(a)
	} else {
		c.printEDID(&a)
	}
	if err == nil && (!e.OK || a.Shows != nil && !*a.Shows) {
		err = errNotPassed
	}
	return err
}

// ask answers whether the monitor shows a mode: one that it lists, or one of
// the standard modes or the formula that its range limits take in.
func (a *edidAnswer) ask(text string) error {
	wanted, err := modeOf(text)
	if err != nil {
		return err
	}
	fits := func(width, height int, hz float64) bool {
		return width == wanted.Width && height == wanted.Height &&
			(wanted.Rate == 0 || hz > wanted.Rate*0.985 && hz < wanted.Rate*1.015)
	}
	say := func(ok bool, reason fact.Fact) error {
		a.Shows, a.Reason = &ok, reason
		return nil
	}
	for _, m := range a.Modes {
		if fits(m.Width, m.Height, m.RefreshHz) {
			return say(true, fact.New("bus.mode-listed-as", "mode", m.Mode))
		}
	}
	for _, t := range bus.StandardModes() {
		if fits(t.Width, t.Height, t.RefreshHz()) {
			return say(a.EDID.Shows(t))
		}
	}
	if wanted.Rate == 0 {
		wanted.Rate = 60
	}
	t, err := bus.GTF(wanted)
	if err != nil {
		return fmt.Errorf("--mode: %w", err)
	}
	return say(a.EDID.Shows(t))
}

func (c *Console) printEDID(a *edidAnswer) {
	state := fact.New("bus.edid-in-order")
	if !a.OK {
		state = fact.New("bus.edid-not-in-order")
	}
	fmt.Fprintln(c.Out, c.words().Tell(state))
	l := c.labelled()
	checksum := fact.New("bus.checksum-right")
	if !a.ChecksumOK {
		checksum = fact.New("bus.checksum-wrong")
	}
	l.add(fact.New("bus.label-checksum"), checksum)
	l.add(fact.New("bus.label-version"), fact.New("bus.edid-blocks", "version", a.Version, "n", a.Extensions))
	l.add(fact.New("bus.label-maker"), fact.New("bus.edid-maker", "maker", a.Manufacturer,
		"product", fmt.Sprintf("0x%04x", a.ProductCode), "year", a.Year))
	if a.Name != "" {
		l.add(fact.New("bus.label-name"), fact.Name(a.Name))
	}
	l.add(fact.New("bus.label-input"), a.input())
	if a.WidthCM > 0 && a.HeightCM > 0 {
		l.add(fact.New("bus.label-picture"), fact.New("bus.centimetres", "width", a.WidthCM, "height", a.HeightCM))
	}
	if p := a.Preferred; p != nil {
		l.add(fact.New("bus.label-preferred"), modeLine(p))
	}
	if a.Range != nil {
		l.add(fact.New("bus.label-range"), rangeText(a.Range))
	}
	label := fact.New("bus.label-modes")
	for i := range a.Modes {
		l.add(label, modeLine(&a.Modes[i]))
		label = fact.Fact{}
	}
	for _, note := range a.Notes {
		l.add(fact.New("bus.label-note"), note)
	}
	if a.Shows != nil {
		l.add(fact.New("bus.label-asked"), fact.New("bus.because", "answer", yesNo(*a.Shows), "reason", a.Reason))
	}
}

// input is the kind of the monitor's input, and the sync that it takes.
func (a *edidAnswer) input() fact.Fact {
	switch {
	case a.Digital:
		return fact.New("bus.digital")
	case len(a.Sync) == 0:
		return fact.New("bus.analogue")
	}
	var kinds []fact.Fact
	for _, kind := range a.Sync {
		kinds = append(kinds, fact.New("bus.sync."+strings.ReplaceAll(kind, " ", "-")))
	}
	return fact.New("bus.analogue-sync", "sync", fact.ListOf(fact.Comma, kinds))
}

func rangeText(r *bus.MonitorRange) fact.List {
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

func modeLine(m *bus.EDIDMode) fact.Fact {
	parts := []fact.Arg{m.Mode}
	if m.LineHz > 0 {
		parts = append(parts, fact.In(m.LineHz/1e3, "kHz").To(0.001))
	}
	if m.ClockHz > 0 {
		parts = append(parts, fact.In(m.ClockHz/1e6, "MHz").To(0.001))
	}
	return fact.New("bus.mode-from", "mode", fact.ListOf(fact.Comma, parts), "source", m.Source)
}
