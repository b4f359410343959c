package command

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
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
	Shows  *bool  `json:"shows,omitempty"` // the mode asked for
	Reason string `json:"reason,omitempty"`
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
		return &logs.Problem{File: shownName(name), What: err.Error(), Fix: "give at least the first 128 bytes, raw or as hexadecimal text"}
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
		a.print(c.Out)
	}
	if err == nil && (!e.OK || a.Shows != nil && !*a.Shows) {
		err = errNotPassed
	}
	return err
}

// ask answers whether the monitor shows a mode: one that it lists, or one of
// the standard modes or the formula that its range limits take in.
func (a *edidAnswer) ask(text string) error {
	width, height, rate, err := modeOf(text)
	if err != nil {
		return err
	}
	fits := func(w, h int, hz float64) bool {
		return w == width && h == height && (rate == 0 || hz > rate*0.985 && hz < rate*1.015)
	}
	say := func(ok bool, reason string) error {
		a.Shows, a.Reason = &ok, reason
		return nil
	}
	for _, m := range a.Modes {
		if fits(m.Width, m.Height, m.RefreshHz) {
			return say(true, "the monitor lists "+m.Mode)
		}
	}
	for _, t := range bus.StandardModes() {
		if fits(t.Width, t.Height, t.RefreshHz()) {
			return say(a.EDID.Shows(t))
		}
	}
	if rate == 0 {
		rate = 60
	}
	t, err := bus.GTF(width, height, rate)
	if err != nil {
		return fmt.Errorf("--mode: %w", err)
	}
	return say(a.EDID.Shows(t))
}

func (a *edidAnswer) print(w io.Writer) {
	state := "DISPLAY DATA IN ORDER"
	if !a.OK {
		state = "DISPLAY DATA NOT IN ORDER"
	}
	fmt.Fprintln(w, state)
	l := &labelled{w: w}
	l.add("checksum", map[bool]string{true: "right", false: "wrong: the data was changed or badly read"}[a.ChecksumOK])
	l.add("version", fmt.Sprintf("%s, %d extension blocks", a.Version, a.Extensions))
	l.add("made by", fmt.Sprintf("%s, product 0x%04x, %d", a.Manufacturer, a.ProductCode, a.Year))
	if a.Name != "" {
		l.add("name", a.Name)
	}
	input := "analogue"
	if a.Digital {
		input = "digital"
	}
	l.add("input", strings.TrimSpace(input+" "+strings.Join(a.Sync, ", ")))
	if a.WidthCM > 0 && a.HeightCM > 0 {
		l.add("picture", fmt.Sprintf("%d cm x %d cm", a.WidthCM, a.HeightCM))
	}
	if p := a.Preferred; p != nil {
		l.add("preferred", modeLine(p))
	}
	if r := a.Range; r != nil {
		text := fmt.Sprintf("%g to %g Hz, %g to %g kHz", r.MinRefreshHz, r.MaxRefreshHz, r.MinLineHz/1e3, r.MaxLineHz/1e3)
		if r.MaxClockHz > 0 {
			text += fmt.Sprintf(", pixel clock up to %g MHz", r.MaxClockHz/1e6)
		}
		l.add("range", text)
	}
	for i := range a.Modes {
		label := ""
		if i == 0 {
			label = "modes"
		}
		l.add(label, modeLine(&a.Modes[i]))
	}
	for _, n := range a.Notes {
		l.add("note", n)
	}
	if a.Shows != nil {
		l.add("asked", yesNo(*a.Shows)+": "+a.Reason)
	}
}

func modeLine(m *bus.EDIDMode) string {
	text := m.Mode
	if m.LineHz > 0 {
		text += fmt.Sprintf(", %.3f kHz", m.LineHz/1e3)
	}
	if m.ClockHz > 0 {
		text += fmt.Sprintf(", %.3f MHz", m.ClockHz/1e6)
	}
	return text + " (" + m.Source + ")"
}
