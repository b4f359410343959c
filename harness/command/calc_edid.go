package command

import (
	"errors"
	"fmt"

	"github.com/urfave/cli/v2"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/bus"
)

func (c *Console) calcEDID() *cli.Command {
	var mode plans.Mode
	return &cli.Command{
		Name:      "edid",
		Usage:     "decode what a monitor says of itself",
		ArgsUsage: "FILE",
		Description: "FILE is raw bytes or hexadecimal text; - is the standard input. With --mode the\n" +
			"answer also says whether the monitor can show it.",
		Flags: []cli.Flag{jsonFlag, displayMode("a display `MODE` such as 1024x768@75", &mode)},
		Action: func(x *cli.Context) error {
			if x.NArg() != 1 {
				return errors.New("name one file of display data, or - for the standard input")
			}
			a, err := c.monitor(x.Args().First(), mode)
			if err != nil {
				return err
			}
			return c.give(x, a, a.OK && (a.Shows == nil || *a.Shows), a.print)
		},
	}
}

// displayMode is a flag that takes a mode as far as it is known.
func displayMode(usage string, at *plans.Mode) *typed {
	return typedFlag("mode", usage, func(text string) (err error) {
		*at, err = plans.ParseMode(text)
		return err
	})
}

// edidAnswer is what calc edid prints.
type edidAnswer struct {
	bus.EDID
	Shows  *bool     `json:"shows,omitempty"` // the mode asked for
	Reason fact.Fact `json:"reason,omitzero"`
}

// monitor decodes display data and asks it for a mode, if one is named.
func (c *Console) monitor(name string, mode plans.Mode) (*edidAnswer, error) {
	data, err := c.readInput(name, 1<<20)
	if err != nil {
		return nil, err
	}
	a := &edidAnswer{}
	if a.EDID, err = bus.ParseEDID(data); err != nil {
		fix := "give at least the first 128 bytes, raw or as hexadecimal text"
		return nil, &plans.Problem{File: shownName(name), What: err.Error(), Fix: fix}
	}
	if mode.Width == 0 {
		return a, nil
	}
	shows, reason, err := a.ShowsMode(mode)
	if err != nil {
		return nil, fmt.Errorf("--mode: %w", err)
	}
	a.Shows, a.Reason = &shows, reason
	return a, nil
}

func (a *edidAnswer) print(p *printer) {
	state := fact.New("bus.edid-in-order")
	if !a.OK {
		state = fact.New("bus.edid-not-in-order")
	}
	p.whole(state)
	for _, l := range a.Describe() {
		p.label(l.Label, l.Text)
	}
	if a.Shows != nil {
		answer := fact.New("bus.no")
		if *a.Shows {
			answer = fact.New("bus.yes")
		}
		p.label(fact.New("bus.label-asked"), fact.New("bus.because", "answer", answer, "reason", a.Reason))
	}
}
