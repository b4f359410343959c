package command

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

func (c *Console) importCommand() *cli.Command {
	return &cli.Command{
		Name:      "import",
		Usage:     "take a log or a capture as evidence of a step",
		ArgsUsage: "JOB STEP FILE…",
		Flags: slices.Concat([]cli.Flag{shopFlag, jsonFlag, screenLanguageFlag, retestFlag, instrumentFlag, byFlag,
			textFlag("map", "log map `FILE` or its name in the shop's logmaps folder; "+
				"else the one that the plan names, or the header says"),
			textFlag("place", placeUsage),
			textFlag("again", "`WHY` a file is taken that was taken before, for this card or another one"),
			textFlag("pattern", "test picture `NAME` that a capture shows; else the capture tells"),
			textFlag("mode", "display `MODE` of a capture; else the capture tells"),
			usualFlag("route", "how a capture came in: `WAY` digital, analogue, photo or auto", "auto"),
		}, hintFlags, failureFlags),
		Action: c.onJob(c.importFiles),
	}
}

// failureFlags say of a list of failing addresses what its text does not.
var failureFlags = []cli.Flag{
	textFlag("pool", "which `MEMORY` of the card a list of failing addresses is about: frame or texture"),
	textFlag("base", "`ADDRESS` of the memory's first byte, taken off every address of the list, as in 0xE0000000; "+
		"of a capture, where its first pixel lies in the memory, as in \"2 MiB\""),
	textFlag("numbers", "`RADIX` of listed numbers that do not show it: hex or dec"),
	textFlag("address-unit", "`BYTES` that a listed address counts by, where it does not count bytes"),
	textFlag("width", "width of the listed values in `BITS`; else as their digits say"),
}

// failureOptions reads the flags of a list of failing addresses.
func failureOptions(x *cli.Context) (logs.FailureOptions, error) {
	o := logs.FailureOptions{Pool: x.String("pool")}
	if text := x.String("width"); text != "" {
		n, err := quantity.ParseWhole(strings.TrimSuffix(strings.TrimSpace(text), "bit"), 8, 64)
		if err != nil || n != 8 && n != 16 && n != 32 && n != 64 {
			return o, fmt.Errorf("--width: %s is no width of a value; it is 8, 16, 32 or 64", text)
		}
		o.Bits = int(n)
	}
	switch radix := x.String("numbers"); radix {
	case "":
	case "hex":
		o.Radix = 16
	case "dec":
		o.Radix = 10
	default:
		return o, fmt.Errorf("--numbers: %q is not hex or dec", radix)
	}
	if text := x.String("address-unit"); text != "" {
		n, err := quantity.ParseWhole(text, 1, 1<<20)
		if err != nil {
			return o, fmt.Errorf("--address-unit: %w", err)
		}
		o.Unit = int(n)
	}
	if text := x.String("base"); text != "" {
		base, ok := logs.ParseHex(text)
		if !ok {
			return o, fmt.Errorf("--base: %q is not a hexadecimal address; write it as in 0xE0000000", text)
		}
		o.Base = base
	}
	return o, nil
}

func (c *Console) importFiles(x *cli.Context, job *workflow.Job) error {
	step, err := job.Step(x.Args().Get(1))
	if err != nil {
		return err
	}
	if x.NArg() < 3 {
		return errors.New("name the log or capture to import")
	}
	in := workflow.Import{Place: x.String("place"), Instrument: x.String("instrument"), Retest: x.Bool("retest"),
		Again: strings.TrimSpace(x.String("again"))}
	if in.Map, err = c.namedMap(x, job.ShopDir()); err != nil {
		return err
	}
	if in.Hints, err = hintsOf(x); err != nil {
		return err
	}
	in.Capture = workflow.Shown{Pattern: x.String("pattern"), Mode: x.String("mode"), Route: x.String("route")}
	if step.Kind.Files() == plans.FailingList {
		in.Failures, err = failureOptions(x)
	} else {
		in.Capture.Base, err = baseAddress(x.String("base"))
	}
	if err != nil {
		return err
	}
	var files []string
	for _, name := range x.Args().Slice()[2:] {
		files = append(files, c.path(name))
	}
	done, err := job.Import(x.Context, step, in, files...)
	if twice := (*workflow.Twice)(nil); errors.As(err, &twice) {
		return fmt.Errorf("%w; if that is right, say why with --again WHY", err)
	}
	if err != nil {
		return err
	}
	answer := map[string]any{"job": job.Input.Job.Number, "step": step.ID, "imported": done}
	return c.give(x, answer, true, func(p *printer) {
		for _, d := range done {
			p.fact(0, fact.New("screen.imported", "what", d.Fact()))
			p.line("  SHA-256 " + d.SHA256)
			p.remarks(d.Notes)
		}
	})
}

var screenLanguageFlag = codeFlag("the language of the screen", "; else the shop's")

func (c *Console) scoreCommand() *cli.Command {
	return &cli.Command{
		Name:      "score",
		Usage:     "judge a job as it stands",
		ArgsUsage: "JOB",
		Flags:     []cli.Flag{shopFlag, jsonFlag, screenLanguageFlag},
		Action: c.onJob(func(x *cli.Context, job *workflow.Job) error {
			o := job.Outcome()
			return c.give(x, o, o.Accepted, func(p *printer) { p.outcome(o, true) })
		}),
	}
}
