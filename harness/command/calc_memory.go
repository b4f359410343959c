package command

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring"
	"proveout/scoring/conformity"
	"proveout/scoring/memory"
)

// An organised says how a memory is put together: by a family, or by hand.
type organised struct {
	words        int64
	width        int
	bus          quantity.Quantity
	chips, banks int
}

func (o *organised) flags() []cli.Flag {
	chip := func(text string) (err error) {
		if o.words, o.width, err = plans.ParseChip(text); err != nil {
			return fmt.Errorf("%w; write it as in 1Mix16", err)
		}
		return nil
	}
	return []cli.Flag{
		textFlag("family", "board family `ID`"), variantFlag,
		whole("chips", "`N` chips in all, without a family", 1, to(&o.chips)),
		typedFlag("chip", "`WORDSxBITS` of one chip, as in 1Mix16", chip),
		amount("bus", quantity.Bits, "bit", "`BITS` of the memory bus", to(&o.bus)),
		whole("banks", "`N` banks; else as chips and bus say", 1, to(&o.banks)),
	}
}

func (c *Console) calcMemorySize() *cli.Command {
	o, step := &organised{}, -1.0
	return &cli.Command{
		Name:      "memory-size",
		Usage:     "what explains the memory size that a card shows",
		ArgsUsage: "SIZE",
		Description: "SIZE is what was shown, as in \"19 MiB\". The organisation is that of a board\n" +
			"family, or typed with --chips, --chip and --bus.",
		Flags: append([]cli.Flag{shopFlag, jsonFlag,
			textFlag("pool", "one `MEMORY` of the family, frame or texture; else all together"),
			amount("step", quantity.Bytes, "", "`SIZE` in whose steps the program counts; else the last digit says",
				value(to(&step))),
		}, o.flags()...),
		Action: func(x *cli.Context) error {
			if x.NArg() != 1 {
				return errors.New("give the size that was shown, as in: " +
					"proveout calc memory-size --family gannet --variant 10 \"5 MiB\"")
			}
			size, err := parseAmount(x.Args().First(), quantity.Bytes, "MiB")
			if err != nil {
				return fmt.Errorf("SIZE: %w", err)
			}
			if !x.IsSet("step") {
				step = size.Resolution
			}
			pools, err := c.organisations(x, o)
			if err != nil {
				return err
			}
			if size.Value < 0 || step < 0 {
				return errors.New("a size is not below 0")
			}
			r := scoring.ExplainSize(pools, int64(size.Value), int64(step))
			return c.give(x, r, r.Verdict == conformity.Pass, func(p *printer) { printSize(p, &r) })
		},
	}
}

// organisations returns the memories that the flags name: those of a family,
// the one of --pool, or the one typed.
func (c *Console) organisations(x *cli.Context, o *organised) ([]memory.Organisation, error) {
	if x.String("family") == "" {
		if x.IsSet("pool") || x.IsSet("variant") {
			return nil, errors.New("--pool and --variant go with --family")
		}
		if o.width == 0 || !x.IsSet("bus") {
			return nil, errors.New("give the organisation: --family ID, or --chips 10 --chip 1Mix16 --bus 160")
		}
		org, err := memory.OfChips(o.words, o.width, int(o.bus.Value), o.chips, o.banks)
		return []memory.Organisation{org}, err
	}
	if x.IsSet("chip") || x.IsSet("chips") || x.IsSet("bus") || x.IsSet("banks") {
		return nil, errors.New("give the organisation one way: --family, or --chips, --chip and --bus")
	}
	family, err := c.familyFor(x)
	if err != nil {
		return nil, err
	}
	return workflow.Memories(family, x.String("pool"))
}

func printSize(p *printer, r *scoring.SizeReport) {
	p.verdict(r.Verdict)
	p.say(fact.New("memory.shown", "shown", memory.Bytes(r.ReportedBytes), "whole", memory.Bytes(r.ExpectedBytes)))
	for _, e := range r.Explanations {
		p.gap()
		share := fact.In(100*e.Confidence, "%").To(1)
		p.say(fact.New("memory.cause", "kind", e.Kind.Fact(), "share", share, "text", e.Text))
		if len(e.Chips) > 0 {
			p.text(2, p.Tell(fact.New("memory.look-at", "chips", fact.Names(fact.Comma, e.Chips))))
		}
		p.text(2, p.Tell(fact.New("memory.to-tell", "check", e.NextCheck)))
	}
}

func (c *Console) calcMemoryFaults() *cli.Command {
	o, a := &organised{}, &faultsAnswer{}
	march := func(text string) error {
		test, ok := memory.LookupMarch(text)
		if !ok {
			names := plans.NamesOf(memory.MarchTests(), func(m memory.MarchTest) string { return m.Name })
			return fmt.Errorf("%q is no march test that is known here; known: %s", text, strings.Join(names, ", "))
		}
		a.March = test.Statement()
		return nil
	}
	return &cli.Command{
		Name:      "memory-faults",
		Usage:     "which chip and line explain a list of failing addresses",
		ArgsUsage: "FILE",
		Description: "FILE lists address, value written and value read, in hexadecimal; a header\n" +
			"names the columns, and time, temperature and pattern are used when they are\n" +
			"there. - is the standard input. With --map the lines of every chip are counted.",
		Flags: slices.Concat([]cli.Flag{shopFlag, jsonFlag,
			boolFlag("map", "show where chips, lines and addresses sit"),
			typedFlag("march", "say what the march test `NAME` can and cannot detect", march),
		}, failureFlags, o.flags()),
		Action: func(x *cli.Context) error {
			if x.NArg() != 1 {
				return errors.New("name one list of failing addresses, or - for the standard input")
			}
			name := x.Args().First()
			org, err := c.diagnose(x, o, name, a)
			if err != nil {
				return err
			}
			if x.Bool("map") {
				a.Map = org.Chips()
			}
			sound := a.Rows == 0 && a.Outside == 0 && a.Bad == 0
			return c.give(x, a, sound, func(p *printer) { a.print(p, shownName(name), org) })
		},
	}
}

// faultsAnswer is what calc memory-faults prints.
type faultsAnswer struct {
	memory.FaultReport
	Bad     int64              `json:"bad_rows"`
	BadRows []badRow           `json:"bad,omitempty"`
	Bits    int                `json:"value_bits"`
	March   fact.Fact          `json:"march,omitzero"`
	Map     []memory.ChipPlace `json:"map,omitempty"`
}

// A badRow is a row that was set aside, and where it stands.
type badRow struct {
	Line int    `json:"line"`
	What string `json:"what"`
}

// diagnose reads a list and explains it by the memory that it is of.
func (c *Console) diagnose(
	x *cli.Context, o *organised, name string, a *faultsAnswer,
) (org memory.Organisation, err error) {
	options, err := failureOptions(x)
	if err != nil {
		return org, err
	}
	if x.String("family") != "" {
		family, err := c.familyFor(x)
		if err != nil {
			return org, err
		}
		if org, err = workflow.Memory(family, options.Pool); err != nil {
			return org, err
		}
	} else {
		pools, err := c.organisations(x, o)
		if err != nil {
			return org, err
		}
		org = pools[0]
	}
	f := memory.NewFailures(org)
	sum, err := c.readFailures(x.Context, name, options, f)
	if err != nil {
		return org, err
	}
	a.FaultReport, a.Bad, a.Bits = f.Report(), sum.Bad, sum.Bits
	if sum.Torn != nil {
		a.Bad, sum.BadRows = a.Bad+1, append(sum.BadRows, *sum.Torn)
	}
	for _, b := range sum.BadRows {
		a.BadRows = append(a.BadRows, badRow{b.Line, b.What})
	}
	return org, nil
}

// readFailures streams a list into f.
func (c *Console) readFailures(
	ctx context.Context, name string, o logs.FailureOptions, f *memory.Failures,
) (logs.FailureSummary, error) {
	file, err := c.open(name)
	if err != nil {
		return logs.FailureSummary{}, err
	}
	defer file.Close()
	sum, err := logs.ReadFailures(shownName(name), file, o, func(row reading.Failure) error {
		f.Add((*memory.Failure)(&row))
		return ctx.Err()
	})
	if err == nil {
		err = sum.Doubt(shownName(name))
	}
	return sum, err
}

func (a *faultsAnswer) print(p *printer, file string, org memory.Organisation) {
	switch {
	case a.Rows > 0:
		p.line("FAILING")
	case a.Outside > 0 || a.Bad > 0:
		p.line("UNDECIDED")
	default:
		p.line("NO FAILURE LISTED")
	}
	p.say(fact.New("memory.rows-of", "file", file, "n", a.Rows, "bits", a.Bits))
	if a.Agreeing > 0 {
		p.say(fact.New("memory.rows-agree", "n", a.Agreeing))
	}
	if a.Outside > 0 {
		p.say(fact.New("memory.rows-outside", "n", a.Outside, "whole", memory.Bytes(org.Bytes())))
	}
	if a.Bad > 0 {
		p.say(fact.New("memory.rows-unread", "n", a.Bad))
		for _, b := range a.BadRows {
			p.textf(2, "%s:%d: %s", file, b.Line, b.What)
		}
	}
	for _, f := range a.Findings {
		p.gap()
		p.textf(0, "%s (%.0f %%)", upperSentence(p.Tell(f.Fact())), 100*f.Confidence)
		p.text(2, upperSentence(p.Tell(f.Advice)))
		for _, e := range f.Evidence {
			p.text(2, "· "+p.Tell(e))
		}
	}
	if !a.March.IsZero() {
		p.gap()
		p.say(a.March)
	}
	if len(a.Map) > 0 {
		p.gap()
		p.table(chipRows(p, a.Map)...)
	}
}

func chipRows(p *printer, chips []memory.ChipPlace) [][]string {
	rows := [][]string{p.TellAll([]fact.Fact{
		fact.New("memory.head-chip"), fact.New("memory.head-bank"), fact.New("memory.head-lines"),
		fact.New("memory.head-first-byte"), fact.New("memory.head-bytes"),
	})}
	for _, chip := range chips {
		rows = append(rows, []string{
			chip.Designator, fmt.Sprint(chip.Bank + 1), chip.BusLines,
			fmt.Sprintf("0x%08x", chip.FirstByte),
			p.Tell(fact.New("memory.bytes-of-beat", "bytes", chip.BytesWide, "beat", chip.BeatBytes)),
		})
	}
	return rows
}
