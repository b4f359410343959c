package command

import (
	"fmt"
	"strings"
	"time"

	"github.com/urfave/cli/v2"
)

func (c *Console) statusCommand() *cli.Command {
	return &cli.Command{
		Name:        "status",
		Usage:       "all open jobs, and what each waits for",
		Description: "A job is open until every required step has passed. Times are local.",
		Flags:       []cli.Flag{shopFlag, jsonFlag, &cli.BoolFlag{Name: "all", Usage: "accepted jobs too"}},
		Action:      c.status,
	}
}

func (c *Console) status(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	all, err := c.jobLines(x)
	if err != nil {
		return err
	}
	open := []jobLine{}
	for _, l := range all {
		if !l.Accepted || x.Bool("all") {
			open = append(open, l)
		}
	}
	if x.Bool("json") {
		return c.answer(map[string]any{"jobs": open, "accepted": len(all) - countOpen(all)})
	}
	for _, l := range open {
		head := l.Job + "  " + l.Card
		if l.Serial != "" {
			head += ", serial " + l.Serial
		}
		fold(c.Out, "", head)
		if l.Trouble != "" {
			fold(c.Out, "    ", "cannot be read: "+l.Trouble)
			continue
		}
		fold(c.Out, "    ", "opened "+localTime(l.Opened)+", plan "+l.Plan)
		fold(c.Out, "    ", standingOf(l))
	}
	switch {
	case len(all) == 0:
		fmt.Fprintln(c.Out, "No jobs yet. proveout run asks what has come in and opens one.")
	case len(open) == 0:
		fmt.Fprintf(c.Out, "No open job; %d accepted. proveout status --all shows them.\n", len(all))
	default:
		fmt.Fprintf(c.Out, "Go on with one: proveout run %s\n", open[0].Job)
	}
	return nil
}

func countOpen(lines []jobLine) int {
	n := 0
	for _, l := range lines {
		if !l.Accepted {
			n++
		}
	}
	return n
}

func standingOf(l jobLine) string {
	if l.Accepted {
		return "accepted"
	}
	text := strings.ReplaceAll(l.Verdict.String(), "not run", "not finished")
	if l.WaitsFor != "" {
		text += "; waits for " + l.WaitsFor
	}
	return text
}

// localTime is a time as people read it: local, with its offset.
func localTime(t time.Time) string { return t.Local().Format("2006-01-02 15:04 -07:00") }
