package command

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/simulated"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
)

func (c *Console) proveCommand() *cli.Command {
	var o simulated.Order
	return &cli.Command{
		Name: "prove", Usage: "find out by simulated cards what a plan lets through", ArgsUsage: "PLAN",
		Flags: []cli.Flag{
			neededFlag("family", "board family `ID` of the cards"), variantFlag,
			wholeFlag("cards", "`NUMBER` of good cards; each fault gets a tenth as many", 100, 1, 100_000,
				func(n int) { o.Cards = n }),
			wholeFlag("seed", "`NUMBER` that gives the same cards again", 1, 0, math.MaxUint32,
				func(n int) { o.Seed = uint32(n) }),
			shopFlag, jsonFlag, screenLanguageFlag,
		},
		Action: func(x *cli.Context) error { return c.prove(x, o) },
		Description: "Good cards, cards with known faults and benches on which something goes wrong are made,\n" +
			"read with the instruments of the shop, else of those that init writes, and judged.\n" +
			"In a shop the result is kept for its certificates.",
	}
}

// wholeFlag is a flag that takes a whole number.
func wholeFlag(name, usage string, usual, low, high int, take func(int)) *typed {
	return typedFlag(name, usage, func(text string) error {
		n, err := strconv.Atoi(text)
		if err != nil || n < low || n > high {
			return fmt.Errorf("%q is not a whole number from %d to %d", text, low, high)
		}
		take(n)
		return nil
	}).or(strconv.Itoa(usual))
}

// prove takes simulated cards through a plan, and keeps what it lets through with
// the shop.
func (c *Console) prove(x *cli.Context, o simulated.Order) error {
	if x.NArg() != 1 {
		return errors.New("name the plan; proveout plans list shows them")
	}
	dir, err := c.shopIfAny(x)
	if err != nil {
		return err
	}
	if o.Plan, err = plans.FindPlan(dir, x.Args().First()); err != nil {
		return err
	}
	if o.Family, err = c.familyFor(x); err != nil {
		return err
	}
	var shop *workflow.Shop
	if dir != "" {
		if shop, err = c.bench(x); err != nil {
			return err
		}
		o.Shop, o.Dir = shop.Shop, dir
	} else if err := c.speak(cmp.Or(x.String("language"), "en")); err != nil {
		return err
	}
	proof, err := simulated.Prove(x.Context, o, c.progress())
	if err != nil {
		return err
	}
	kept := ""
	if shop != nil {
		if kept, err = shop.KeepProof(proof.Kept(o, workflow.Tool)); err != nil {
			return err
		}
	}
	return c.give(x, proof, true, func(p *printer) { p.proof(proof, kept) })
}

// progress tells on a terminal how many cards are done.
func (c *Console) progress() func(done, all int) {
	if !c.Terminal {
		return nil
	}
	var told time.Time
	return func(done, all int) {
		if now := time.Now(); now.Sub(told) > time.Second || done == all {
			told = now
			fmt.Fprintf(c.Diag, "\r%s ", c.words().Tell(fact.New("proof.done", "n", done, "all", all)))
			if done == all {
				fmt.Fprintln(c.Diag)
			}
		}
	}
}

// proof prints what a plan lets through.
func (p *printer) proof(proof *simulated.Proof, kept string) {
	good := proof.Good
	p.say(fact.New("proof.cards", "n", proof.Cards, "plan", proof.Plan, "family", proof.Family))
	p.gap()
	p.say(fact.New("proof.good", "n", good.N))
	said := func(key fact.Fact) string { return p.Tell(key) }
	row := func(name fact.Fact, k int) []string {
		return []string{"  " + said(name), p.count(k), p.percent(k, good.N), p.range95(k, good.N)}
	}
	p.table(
		[]string{"", "n", "%", "95 %"},
		row(fact.New("proof.good-accepted"), good.Accepted),
		row(fact.New("proof.good-undecided"), good.Inconclusive),
		row(fact.New("proof.good-failed"), good.Failed))
	p.gap()
	p.say(fact.New("proof.faults"))
	rows := [][]string{{said(fact.New("proof.col-fault")), "n", said(fact.New("proof.col-named")),
		said(fact.New("proof.col-accepted")), "95 %"}}
	for _, f := range proof.Faults {
		named := "–"
		if f.Nameable {
			named = p.percent(f.Named, f.N)
		}
		title := p.Tell(f.Title)
		if f.Amount > 0 {
			title += " " + p.Tell(fact.Text(fact.In(f.Amount, f.Unit).Whole()))
		}
		rows = append(rows, []string{title, p.count(f.N), named, p.percent(f.Accepted, f.N), p.range95(f.Accepted, f.N)})
	}
	p.table(rows...)
	p.gap()
	p.say(fact.New("proof.worth"))
	rows = [][]string{{"", said(fact.New("proof.col-caught")), said(fact.New("proof.col-alone")),
		said(fact.New("proof.col-good"))}}
	for _, s := range proof.Steps {
		rows = append(rows, []string{"  " + s.ID, p.count(s.Caught), p.count(s.Alone), p.count(s.GoodStuck)})
	}
	p.table(rows...)
	if kept != "" {
		p.gap()
		p.whole(fact.New("proof.kept", "file", kept))
	}
}

func (p *printer) count(n int) string { return p.Tell(fact.Text(fact.Count(n))) }

// percent is k of n in percent, without the unit, which stands over it.
func (p *printer) percent(k, n int) string { return p.whole100(float64(k) / float64(max(n, 1))) }

func (p *printer) whole100(share float64) string {
	return p.Tell(fact.Text(fact.In(100*share, "").To(1)))
}

// range95 is the interval of 95 % of the chance behind k of n, in percent.
func (p *printer) range95(k, n int) string {
	low, high := simulated.Interval(k, n)
	return p.whole100(low) + "–" + p.whole100(high)
}
