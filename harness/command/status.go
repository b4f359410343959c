package command

import (
	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

func (c *Console) statusCommand() *cli.Command {
	return &cli.Command{
		Name:        "status",
		Usage:       "all open jobs, and what each waits for",
		Description: "A job is open until every required step has passed. Times are local.",
		Flags: []cli.Flag{shopFlag, jsonFlag, screenLanguageFlag,
			boolFlag("all", "accepted jobs too")},
		Action: c.onShop(c.status),
	}
}

func (c *Console) status(x *cli.Context, shop *workflow.Shop) error {
	all, err := shop.Jobs()
	if err != nil {
		return err
	}
	shown, accepted := []workflow.Standing{}, 0
	for _, j := range all {
		if j.Accepted {
			accepted++
		}
		if !j.Accepted || x.Bool("all") {
			shown = append(shown, j)
		}
	}
	return c.give(x, map[string]any{"jobs": shown, "accepted": accepted}, true, func(p *printer) {
		for i := range shown {
			p.standing(&shown[i])
		}
		switch {
		case len(all) == 0:
			p.fact(0, fact.New("screen.no-jobs"))
		case len(shown) == 0:
			p.fact(0, fact.New("screen.none-open", "n", len(all)))
		default:
			p.fact(0, fact.New("screen.go-on", "job", shown[0].Job))
		}
	})
}

// standing prints how a job stands, and what it waits for.
func (p *printer) standing(j *workflow.Standing) {
	head := fact.Text(fact.Name(j.Job + "  " + j.Card))
	if j.Serial != "" {
		head = fact.New("screen.with-serial", "card", head, "serial", j.Serial)
	}
	p.fact(0, head)
	if j.Trouble != "" {
		p.fact(4, fact.New("screen.cannot-be-read", "why", j.Trouble))
		return
	}
	p.fact(4, fact.New("screen.opened-at", "time", localTime(j.Opened), "plan", j.Plan))
	state := j.Verdict.Fact()
	switch {
	case j.Accepted:
		state = fact.New("screen.is-accepted")
	case j.Verdict == conformity.NotRun:
		state = fact.New("screen.not-finished")
	}
	if j.WaitsFor != "" {
		state = fact.New("screen.waits-for", "state", state, "step", j.WaitsFor)
	}
	p.fact(4, state)
}
