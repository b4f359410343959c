package command

import (
	"cmp"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/register"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring"
)

func (c *Console) referenceCommands() *cli.Command {
	workloadFlag := neededFlag("workload",
		"`NAME` of the workload; "+plans.RiseWorkload+" for the rise over ambient of a soak")
	set := []cli.Flag{shopFlag,
		neededFlag("family", "board family `ID`"),
		variantFlag, workloadFlag, benchFlag, jsonFlag}
	return &cli.Command{
		Name:  "reference",
		Usage: "keep the scores of known-good cards, and the runs of the control card",
		Subcommands: []*cli.Command{
			{
				Name: "add", Usage: "add the score of a known-good card",
				ArgsUsage: "CARD SCORE", Action: c.referenceAdd,
				Flags: append(set, textFlag("unit", "`UNIT` of the score; fps, or K of a rise, when not given"),
					textFlag("better", "which scores are good: `WAY` higher or lower; lower of a rise, when not given"),
					textFlag("instrument", "`ID` of the thermometer of a rise; the bench's own when not given"),
					byFlag, textFlag("job", "`JOB` it came from")),
			},
			{
				Name: "from-jobs", Usage: "propose the scores of accepted jobs; --take adds them",
				Action: c.referenceFromJobs,
				Flags:  append(set, byFlag, boolFlag("take", "add the proposed scores")),
			},
			{
				Name: "list", Usage: "list the shop's sets",
				Action: c.onShop(c.referenceList),
				Flags:  []cli.Flag{shopFlag, jsonFlag},
			},
			{
				Name: "show", Usage: "show a set: its scores, range, outliers and normality",
				Action: c.referenceShow,
				Flags:  set,
			},
			{
				Name: "remove", Usage: "take a score out of its set, with the reason",
				ArgsUsage: "NUMBER", Action: c.referenceAnswered(register.Removal, "Took %s (%g %s) out of its set"),
				Flags: []cli.Flag{shopFlag, byFlag,
					neededFlag("because", "`WHY` it does not belong")},
			},
			{
				Name: "keep", Usage: "keep a score that stands off from its set, with the reason",
				ArgsUsage: "NUMBER", Action: c.referenceAnswered(register.Kept, "Kept %s (%g %s) in its set"),
				Flags: []cli.Flag{shopFlag, byFlag,
					neededFlag("because", "`WHY` the card is good all the same")},
			},
			{
				Name: "control", Usage: "add a run of the control card and show its chart",
				ArgsUsage: "[SCORE]", Action: c.referenceControl,
				Flags: []cli.Flag{shopFlag, workloadFlag, benchFlag, unitFlag, byFlag, jsonFlag},
			},
			{
				Name: "answer", Usage: "answer the open signals of the control card, so that verdicts go on",
				ArgsUsage: "TEXT…", Action: c.referenceAnswer,
				Flags: []cli.Flag{shopFlag, workloadFlag, benchFlag, byFlag},
			},
		},
	}
}

var (
	benchFlag = textFlag("bench", "bench `ID`; not needed when the shop has one")
	unitFlag  = usualFlag("unit", "`UNIT` of the score", "fps")
)

// shelf opens the part of the register that a command is about: the scores of a
// family where it has a flag for one, else the runs of the control card.
func (c *Console) shelf(x *cli.Context) (*workflow.Shelf, error) {
	shop, err := c.shop(x)
	if err != nil {
		return nil, err
	}
	var family *plans.Family
	if x.IsSet("family") {
		if family, err = c.familyFor(x); err != nil {
			return nil, err
		}
	}
	h, err := shop.Shelf(x.String("workload"), x.String("bench"), family)
	if err == nil {
		c.warn(h.Warnings)
	}
	return h, err
}

// warn tells of lines of the register that cannot be read.
func (c *Console) warn(warnings []fact.Fact) {
	for _, w := range c.words().TellAll(warnings) {
		fmt.Fprintln(c.Diag, "Note: "+w)
	}
}

func (c *Console) referenceAdd(x *cli.Context) error {
	if x.NArg() != 2 {
		return errors.New("name the card and its score, as in: " +
			"proveout reference add CARD 60.4 --family F --workload W")
	}
	h, err := c.shelf(x)
	if err != nil {
		return err
	}
	card, score := x.Args().Get(0), x.Args().Get(1)
	value, err := typedScore(score)
	if err != nil {
		return err
	}
	unit, better := "fps", "higher"
	if h.Workload == plans.RiseWorkload {
		unit, better = "K", "lower"
		if cmp.Or(x.String("unit"), unit) != unit || cmp.Or(x.String("better"), better) != better {
			return errors.New("a rise over ambient is in K, and the lower one is the better")
		}
	}
	e := register.Entry{
		By: x.String("by"), Unit: cmp.Or(x.String("unit"), unit), Better: cmp.Or(x.String("better"), better),
		Card: card, Value: value, Read: x.String("instrument"), Job: x.String("job"),
	}
	if e.Better != "higher" && e.Better != "lower" {
		return fmt.Errorf("--better: %q is not higher or lower", e.Better)
	}
	if err := h.Add(e); err != nil {
		return err
	}
	c.say(x, "Added %s with %s %s to the set of %s on %s.", card, score, e.Unit, h.Workload, h.Bench.ID)
	return c.showSet(x, h)
}

func typedScore(text string) (float64, error) {
	v, err := quantity.ParseNumber(text)
	if err != nil {
		err = fmt.Errorf("%q is not a score; write a number with a decimal point", text)
	}
	return v, err
}

func (c *Console) referenceFromJobs(x *cli.Context) error {
	h, err := c.shelf(x)
	if err != nil {
		return err
	}
	proposed, err := h.FromJobs()
	if err == nil && x.Bool("take") {
		err = h.Take(proposed, x.String("by"))
	}
	if err != nil {
		return err
	}
	return c.give(x, map[string]any{"proposed": proposed, "taken": x.Bool("take")}, true, func(p *printer) {
		for _, e := range proposed {
			fmt.Fprintf(p, "%s  %s  %.4g %s\n", e.Job, e.Card, e.Value, e.Unit)
		}
		switch {
		case len(proposed) == 0:
			p.line("No accepted job has a score of this workload that the set lacks.")
		case x.Bool("take"):
			fmt.Fprintf(p, "Added %d scores.\n", len(proposed))
		default:
			p.line("Nothing was added; look at them, then say --take.")
		}
	})
}

func (c *Console) referenceList(x *cli.Context, shop *workflow.Shop) error {
	sets, warnings, err := shop.Sets()
	if err != nil {
		return err
	}
	c.warn(warnings)
	return c.give(x, map[string]any{"sets": sets}, true, func(p *printer) {
		if len(sets) == 0 {
			p.line("The shop has no scores of its own yet, so nothing is judged by them. " +
				"Add those of known-good cards with: proveout reference add")
		}
		var rows [][]string
		for _, l := range sets {
			family, scores := strings.TrimSpace(l.Family+" "+l.Variant), fmt.Sprintf("%d scores in %s", l.Scores, l.Unit)
			rows = append(rows, []string{family, l.Workload, l.Bench, scores})
		}
		p.table(rows...)
	})
}

func (c *Console) referenceShow(x *cli.Context) error {
	h, err := c.shelf(x)
	if err != nil {
		return err
	}
	return c.showSet(x, h)
}

func (c *Console) showSet(x *cli.Context, h *workflow.Shelf) error {
	r, err := h.Range()
	if err != nil {
		return err
	}
	type numbered struct {
		Number int `json:"number"`
		register.Entry
	}
	list, rows := []numbered{}, [][]string{}
	for _, e := range h.Scores() {
		list = append(list, numbered{e.Seq, e})
		score := fmt.Sprintf("%g %s", e.Value, e.Unit)
		rows = append(rows, []string{strconv.Itoa(e.Seq), e.Card, score, e.At.Format(time.DateOnly), e.By, e.Job})
	}
	return c.give(x, map[string]any{"scores": list, "range": r}, true, func(p *printer) {
		p.table(rows...)
		p.gap()
		printRange(p, &r)
	})
}

// referenceAnswered notes what was found of a score, and says so.
func (c *Console) referenceAnswered(found register.Kind, said string) cli.ActionFunc {
	return func(x *cli.Context) error {
		if x.NArg() != 1 {
			return errors.New("name the number of the score; proveout reference show lists the numbers")
		}
		n, err := strconv.Atoi(x.Args().First())
		if err != nil {
			return fmt.Errorf("%q is not the number of a score", x.Args().First())
		}
		shop, err := c.shop(x)
		if err != nil {
			return err
		}
		e, err := shop.Answered(found, n, x.String("by"), x.String("because"))
		if err == nil {
			c.say(x, said+"; the register keeps both entries.", e.Card, e.Value, e.Unit)
		}
		return err
	}
}

func (c *Console) referenceControl(x *cli.Context) error {
	h, err := c.shelf(x)
	if err != nil {
		return err
	}
	if x.NArg() == 1 {
		value, err := typedScore(x.Args().First())
		if err != nil {
			return err
		}
		if err := h.AddRun(value, x.String("unit"), x.String("by")); err != nil {
			return err
		}
	}
	control, err := h.Control()
	if err != nil {
		return err
	}
	if control.Chart == nil {
		c.say(x, "%d run(s) of the control card so far; the chart begins with two.", len(control.Runs))
		if x.Bool("json") {
			return c.answer(map[string]any{"runs": control.Runs})
		}
		return nil
	}
	answer, passed := map[string]any{"chart": control.Chart, "open_signals": control.Open}, len(control.Open) == 0
	return c.give(x, answer, passed, func(p *printer) { printControl(p, h, control) })
}

func printControl(p *printer, h *workflow.Shelf, control scoring.ControlCard) {
	chart := control.Chart
	fmt.Fprintf(p, "%d runs, centre %.4g, limits %.4g to %.4g\n", len(control.Runs), chart.Center, chart.Low, chart.High)
	p.lead("Note: ", chart.Notes...)
	for _, sig := range control.Open {
		p.lead(fmt.Sprintf("Signal at run %d (%s): ", sig.Index+1, sig.Chart), sig.Why)
	}
	if len(control.Open) > 0 {
		p.text(0, "Load verdicts of this bench are held until someone has looked into it: "+
			"proveout reference answer --workload "+h.Workload+" TEXT")
	}
}

func (c *Console) referenceAnswer(x *cli.Context) error {
	text := strings.Join(x.Args().Slice(), " ")
	if strings.TrimSpace(text) == "" {
		return errors.New("say what was found and done, as the last argument")
	}
	h, err := c.shelf(x)
	if err != nil {
		return err
	}
	return h.Answer(x.String("by"), text)
}
