package command

import (
	"errors"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/session"
	"proveout/harness/workflow"
	"proveout/plans/fact"
)

func (c *Console) watchCommand() *cli.Command {
	return &cli.Command{
		Name:      "watch",
		Usage:     "watch a log that another program writes, live",
		ArgsUsage: "JOB STEP FILE|DIR",
		Description: "Shows the running temperature, its rate, the plateau it is going to and since\n" +
			"when it is stable, by the limits of the step; of a folder the newest file. An\n" +
			"alarm is given at the limit and when the log stops growing. Nothing is recorded:\n" +
			"import the log when it is complete. Enter or Ctrl-C ends it.",
		Flags: append([]cli.Flag{shopFlag, plainFlag, screenLanguageFlag,
			textFlag("map", "log map `FILE` or its name in the shop's logmaps folder; "+
				"else the one that the plan names"),
			&cli.DurationFlag{Name: "for", Usage: "end after `TIME`, such as 40m; else when asked to"},
			&cli.DurationFlag{Name: "every", Usage: "without a terminal, tell the state each `TIME`", Value: 10 * time.Second}},
			hintFlags...),
		Action: c.onJob(c.watch),
	}
}

func (c *Console) watch(x *cli.Context, job *workflow.Job) error {
	step, err := job.Step(x.Args().Get(1))
	if err != nil {
		return err
	}
	number, file := x.Args().First(), x.Args().Get(2)
	if x.NArg() != 3 {
		return errors.New("name one log to watch, or the folder it arrives in, as in: " +
			"proveout watch " + number + " " + step.ID + " soak.csv")
	}
	named, err := c.namedMap(x, job.ShopDir())
	if err != nil {
		return err
	}
	hints, err := hintsOf(x)
	if err != nil {
		return err
	}
	f, path, err := job.Follow(step, c.path(file), named, hints)
	if err != nil {
		return err
	}
	ctx, talk, done := c.talk(x, session.Options{})
	defer done()
	talk.Say(fact.New("screen.watching", "file", path))
	over, err := talk.Watch(ctx, f, session.Watching{For: x.Duration("for"), Every: x.Duration("every")})
	if _, _, stopErr := f.Stop(); err == nil {
		err = stopErr
	}
	if err != nil {
		return err
	}
	c.printer().whole(fact.New("screen.next-import", "job", number, "step", step.ID, "file", file))
	if over {
		return errNotPassed
	}
	return nil
}
