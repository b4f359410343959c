package command

import (
	"errors"
	"fmt"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/session"
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
		Flags: []cli.Flag{shopFlag, plainFlag,
			&cli.StringFlag{Name: "map", Usage: "log map `FILE` or its name in the shop's logmaps folder; else the one that the plan names"},
			&cli.DurationFlag{Name: "for", Usage: "end after `TIME`, such as 40m; else when asked to"},
			&cli.DurationFlag{Name: "every", Usage: "without a terminal, tell the state each `TIME`", Value: 10 * time.Second}},
		Action: c.watch,
	}
}

func (c *Console) watch(x *cli.Context) error {
	k, err := c.openJob(x)
	if err != nil {
		return err
	}
	step, err := k.stepArgument(x)
	if err != nil {
		return err
	}
	if x.NArg() != 3 {
		return errors.New("name one log to watch, or the folder it arrives in, as in: proveout watch " + x.Args().First() + " " + step.ID + " soak.csv")
	}
	path, err := followable(c.path(x.Args().Get(2)))
	if err != nil {
		return err
	}
	m, err := c.stepMap(k.shopDir, k.input.Plan, step, x.String("map"))
	if err != nil {
		return err
	}
	f, err := newLogFollower(path, m, newLiveView(step, k.input.Family, time.Now))
	if err != nil {
		return err
	}
	ctx, talk, done := c.talk(x.Context, x.Bool("plain"), "")
	defer done()
	talk.Say("Watching " + path + ".")
	over, err := talk.Watch(ctx, f, session.Watching{For: x.Duration("for"), Every: x.Duration("every")})
	if _, _, stopErr := f.Stop(); err == nil {
		err = stopErr
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "Next, when it is complete: proveout import %s %s %s\n", x.Args().First(), step.ID, x.Args().Get(2))
	if over {
		return errNotPassed
	}
	return nil
}
