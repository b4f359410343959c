package command

import (
	"context"
	"errors"
	"os"
	"os/signal"
	"syscall"

	"github.com/urfave/cli/v2"

	"proveout/harness/session"
	"proveout/harness/workflow"
	"proveout/plans/fact"
)

var plainFlag = boolFlag("plain", "plain lines for a screen reader: no colour, nothing redrawn")

func (c *Console) runCommand() *cli.Command {
	return &cli.Command{
		Name:      "run",
		Usage:     "lead through the plan of a job at the bench",
		ArgsUsage: "[JOB]",
		Description: "Goes on where the job stands. Without a job it asks what has come in, opens a\n" +
			"job and goes on. Every answer is on the disk before the next question; Ctrl-C\n" +
			"twice leaves at once. From a pipe, answers are read line by line.",
		Flags: append([]cli.Flag{shopFlag, byFlag, plainFlag, screenLanguageFlag,
			textFlag("watch", "folder `DIR` where logs and captures arrive; /newest takes the newest file"),
			textFlag("map", "log map `FILE` or its name in the shop's logmaps folder, "+
				"for logs and command output; else those that the plan names"),
			boolFlag("here", "the card sits in this computer: offer to read it and its sensors"), rootFlag}, hintFlags...),
		Action: c.runJob,
	}
}

func (c *Console) runJob(x *cli.Context) error {
	shop, err := c.bench(x)
	if err != nil {
		return err
	}
	by, err := technician(x, shop)
	if err != nil {
		return err
	}
	o := session.Options{Watch: c.path(x.String("watch"))}
	if o.Map, err = c.namedMap(x, shop.Dir); err != nil {
		return err
	}
	if o.Hints, err = hintsOf(x); err != nil {
		return err
	}
	if x.Bool("here") {
		o.Machine.Root = c.path(x.String("root"))
	}
	ctx, talk, done := c.talk(x, o)
	defer done()
	var job *workflow.Job
	if number := x.Args().First(); number != "" {
		job, err = shop.Job(number)
	} else {
		job, err = talk.Receive(ctx, shop)
		err = left(err, fact.New("session.nothing-opened"))
	}
	if err != nil {
		return err
	}
	if by != "" {
		job.By = by
	}
	if o.Map == nil { // a map that cannot be read is told before anything is asked
		if _, err := workflow.PlanMaps(shop.Dir, job.Plan); err != nil {
			return err
		}
	}
	return c.lead(ctx, talk, job)
}

// lead leads through the plan of a job.
func (c *Console) lead(ctx context.Context, talk *session.Talk, job *workflow.Job) (err error) {
	if err := job.Take(); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, job.Close()) }()
	j := job.Input.Job
	talk.Heading(fact.New("session.job", "job", j.Number, "card", fact.Phrase(j.Card.Title)))
	for _, w := range j.Warnings {
		talk.Say(fact.New("screen.note", "what", w))
	}
	if err := talk.Run(ctx, job); err != nil {
		return left(err, fact.New("session.all-kept", "job", j.Number))
	}
	talk.Say(workflow.NextSaid(job))
	if !job.Outcome().Accepted {
		return errNotPassed
	}
	return nil
}

// left adds to the end of a session what became of it.
func left(err error, what fact.Fact) error {
	switch {
	case errors.Is(err, session.ErrStopped):
		return fact.New("session.stopped", "what", what).Err()
	case errors.Is(err, session.ErrEnded):
		return fact.New("session.input-ended", "what", what).Err()
	}
	return err
}

// talk begins a talk on this console. The context ends on a signal to stop; the
// first Ctrl-C only asks.
func (c *Console) talk(x *cli.Context, o session.Options) (context.Context, *session.Talk, func()) {
	if c.talking != nil {
		c.talking.Store(true)
	}
	ctx, cancel := signal.NotifyContext(context.WithoutCancel(x.Context), syscall.SIGTERM, syscall.SIGHUP)
	interrupt := make(chan os.Signal, 2)
	signal.Notify(interrupt, os.Interrupt)
	o.Look, o.Interrupt, o.Words, o.Path = c.look(x.Bool("plain")), interrupt, c.words(), c.path
	if c.Getenv("SOURCE_DATE_EPOCH") != "" {
		o.Now = c.Now
	}
	return ctx, session.NewTalk(c.In, c.Out, o), func() { signal.Stop(interrupt); cancel() }
}

// look says what this console can show. NO_COLOR is the convention of
// no-color.org; TERM=dumb says that lines cannot be redrawn.
func (c *Console) look(plain bool) session.Look {
	l := session.Look{Width: c.columns()}
	if !c.Terminal {
		return l
	}
	l.Bell = true
	if f, ok := c.Out.(*os.File); ok {
		l.Resize = func() int { return terminalWidth(f) }
		if !plain && c.Getenv("TERM") != "dumb" {
			l.Redraw = escapes(f)
		}
	}
	l.Colour = l.Redraw && c.Getenv("NO_COLOR") == ""
	return l
}
