package command

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring"
	"proveout/scoring/conformity"
	"proveout/scoring/memory"
)

// organisationFlags say how a memory is put together: by a family, or by hand.
var organisationFlags = []cli.Flag{
	&cli.StringFlag{Name: "family", Usage: "board family `ID`"}, variantFlag,
	&cli.IntFlag{Name: "chips", Usage: "`N` chips in all, without a family"},
	&cli.StringFlag{Name: "chip", Usage: "`WORDSxBITS` of one chip, as in 1Mix16"},
	&cli.StringFlag{Name: "bus", Usage: "`BITS` of the memory bus"},
	&cli.IntFlag{Name: "banks", Usage: "`N` banks; else as chips and bus say"},
}

func (c *Console) calcMemorySize() *cli.Command {
	return &cli.Command{
		Name:      "memory-size",
		Usage:     "what explains the memory size that a card shows",
		ArgsUsage: "SIZE",
		Description: "SIZE is what was shown, as in \"15 MiB\". The organisation is that of a board\n" +
			"family, or typed with --chips, --chip and --bus.",
		Flags: append([]cli.Flag{shopFlag, jsonFlag,
			&cli.StringFlag{Name: "pool", Usage: "one `MEMORY` of the family, frame or texture; else all together"},
			&cli.StringFlag{Name: "step", Usage: "`SIZE` in whose steps the program counts; else the last digit says"},
		}, organisationFlags...),
		Action: c.runMemorySize,
	}
}

func (c *Console) runMemorySize(x *cli.Context) error {
	if x.NArg() != 1 {
		return errors.New("give the size that was shown, as in: " +
			"proveout calc memory-size --family gannet --variant 4 \"2 MiB\"")
	}
	mib, _ := quantity.LookUp(quantity.Bytes, "MiB")
	size, err := quantity.ParseIn(x.Args().First(), quantity.Bytes, mib)
	if err != nil {
		return fmt.Errorf("SIZE: %w", err)
	}
	step := size.Resolution
	if x.IsSet("step") {
		q, err := quantity.Parse(x.String("step"), quantity.Bytes)
		if err != nil {
			return fmt.Errorf("--step: %w", err)
		}
		step = q.Value
	}
	pools, err := c.organisations(x)
	if err != nil {
		return err
	}
	if size.Value < 0 || step < 0 {
		return errors.New("a size is not below 0")
	}
	report := memory.ExplainSize(pools, int64(size.Value), int64(step))
	if x.Bool("json") {
		err = c.answer(report)
	} else {
		c.printSize(&report)
	}
	if err == nil && report.Verdict != conformity.Pass {
		err = errNotPassed
	}
	return err
}

// organisations returns the memories that the flags name: those of a family,
// the one of --pool, or the one typed.
func (c *Console) organisations(x *cli.Context) ([]memory.Organisation, error) {
	id := x.String("family")
	if id == "" {
		if x.IsSet("pool") || x.IsSet("variant") {
			return nil, errors.New("--pool and --variant go with --family")
		}
		o, err := typedOrganisation(x)
		return []memory.Organisation{o}, err
	}
	if x.IsSet("chip") || x.IsSet("chips") || x.IsSet("bus") || x.IsSet("banks") {
		return nil, errors.New("give the organisation one way: --family, or --chips, --chip and --bus")
	}
	family, err := c.familyFor(x, id)
	if err != nil {
		return nil, err
	}
	if x.IsSet("pool") || len(family.Memory) == 0 {
		pool, err := choosePool(family, x.String("pool"))
		if err != nil {
			return nil, err
		}
		o, err := poolOrganisation(pool)
		return []memory.Organisation{o}, err
	}
	var out []memory.Organisation
	for i := range family.Memory {
		pool, err := choosePool(family, family.Memory[i].Name)
		if err != nil {
			return nil, err
		}
		o, err := poolOrganisation(pool)
		if err != nil {
			return nil, err
		}
		out = append(out, o)
	}
	return out, nil
}

// poolOrganisation returns a memory of a family.
func poolOrganisation(pool *plans.MemoryPool) (memory.Organisation, error) {
	o := scoring.Organisation(*pool)
	return o, o.Check()
}

// typedOrganisation makes up a memory of chips U1, U2, … in lane order.
func typedOrganisation(x *cli.Context) (memory.Organisation, error) {
	if !x.IsSet("chip") || !x.IsSet("bus") {
		return memory.Organisation{}, errors.New("give the organisation: " +
			"--family ID, or --chips 8 --chip 1Mix16 --bus 64")
	}
	words, width, err := plans.ParseChip(x.String("chip"))
	if err != nil {
		return memory.Organisation{}, fmt.Errorf("--chip: %w; write it as in 1Mix16", err)
	}
	bit, _ := quantity.LookUp(quantity.Bits, "bit")
	busBits, err := quantity.ParseIn(x.String("bus"), quantity.Bits, bit)
	if err != nil {
		return memory.Organisation{}, fmt.Errorf("--bus: %w", err)
	}
	o := memory.Organisation{Words: words, ChipBits: width, BusBits: int(busBits.Value)}
	if o.BusBits <= 0 || o.BusBits > 4096 || o.BusBits%width != 0 {
		return o, fmt.Errorf("a bus of %s is not made of chips of %d bits", busBits.Text, width)
	}
	lanes := o.BusBits / width
	banks := max(x.Int("banks"), 0)
	switch chips := x.Int("chips"); {
	case chips == 0 && banks == 0:
		banks = 1
	case banks == 0:
		if chips < 0 || chips%lanes != 0 {
			return o, fmt.Errorf("%d chips do not fill banks of %d", chips, lanes)
		}
		banks = chips / lanes
	case chips != 0 && chips != banks*lanes:
		return o, fmt.Errorf("%d banks of a %d bit bus take %d chips of %d bits, not %d",
			banks, o.BusBits, banks*lanes, width, chips)
	}
	if banks > 64 {
		return o, fmt.Errorf("%d banks are more than a card has", banks)
	}
	n := 1
	for range banks {
		var b memory.Bank
		for range lanes {
			b.Designators = append(b.Designators, fmt.Sprintf("U%d", n))
			n++
		}
		o.Banks = append(o.Banks, b)
	}
	return o, o.Check()
}

func (c *Console) printSize(r *memory.SizeReport) {
	say := c.words()
	fmt.Fprintln(c.Out, strings.ToUpper(r.Verdict.String()))
	shown, whole := memory.Bytes(r.ReportedBytes), memory.Bytes(r.ExpectedBytes)
	fold(c.Out, "", say.Tell(fact.New("memory.shown", "shown", shown, "whole", whole)))
	for _, e := range r.Explanations {
		fmt.Fprintln(c.Out)
		share := fact.In(100*e.Confidence, "%").To(1)
		fold(c.Out, "", say.Tell(fact.New("memory.cause", "kind", e.Kind.Fact(), "share", share, "text", e.Text)))
		if len(e.Chips) > 0 {
			fold(c.Out, "  ", say.Tell(fact.New("memory.look-at", "chips", fact.Names(fact.Comma, e.Chips))))
		}
		fold(c.Out, "  ", say.Tell(fact.New("memory.to-tell", "check", e.NextCheck)))
	}
}

func (c *Console) calcMemoryFaults() *cli.Command {
	return &cli.Command{
		Name:      "memory-faults",
		Usage:     "which chip and line explain a list of failing addresses",
		ArgsUsage: "FILE",
		Description: "FILE lists address, value written and value read, in hexadecimal; a header\n" +
			"names the columns, and time, temperature and pattern are used when they are\n" +
			"there. - is the standard input. With --map the lines of every chip are counted.",
		Flags: append(append([]cli.Flag{shopFlag, jsonFlag,
			&cli.BoolFlag{Name: "map", Usage: "show where chips, lines and addresses sit"},
			&cli.StringFlag{Name: "march", Usage: "say what the march test `NAME` can and cannot detect"},
		}, failureFlags...), organisationFlags...),
		Action: c.runMemoryFaults,
	}
}

// faultsAnswer is what calc memory-faults prints.
type faultsAnswer struct {
	memory.FaultReport
	Bad     int64       `json:"bad_rows"`
	BadRows []badRow    `json:"bad,omitempty"`
	Bits    int         `json:"value_bits"`
	March   fact.Fact   `json:"march,omitzero"`
	Map     []chipPlace `json:"map,omitempty"`
}

// A badRow is a row that was set aside, and where it stands.
type badRow struct {
	Line int64  `json:"line"`
	What string `json:"what"`
}

// A chipPlace is where a chip sits in the memory.
type chipPlace struct {
	Designator string `json:"designator"`
	Bank       int    `json:"bank"`
	Chip       int    `json:"chip"`
	BusLines   string `json:"bus_lines"`   // "D0-D15"
	FirstByte  int64  `json:"first_byte"`  // address of its first byte
	BeatBytes  int64  `json:"beat_bytes"`  // from one of its words to the next
	BytesWide  string `json:"bytes"`       // offsets within a beat
	BankStarts int64  `json:"bank_starts"` // address
	BankBytes  int64  `json:"bank_bytes"`
}

func (c *Console) runMemoryFaults(x *cli.Context) error {
	if x.NArg() != 1 {
		return errors.New("name one list of failing addresses, or - for the standard input")
	}
	org, o, err := c.faultsOptions(x)
	if err != nil {
		return err
	}
	f := memory.NewFailures(org)
	sum, err := c.readFailures(x.Context, x.Args().First(), o, f)
	if err != nil {
		return err
	}
	a := faultsAnswer{FaultReport: f.Report(), Bad: sum.Bad, Bits: sum.Bits}
	for _, b := range sum.BadRows {
		a.BadRows = append(a.BadRows, badRow{b.Line, b.What})
	}
	if name := x.String("march"); name != "" {
		test, ok := memory.LookupMarch(name)
		if !ok {
			var names []string
			for _, m := range memory.MarchTests() {
				names = append(names, m.Name)
			}
			return fmt.Errorf("--march: %q is no march test that is known here; known: %s",
				name, strings.Join(names, ", "))
		}
		a.March = test.Statement()
	}
	if x.Bool("map") {
		a.Map = placesOf(org)
	}
	if x.Bool("json") {
		err = c.answer(a)
	} else {
		c.printFaults(&a, x.Args().First(), org)
	}
	if err == nil && (a.Rows > 0 || a.Outside > 0 || a.Bad > 0) {
		err = errNotPassed
	}
	return err
}

func (c *Console) faultsOptions(x *cli.Context) (memory.Organisation, logs.FailureOptions, error) {
	fail := func(err error) (memory.Organisation, logs.FailureOptions, error) {
		return memory.Organisation{}, logs.FailureOptions{}, err
	}
	o, err := failureOptions(x, nil)
	if err != nil {
		return fail(err)
	}
	if id := x.String("family"); id != "" {
		family, err := c.familyFor(x, id)
		if err != nil {
			return fail(err)
		}
		pool, err := choosePool(family, o.Pool)
		if err != nil {
			return fail(err)
		}
		org, err := poolOrganisation(pool)
		return org, o, err
	}
	pools, err := c.organisations(x)
	if err != nil {
		return fail(err)
	}
	return pools[0], o, nil
}

// readFailures streams a list into f.
func (c *Console) readFailures(
	ctx context.Context, name string, o logs.FailureOptions, f *memory.Failures,
) (logs.FailureSummary, error) {
	in := logs.Input{Name: shownName(name), Reader: c.In}
	if name != "-" {
		file, err := os.Open(c.path(name))
		if err != nil {
			return logs.FailureSummary{}, err
		}
		defer file.Close()
		in.Reader = file
	}
	return logs.ReadFailures(in, o, func(rows []reading.Failure) error {
		for i := range rows {
			f.Add((*memory.Failure)(&rows[i]))
		}
		return ctx.Err()
	})
}

func (c *Console) printFaults(a *faultsAnswer, name string, org memory.Organisation) {
	say := func(f fact.Fact) { fold(c.Out, "", c.words().Tell(f)) }
	switch {
	case a.Rows > 0:
		fmt.Fprintln(c.Out, "FAILING")
	case a.Outside > 0 || a.Bad > 0:
		fmt.Fprintln(c.Out, "UNDECIDED")
	default:
		fmt.Fprintln(c.Out, "NO FAILURE LISTED")
	}
	say(fact.New("memory.rows-of", "file", shownName(name), "n", a.Rows, "bits", a.Bits))
	if a.Agreeing > 0 {
		say(fact.New("memory.rows-agree", "n", a.Agreeing))
	}
	if a.Outside > 0 {
		say(fact.New("memory.rows-outside", "n", a.Outside, "whole", memory.Bytes(org.Bytes())))
	}
	if a.Bad > 0 {
		say(fact.New("memory.rows-unread", "n", a.Bad))
		for _, b := range a.BadRows {
			fold(c.Out, "  ", fmt.Sprintf("%s:%d: %s", shownName(name), b.Line, b.What))
		}
	}
	if a.Rows > 0 && len(a.Findings) == 0 {
		say(fact.New("memory.rows-unexplained"))
	}
	for _, f := range a.Findings {
		fmt.Fprintln(c.Out)
		fold(c.Out, "", fmt.Sprintf("%s (%.0f %%)", upperSentence(c.words().Tell(f.Fact())), 100*f.Confidence))
		fold(c.Out, "  ", upperSentence(c.words().Tell(f.Advice)))
		for _, e := range f.Evidence {
			fold(c.Out, "  ", "· "+c.words().Tell(e))
		}
	}
	if !a.March.IsZero() {
		fmt.Fprintln(c.Out)
		say(a.March)
	}
	if len(a.Map) > 0 {
		fmt.Fprintln(c.Out)
		c.printPlaces(a.Map)
	}
}

func (c *Console) printPlaces(places []chipPlace) {
	head := []fact.Fact{
		fact.New("memory.head-chip"), fact.New("memory.head-bank"), fact.New("memory.head-lines"),
		fact.New("memory.head-first-byte"), fact.New("memory.head-bytes"),
	}
	rows := [][]string{c.words().TellAll(head)}
	for _, p := range places {
		bytes := c.words().Tell(fact.New("memory.bytes-of-beat", "bytes", p.BytesWide, "beat", p.BeatBytes))
		first := fmt.Sprintf("0x%08x", p.FirstByte)
		rows = append(rows, []string{p.Designator, fmt.Sprint(p.Bank + 1), p.BusLines, first, bytes})
	}
	table(c.Out, rows)
}

// placesOf lists where the chips of a memory sit.
func placesOf(org memory.Organisation) []chipPlace {
	var out []chipPlace
	for bank := range org.Banks {
		for chip := range org.ChipsPerBank() {
			addr, _ := org.Address(memory.Place{Bank: bank, Chip: chip})
			first := chip * org.ChipBits
			last := first + org.ChipBits - 1
			bytes := fmt.Sprint(first / 8)
			if last/8 > first/8 {
				bytes += fmt.Sprintf("-%d", last/8)
			}
			out = append(out, chipPlace{
				Designator: org.Designator(bank, chip),
				Bank:       bank,
				Chip:       chip,
				BusLines:   fmt.Sprintf("D%d-D%d", first, last),
				FirstByte:  addr,
				BeatBytes:  org.BeatBytes(),
				BytesWide:  bytes,
				BankStarts: int64(bank) * org.BankBytes(),
				BankBytes:  org.BankBytes(),
			})
		}
	}
	return out
}
