// Package command is the command line: it parses, calls the other rooms and
// prints. It computes nothing and decides no verdict.
package command

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/signal"
	"runtime/debug"
	"strconv"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/report/words"
)

// Exit codes.
const (
	ExitPassed    = 0 // everything passed
	ExitNotPassed = 1 // something failed or is undecided
	ExitNotDone   = 2 // the work could not be done
)

// Version is the version that documents name.
const Version = reading.Version

// errNotPassed ends a command that did its work and found something failed or
// undecided. Nothing more is printed.
var errNotPassed = errors.New("failed or undecided")

// A Console is where a command reads and writes, and what time it has.
type Console struct {
	In       io.Reader
	Out      io.Writer // results
	Diag     io.Writer // problems, and people's text beside --json
	Getenv   func(string) string
	Now      func() time.Time
	Dir      string // working folder; empty for that of the process
	Terminal bool   // In and Out are a terminal
	Demo     fs.FS  // the files of the demo, below testdata/demo

	spoken *words.Plain // of the screen's language; nil: English

	talking *atomic.Bool // a session asks before it leaves: the first interrupt is not the end; may be nil
}

// Main runs the command line of this process and returns its exit code. demo
// holds the files of the demo.
func Main(demo fs.FS) int {
	c := &Console{
		In: os.Stdin, Out: os.Stdout, Diag: os.Stderr, Getenv: os.Getenv,
		Terminal: isTerminal(os.Stdin) && isTerminal(os.Stdout),
		Demo:     demo,
		talking:  new(atomic.Bool),
	}
	c.Now = c.clock
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	go c.endWhenStopped(ctx, stop)
	return c.Run(ctx, os.Args)
}

// endWhenStopped ends the program when it was interrupted and a long
// computation does not look up. Every file is written whole or not at all, so
// nothing is lost.
func (c *Console) endWhenStopped(ctx context.Context, stop func()) {
	<-ctx.Done()
	stop() // a second interrupt ends the program at once
	time.Sleep(2 * time.Second)
	if c.talking.Load() {
		return
	}
	fmt.Fprintln(os.Stderr, stopped)
	os.Exit(ExitNotDone)
}

const stopped = "proveout: stopped; what was confirmed is kept."

// clock is the time of day, or the fixed time of SOURCE_DATE_EPOCH, the
// convention of reproducible builds, so that documents can be made again byte
// for byte.
func (c *Console) clock() time.Time {
	if s := c.Getenv("SOURCE_DATE_EPOCH"); s != "" {
		if sec, err := strconv.ParseInt(s, 10, 64); err == nil {
			return time.Unix(sec, 0).UTC()
		}
	}
	return time.Now()
}

// Run carries out one command line and returns the exit code. A failure inside
// the program is told as one sentence, never as a stack.
func (c *Console) Run(ctx context.Context, args []string) (code int) {
	defer func() {
		if r := recover(); r != nil {
			if c.Getenv("PROVEOUT_DEBUG") != "" {
				c.Diag.Write(debug.Stack())
			}
			fmt.Fprintf(c.Diag, "proveout: something went wrong inside the program (%v); nothing was issued. "+
				"Please report it with the command you typed.\n", r)
			code = ExitNotDone
		}
	}()
	c.spoken = nil
	app := c.app()
	arranged, err := arrange(app, args)
	if err == nil {
		err = app.RunContext(ctx, arranged)
	}
	switch {
	case err == nil:
		return ExitPassed
	case errors.Is(err, errNotPassed):
		return ExitNotPassed
	case errors.Is(err, context.Canceled):
		fmt.Fprintln(c.Diag, stopped)
		return ExitNotDone
	}
	fmt.Fprintln(c.Diag, c.told(err))
	return ExitNotDone
}

// told puts the program's name before an error, unless the error begins with
// the place in a file.
func (c *Console) told(err error) string {
	if _, ok := plans.ProblemsOf(err); ok {
		return err.Error()
	}
	return "proveout: " + c.errorText(err)
}

// errorText never lets a bare end-of-file through, nor a fact without its words.
func (c *Console) errorText(err error) string {
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return "the input ended too early"
	}
	return c.words().Explain(err)
}

func (c *Console) app() *cli.App {
	commands := c.commands()
	checkFirst(commands)
	cli.VersionPrinter = func(*cli.Context) { fmt.Fprintln(c.Out, "proveout "+Version) }
	return &cli.App{
		Name:  "proveout",
		Usage: "prove that a repaired graphics card works, and certify it",
		Description: "Exit codes: 0 everything passed, 1 something failed or is undecided,\n" +
			"2 the work could not be done.",
		Version:         Version,
		HideHelpCommand: true,
		// An address and a file name may hold a comma.
		DisableSliceFlagSeparator: true,
		Reader:                    c.In,
		Writer:                    c.Out,
		ErrWriter:                 c.Diag,
		ExitErrHandler:            func(*cli.Context, error) {},
		OnUsageError:              func(_ *cli.Context, err error, _ bool) error { return err },
		Commands:                  commands,
	}
}

// checkFirst lets every command look at its line before it begins.
func checkFirst(commands []*cli.Command) {
	for _, command := range commands {
		if checkFirst(command.Subcommands); len(command.Subcommands) == 0 {
			command.Before = beforeCommand
		}
	}
}

func (c *Console) commands() []*cli.Command {
	return []*cli.Command{
		c.demoCommand(),
		c.initCommand(),
		c.planLibrary(plans.PlanKind, "plans", "acceptance plans"),
		c.planLibrary(plans.FamilyKind, "families", "board families"),
		c.jobCommands(),
		c.runCommand(),
		c.watchCommand(),
		c.statusCommand(),
		c.probeCommand(),
		c.logmapCommands(),
		c.completionCommand(),
		c.manCommand(),
		c.wordsCommand(),
		c.recordCommand(),
		c.importCommand(),
		c.scoreCommand(),
		c.certifyCommand(),
		c.reportCommand(),
		c.verifyCommand(),
		c.listingCommand(),
		c.revokeCommand(),
		c.documentsCommand(),
		c.keyCommands(),
		c.referenceCommands(),
		c.calcCommands(),
		c.pictureCommands(),
	}
}

var (
	jsonFlag = boolFlag("json", "print one JSON object on standard output")
	shopFlag = textFlag("shop", "shop folder `DIR`; else PROVEOUT_SHOP, else the nearest folder upward with a shop.toml")
)

// answer prints one JSON object on standard output, with words where it has
// facts.
func (c *Console) answer(v any) error {
	text, err := c.words().Spoken(v)
	if err != nil {
		return err
	}
	enc := json.NewEncoder(c.Out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(json.RawMessage(text))
}

// words are those of the screen's language.
func (c *Console) words() *words.Plain {
	if c.spoken != nil {
		return c.spoken
	}
	english, err := words.In("en")
	if err != nil {
		panic(err) // the catalogue is part of the program
	}
	return english.Plain()
}

// say prints a line for people: on standard output, or beside it when standard
// output carries JSON.
func (c *Console) say(x *cli.Context, format string, args ...any) {
	c.beside(x).line(fmt.Sprintf(format, args...))
}
