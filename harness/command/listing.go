package command

import (
	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
	"proveout/plans/fact"
)

func (c *Console) listingCommand() *cli.Command {
	return &cli.Command{
		Name:      "listing",
		Usage:     "make pictures, description, bag label and check page for an offer",
		ArgsUsage: "JOB",
		Description: "Everything in the kit stands in the record of the job's signed certificate;\n" +
			"nothing of the customer does. A job that is not accepted gets none.",
		Flags: []cli.Flag{shopFlag, jsonFlag,
			&cli.StringFlag{Name: "out", Aliases: []string{"o"}, Usage: "folder `DIR` to make", Required: true}},
		Action: c.onJob(c.listing),
	}
}

func (c *Console) listing(x *cli.Context, job *workflow.Job) error {
	o := job.Outcome()
	if !o.Accepted {
		c.beside(x).fact(0, fact.New("screen.no-kit", "job", o.Job, "reason", o.Reason))
		return errNotPassed
	}
	folder := c.path(x.String("out"))
	kit, err := job.Listing(folder)
	if err != nil {
		return err
	}
	answer := map[string]any{"job": o.Job, "number": kit.Number, "folder": folder, "files": kit.Files}
	return c.give(x, answer, true, func(p *printer) {
		p.whole(fact.New("screen.made-kit", "number", kit.Number, "folder", folder, "n", len(kit.Files)))
	})
}
