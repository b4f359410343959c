package command

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/register"
	"proveout/plans"
	"proveout/scoring"
	"proveout/scoring/reference"
)

func (c *Console) referenceCommands() *cli.Command {
	workloadFlag := &cli.StringFlag{Name: "workload", Usage: "`NAME` of the workload", Required: true}
	set := []cli.Flag{shopFlag,
		&cli.StringFlag{Name: "family", Usage: "board family `ID`", Required: true},
		variantFlag, workloadFlag, benchFlag, jsonFlag}
	return &cli.Command{
		Name:  "reference",
		Usage: "keep the scores of known-good cards, and the runs of the control card",
		Subcommands: []*cli.Command{
			{
				Name: "add", Usage: "add the score of a known-good card",
				ArgsUsage: "CARD SCORE", Action: c.referenceAdd,
				Flags: append(set, unitFlag, betterFlag, byFlag, &cli.StringFlag{Name: "job", Usage: "`JOB` it came from"}),
			},
			{
				Name: "from-jobs", Usage: "propose the scores of accepted jobs; --take adds them",
				Action: c.referenceFromJobs,
				Flags:  append(set, byFlag, &cli.BoolFlag{Name: "take", Usage: "add the proposed scores"}),
			},
			{
				Name: "list", Usage: "list the shop's sets",
				Action: c.referenceList,
				Flags:  []cli.Flag{shopFlag, jsonFlag},
			},
			{
				Name: "show", Usage: "show a set: its scores, range, outliers and normality",
				Action: c.referenceShow,
				Flags:  set,
			},
			{
				Name: "remove", Usage: "take a score out of its set, with the reason",
				ArgsUsage: "NUMBER", Action: c.referenceRemove,
				Flags: []cli.Flag{shopFlag, byFlag,
					&cli.StringFlag{Name: "because", Usage: "`WHY` it does not belong", Required: true}},
			},
			{
				Name: "control", Usage: "add a run of the control card and show its chart",
				ArgsUsage: "[SCORE]", Action: c.referenceControl,
				Flags: []cli.Flag{shopFlag, workloadFlag, benchFlag, unitFlag, byFlag, jsonFlag},
			},
			{
				Name: "answer", Usage: "answer the open signals of the control card, so that verdicts go on",
				ArgsUsage: "TEXT", Action: c.referenceAnswer,
				Flags: []cli.Flag{shopFlag, workloadFlag, benchFlag, byFlag},
			},
		},
	}
}

var (
	benchFlag  = &cli.StringFlag{Name: "bench", Usage: "bench `ID`; not needed when the shop has one"}
	unitFlag   = &cli.StringFlag{Name: "unit", Usage: "`UNIT` of the score", Value: "fps"}
	betterFlag = &cli.StringFlag{Name: "better", Usage: "which scores are good: `WAY` higher or lower", Value: "higher"}
)

// A shelf is the set of the shop's register that a command is about.
type shelf struct {
	dir      string
	shop     *plans.Shop
	bench    *plans.Bench
	family   *plans.Family
	workload string
	entries  []register.Entry
}

func (c *Console) openShelf(x *cli.Context, withFamily bool) (*shelf, error) {
	dir, shop, err := c.shop(x)
	if err != nil {
		return nil, err
	}
	s := &shelf{dir: dir, shop: shop, workload: x.String("workload")}
	if s.bench, err = chooseBench(shop, x.String("bench")); err != nil {
		return nil, err
	}
	if withFamily {
		if _, s.family, err = findFamily(dir, x.String("family"), x.String("variant")); err != nil {
			return nil, err
		}
	}
	s.entries, err = c.entriesOf(dir)
	return s, err
}

// entriesOf reads the register and tells of lines that cannot be read.
func (c *Console) entriesOf(dir string) ([]register.Entry, error) {
	entries, warnings, err := register.Load(dir)
	for _, w := range warnings {
		fmt.Fprintln(c.Diag, "Note: "+c.words().Tell(w))
	}
	return entries, err
}

func (c *Console) referenceAdd(x *cli.Context) error {
	if x.NArg() != 2 {
		return errors.New("name the card and its score, as in: proveout reference add CARD 60.4 --family F --workload W")
	}
	s, err := c.openShelf(x, true)
	if err != nil {
		return err
	}
	value, err := typedScore(x.Args().Get(1))
	if err != nil {
		return err
	}
	if b := x.String("better"); b != "higher" && b != "lower" {
		return fmt.Errorf("--better: %q is not higher or lower", b)
	}
	e := register.Entry{
		Kind: register.Score, At: c.Now(), By: x.String("by"),
		Family: s.family.ID, Variant: s.family.Variant, Workload: s.workload, Bench: s.bench.ID,
		Unit: x.String("unit"), Better: x.String("better"),
		Card: x.Args().First(), Value: value, Job: x.String("job"),
	}
	if err := s.refuseDouble(e); err != nil {
		return err
	}
	if err := register.Append(s.dir, e); err != nil {
		return err
	}
	c.say(x, "Added %s with %s %s to the set of %s on %s.", e.Card, x.Args().Get(1), e.Unit, s.workload, s.bench.ID)
	return c.showSet(x, s.dir, e.Family, e.Variant, s.workload, s.bench.ID)
}

// refuseDouble refuses a card that the set already has, and another unit.
func (s *shelf) refuseDouble(e register.Entry) error {
	for _, have := range register.Standing(s.entries) {
		if have.Family != e.Family || have.Variant != e.Variant || have.Workload != e.Workload || have.Bench != e.Bench {
			continue
		}
		if have.Card == e.Card {
			return fmt.Errorf("the set already has a score of %s (number %d: %g %s); "+
				"take it out first with: proveout reference remove %d --because WHY",
				e.Card, have.Seq, have.Value, have.Unit, have.Seq)
		}
		if have.Unit != e.Unit || have.Better != e.Better {
			return fmt.Errorf("the set is in %s, %s is better; this score is in %s, %s is better",
				have.Unit, have.Better, e.Unit, e.Better)
		}
	}
	return nil
}

func typedScore(text string) (float64, error) {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is not a score; write a number with a decimal point", text)
	}
	return v, nil
}

func (c *Console) referenceFromJobs(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	s, err := c.openShelf(x, true)
	if err != nil {
		return err
	}
	proposed, err := s.fromJobs()
	if err != nil {
		return err
	}
	if x.Bool("take") {
		for i := range proposed {
			proposed[i].At, proposed[i].By = c.Now(), x.String("by")
		}
		if err := register.Append(s.dir, proposed...); len(proposed) > 0 && err != nil {
			return err
		}
	}
	if x.Bool("json") {
		if proposed == nil {
			proposed = []register.Entry{}
		}
		return c.answer(map[string]any{"proposed": proposed, "taken": x.Bool("take")})
	}
	if len(proposed) == 0 {
		fmt.Fprintln(c.Out, "No accepted job has a score of this workload that the set lacks.")
		return nil
	}
	for _, e := range proposed {
		fmt.Fprintf(c.Out, "%s  %s  %.4g %s\n", e.Job, e.Card, e.Value, e.Unit)
	}
	if x.Bool("take") {
		fmt.Fprintf(c.Out, "Added %d scores.\n", len(proposed))
	} else {
		fmt.Fprintln(c.Out, "Nothing was added; look at them, then say --take.")
	}
	return nil
}

// fromJobs gathers the mean scores of accepted jobs of the family on the bench.
func (s *shelf) fromJobs() ([]register.Entry, error) {
	briefs, err := job.List(s.dir)
	if err != nil {
		return nil, err
	}
	known := map[string]bool{}
	for _, e := range register.Standing(s.entries) {
		if e.Family == s.family.ID && e.Variant == s.family.Variant && e.Workload == s.workload && e.Bench == s.bench.ID {
			known[e.Job] = true
		}
	}
	var out []register.Entry
	for _, b := range briefs {
		if b.Err != nil || known[b.Number] || b.Job.Bench != s.bench.ID {
			continue
		}
		if b.Job.Card.Family != s.family.ID || b.Job.Card.Variant != s.family.Variant {
			continue
		}
		k, err := loadCase(s.dir, s.shop, b.Number)
		if err != nil {
			continue
		}
		o := scoring.Score(k.input)
		if !o.Accepted {
			continue
		}
		if e, ok := scoreOf(k, &o, s.workload); ok {
			e.Bench, e.Job = s.bench.ID, b.Number
			out = append(out, e)
		}
	}
	return out, nil
}

func scoreOf(k *openCase, o *scoring.Outcome, workload string) (register.Entry, bool) {
	for i, step := range o.Steps {
		if plans.SpecOf[plans.Load](&k.input.Plan.Steps[i]).Workload != workload {
			continue
		}
		for _, check := range step.Checks {
			if check.Name == "score" && check.Value != nil {
				card := firstOf(k.input.Job.Card.Serial, "job "+k.input.Job.Number)
				return register.Entry{
					Kind: register.Score, Family: k.input.Family.ID, Variant: k.input.Family.Variant, Workload: workload,
					Unit: firstOf(check.Unit, "fps"), Better: "higher", Card: card, Value: float64(*check.Value),
				}, true
			}
		}
	}
	return register.Entry{}, false
}

func (c *Console) referenceList(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	dir, _, err := c.shop(x)
	if err != nil {
		return err
	}
	entries, err := c.entriesOf(dir)
	if err != nil {
		return err
	}
	type line struct {
		Family   string `json:"family"`
		Variant  string `json:"variant,omitempty"`
		Workload string `json:"workload"`
		Bench    string `json:"bench"`
		Unit     string `json:"unit"`
		Scores   int    `json:"scores"`
	}
	lines := []line{}
	for _, e := range register.Standing(entries) {
		one := line{e.Family, e.Variant, e.Workload, e.Bench, e.Unit, 1}
		found := false
		for i := range lines {
			same := lines[i]
			same.Scores = 1
			if same == one {
				lines[i].Scores++
				found = true
			}
		}
		if !found {
			lines = append(lines, one)
		}
	}
	if x.Bool("json") {
		return c.answer(map[string]any{"sets": lines})
	}
	if len(lines) == 0 {
		fmt.Fprintln(c.Out, "The shop has no scores of its own yet; those of the families are used. "+
			"Add some with: proveout reference add")
		return nil
	}
	t := tabwriter.NewWriter(c.Out, 0, 0, 2, ' ', 0)
	for _, l := range lines {
		family := strings.TrimSpace(l.Family + " " + l.Variant)
		fmt.Fprintf(t, "%s\t%s\t%s\t%d scores in %s\n", family, l.Workload, l.Bench, l.Scores, l.Unit)
	}
	return t.Flush()
}

func (c *Console) referenceShow(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	s, err := c.openShelf(x, true)
	if err != nil {
		return err
	}
	return c.showSet(x, s.dir, s.family.ID, s.family.Variant, s.workload, s.bench.ID)
}

func (c *Console) showSet(x *cli.Context, dir, family, variant, workload, bench string) error {
	entries, err := c.entriesOf(dir)
	if err != nil {
		return err
	}
	var scores []register.Entry
	set := reference.Set{Bench: bench}
	for _, e := range register.Standing(entries) {
		if e.Family == family && e.Variant == variant && e.Workload == workload && e.Bench == bench {
			scores = append(scores, e)
			set.Unit = e.Unit
			set.Scores, set.Names = append(set.Scores, e.Value), append(set.Names, e.Card)
		}
	}
	if len(scores) == 0 {
		return fmt.Errorf("the shop has no scores of its own for %s on %s; "+
			"proveout families show %s lists those of the family", workload, bench, family)
	}
	r, err := reference.Ranges(set, reference.Options{})
	if err != nil {
		return err
	}
	if x.Bool("json") {
		type numbered struct {
			Number int `json:"number"`
			register.Entry
		}
		list := []numbered{}
		for _, e := range scores {
			list = append(list, numbered{e.Seq, e})
		}
		return c.answer(map[string]any{"scores": list, "range": r})
	}
	t := tabwriter.NewWriter(c.Out, 0, 0, 2, ' ', 0)
	for _, e := range scores {
		fmt.Fprintf(t, "%d\t%s\t%g %s\t%s\t%s\t%s\n", e.Seq, e.Card, e.Value, e.Unit, e.At.Format("2006-01-02"), e.By, e.Job)
	}
	t.Flush()
	fmt.Fprintln(c.Out)
	printRange(c.printer(), &r)
	return nil
}

func (c *Console) referenceRemove(x *cli.Context) error {
	if x.NArg() != 1 {
		return errors.New("name the number of the score; proveout reference show lists the numbers")
	}
	n, err := strconv.Atoi(x.Args().First())
	if err != nil {
		return fmt.Errorf("%q is not the number of a score", x.Args().First())
	}
	dir, _, err := c.shop(x)
	if err != nil {
		return err
	}
	entries, err := c.entriesOf(dir)
	if err != nil {
		return err
	}
	for _, e := range register.Standing(entries) {
		if e.Seq == n {
			removal := register.Entry{
				Kind: register.Removal, At: c.Now(), By: x.String("by"),
				Workload: e.Workload, Bench: e.Bench, Refers: n, Text: x.String("because"),
			}
			if err := register.Append(dir, removal); err != nil {
				return err
			}
			c.say(x, "Took %s (%g %s) out of its set; the register keeps both entries.", e.Card, e.Value, e.Unit)
			return nil
		}
	}
	return fmt.Errorf("no set has a score with the number %d", n)
}

// controlRuns returns the runs and their sequence numbers.
func (s *shelf) controlRuns() (values []float64, seqs []int) {
	for _, r := range register.ControlRuns(s.entries) {
		if r.Bench == s.bench.ID && r.Workload == s.workload {
			values, seqs = append(values, r.Value), append(seqs, r.Seq)
		}
	}
	return values, seqs
}

func (c *Console) referenceControl(x *cli.Context) error {
	s, err := c.openShelf(x, false)
	if err != nil {
		return err
	}
	if x.NArg() > 1 {
		return fmt.Errorf("%q is one argument too many: give one score, or none to see the chart", x.Args().Get(1))
	}
	if x.NArg() == 1 {
		value, err := typedScore(x.Args().First())
		if err != nil {
			return err
		}
		run := register.Entry{
			Kind: register.Control, At: c.Now(), By: x.String("by"),
			Workload: s.workload, Bench: s.bench.ID, Unit: x.String("unit"), Card: s.bench.ControlCard, Value: value,
		}
		if err := register.Append(s.dir, run); err != nil {
			return err
		}
		if s.entries, err = c.entriesOf(s.dir); err != nil {
			return err
		}
	}
	values, seqs := s.controlRuns()
	if len(values) < 2 {
		c.say(x, "%d run(s) of the control card so far; the chart begins with two.", len(values))
		if x.Bool("json") {
			return c.answer(map[string]any{"runs": values})
		}
		return nil
	}
	chart, err := reference.ControlChart(values)
	if err != nil {
		return err
	}
	open := s.openSignals(chart, seqs)
	if x.Bool("json") {
		err = c.answer(map[string]any{"chart": chart, "open_signals": open})
	} else {
		fmt.Fprintf(c.Out, "%d runs, centre %.4g, limits %.4g to %.4g\n", len(values), chart.Center, chart.Low, chart.High)
		for _, n := range c.words().TellAll(chart.Notes) {
			fold(c.Out, "", "Note: "+n)
		}
		for _, sig := range open {
			fold(c.Out, "", fmt.Sprintf("Signal at run %d (%s): %s", sig.Index+1, sig.Chart, c.words().Tell(sig.Why)))
		}
		if len(open) > 0 {
			fold(c.Out, "", "Load verdicts of this bench are held until someone has looked into it: "+
				"proveout reference answer --workload "+s.workload+" TEXT")
		}
	}
	if err == nil && len(open) > 0 {
		err = errNotPassed
	}
	return err
}

func (s *shelf) openSignals(chart reference.Chart, seqs []int) []reference.Signal {
	answered := 0
	for _, a := range register.Answers(s.entries) {
		if a.Bench == s.bench.ID && a.Workload == s.workload {
			answered = max(answered, a.UpTo)
		}
	}
	open := []reference.Signal{}
	for _, sig := range chart.Signals {
		if seqs[sig.Index] > answered {
			open = append(open, sig)
		}
	}
	return open
}

func (c *Console) referenceAnswer(x *cli.Context) error {
	text := strings.TrimSpace(strings.Join(x.Args().Slice(), " "))
	if text == "" {
		return errors.New("say what was found and done, as the last argument")
	}
	s, err := c.openShelf(x, false)
	if err != nil {
		return err
	}
	_, seqs := s.controlRuns()
	if len(seqs) == 0 {
		return fmt.Errorf("the control card has no runs of %s on %s", s.workload, s.bench.ID)
	}
	return register.Append(s.dir, register.Entry{
		Kind: register.Answer, At: c.Now(), By: x.String("by"),
		Workload: s.workload, Bench: s.bench.ID, Refers: seqs[len(seqs)-1], Text: text,
	})
}
