package command

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"github.com/urfave/cli/v2"
	"golang.org/x/term"

	"proveout/harness/job"
	"proveout/harness/logs"
	"proveout/harness/session"
	"proveout/scoring"
)

var plainFlag = &cli.BoolFlag{Name: "plain", Usage: "plain lines for a screen reader: no colour, nothing redrawn"}

func (c *Console) runCommand() *cli.Command {
	return &cli.Command{
		Name:      "run",
		Usage:     "lead through the plan of a job at the bench",
		ArgsUsage: "[JOB]",
		Description: "Goes on where the job stands. Without a job it asks what has come in, opens a\n" +
			"job and goes on. Every answer is on the disk before the next question; Ctrl-C\n" +
			"twice leaves at once. From a pipe, answers are read line by line.",
		Flags: []cli.Flag{shopFlag, byFlag, plainFlag,
			&cli.StringFlag{Name: "watch", Usage: "folder `DIR` where logs and captures arrive; /newest takes the newest file"},
			&cli.StringFlag{Name: "map", Usage: "log map `FILE` or its name in the shop's logmaps folder, for logs and command output; else those that the plan names"},
			&cli.BoolFlag{Name: "here", Usage: "the card sits in this computer: offer to read it and its sensors"},
			&cli.StringFlag{Name: "root", Usage: "folder `DIR` that holds the system tree", Value: "/"}},
		Action: c.runJob,
	}
}

func (c *Console) runJob(x *cli.Context) error {
	if x.NArg() > 1 {
		return errors.New("name one job, as in: proveout run 2026-0001")
	}
	shopDir, shop, err := c.shop(x)
	if err != nil {
		return err
	}
	var m logs.Map
	if name := x.String("map"); name != "" {
		if m, err = c.logMap(shopDir, name); err != nil {
			return err
		}
	}
	ctx, talk, done := c.talk(x.Context, x.Bool("plain"), x.String("watch"))
	defer done()
	number := x.Args().First()
	if number == "" {
		if number, err = c.intake(ctx, talk, shopDir, shop); err != nil {
			return left(err, "no job was opened")
		}
	}
	k, err := loadCase(shopDir, shop, number)
	if err != nil {
		return err
	}
	folder, err := job.Open(k.dir)
	if err != nil {
		return err
	}
	defer folder.Close()
	var maps map[string]logs.Map
	if x.String("map") == "" {
		if maps, err = planMaps(shopDir, k.input.Plan); err != nil {
			return err
		}
	}
	d := &desk{c: c, k: k, folder: folder, by: k.by(x), logMap: m, stepMaps: maps, now: time.Now}
	if x.Bool("here") {
		d.here = c.path(x.String("root"))
	}
	j := k.input.Job
	talk.Heading(fmt.Sprintf("Job %s · %s", j.Number, j.Card.Title))
	for _, w := range j.Warnings {
		talk.Say("Note: " + c.words().Tell(w))
	}
	if err := talk.Run(ctx, d); err != nil {
		return left(err, "everything confirmed is kept; go on with: proveout run "+j.Number)
	}
	o, err := d.score()
	if err != nil {
		return err
	}
	talk.Say(nextWords(o, j.Number))
	if !o.Accepted {
		return errNotPassed
	}
	return nil
}

// left adds to the end of a session what became of it.
func left(err error, what string) error {
	if errors.Is(err, session.ErrStopped) {
		return errors.New("stopped; " + what)
	}
	if errors.Is(err, session.ErrEnded) {
		return errors.New("the input ended; " + what)
	}
	return err
}

func nextWords(o *scoring.Outcome, number string) string {
	if o.Accepted {
		return "Next: proveout certify " + number
	}
	return fmt.Sprintf("Next: proveout run %s to go on, or proveout report %s for a report of how it stands.", number, number)
}

// talk begins a talk on this console. The context ends on a signal to stop; the
// first Ctrl-C only asks.
func (c *Console) talk(parent context.Context, plain bool, watch string) (context.Context, *session.Talk, func()) {
	if c.talking != nil {
		c.talking.Store(true)
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(parent))
	interrupt := make(chan struct{}, 2)
	signals := make(chan os.Signal, 4)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	go func() {
		for {
			select {
			case <-ctx.Done():
				return
			case s := <-signals:
				if s != os.Interrupt {
					cancel()
					return
				}
				select {
				case interrupt <- struct{}{}:
				default:
				}
			}
		}
	}()
	if watch != "" {
		watch = c.path(watch)
	}
	o := session.Options{Look: c.look(plain), Watch: watch, Interrupt: interrupt}
	if c.Getenv("SOURCE_DATE_EPOCH") != "" {
		o.Now = c.Now
	}
	return ctx, session.NewTalk(c.In, c.Out, o), func() { signal.Stop(signals); cancel() }
}

// look says what this console can show. NO_COLOR is the convention of
// no-color.org; TERM=dumb says that lines cannot be redrawn.
func (c *Console) look(plain bool) session.Look {
	l := session.Look{Width: width}
	if n, err := strconv.Atoi(c.Getenv("COLUMNS")); err == nil && n > 0 {
		l.Width = n
	}
	if !c.Terminal {
		return l
	}
	l.Bell = true
	if f, ok := c.Out.(*os.File); ok {
		l.Resize = func() int {
			w, _, err := term.GetSize(int(f.Fd()))
			if err != nil {
				return 0
			}
			return w
		}
		if !plain && c.Getenv("TERM") != "dumb" {
			l.Redraw = escapes(f)
		}
	}
	l.Colour = l.Redraw && c.Getenv("NO_COLOR") == ""
	return l
}

// followable names the file to follow: the path, or the newest file of a folder.
func followable(path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil || !info.IsDir() {
		if _, parent := os.Stat(filepath.Dir(path)); err != nil && parent != nil {
			return "", fmt.Errorf("%s: there is no such folder", filepath.Dir(path))
		}
		return path, nil // a file that is not there yet is waited for
	}
	return session.Newest(path)
}
