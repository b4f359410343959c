package command

import (
	"cmp"
	"embed"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/report/words"
)

// completionScripts are what a shell must know: it hands the words typed so far
// to the hidden command and takes its lines; where there are none it completes
// file names.
//
//go:embed completion
var completionScripts embed.FS

// shells are those with a script.
func shells() []string { return []string{"bash", "zsh", "fish", "powershell"} }

func (c *Console) completionCommand() *cli.Command {
	return &cli.Command{
		Name:      "completion",
		Usage:     "print the completion script of a shell",
		ArgsUsage: "SHELL",
		Description: "bash:        source <(proveout completion bash)\n" +
			"zsh:         source <(proveout completion zsh)\n" +
			"fish:        proveout completion fish | source\n" +
			"powershell:  proveout completion powershell | Out-String | Invoke-Expression",
		Action: func(x *cli.Context) error {
			shell := x.Args().First()
			if x.NArg() != 1 || !slices.Contains(shells(), shell) {
				return errors.New("name the shell: bash, zsh, fish or powershell")
			}
			script, err := completionScripts.ReadFile("completion/" + shell)
			if err == nil {
				_, err = c.Out.Write(script)
			}
			return err
		},
	}
}

// wordsCommand is what the completion scripts call.
func (c *Console) wordsCommand() *cli.Command {
	return &cli.Command{
		Name: "completion-words", Hidden: true, ArgsUsage: "WORD…", Usage: "print what may follow the words typed so far",
		Action: func(x *cli.Context) error {
			for _, w := range c.complete(x.App, x.Args().Slice()) {
				fmt.Fprintln(c.Out, w)
			}
			return nil
		},
	}
}

// complete returns what may stand in the place of the last word.
func (c *Console) complete(app *cli.App, words []string) []string {
	if len(words) == 0 {
		words = []string{""}
	}
	last := strings.Trim(words[len(words)-1], `"`)
	l := takeApart(app, words[:len(words)-1])
	var out []string
	open := slices.IndexFunc(l.flags, func(f givenFlag) bool { return f.open })
	switch {
	case open >= 0:
		out = c.valuesOf(l, l.flags[open].Names()[0])
	case strings.HasPrefix(last, "-") && l.command != nil:
		for _, f := range l.command.Flags {
			for _, n := range f.Names() {
				out = append(out, strings.Repeat("-", min(len(n), 2))+n)
			}
		}
	case len(l.level) > 0 && len(l.arguments) == 0:
		for _, one := range l.level {
			if !one.Hidden {
				out = append(out, one.Name)
			}
		}
	case l.command != nil:
		// What the usage line calls the argument says what it is.
		names := strings.Fields(strings.NewReplacer("[", "", "]", "", "…", "").Replace(l.command.ArgsUsage))
		if n := len(l.arguments); n < len(names) {
			out = c.valuesOf(l, names[n])
		}
	}
	return slices.DeleteFunc(out, func(s string) bool { return !strings.HasPrefix(s, last) || s == "" })
}

// valuesOf completes the value of a flag, or an argument, by its name.
func (c *Console) valuesOf(l *commandLine, name string) []string {
	dir := c.completionShop(l)
	shop, err := workflow.OpenShop(dir, c.Now)
	if err != nil {
		shop = &workflow.Shop{Shop: &plans.Shop{}, Dir: dir}
	}
	switch name {
	case "plan":
		return libraryIDs(dir, plans.PlanKind)
	case "family":
		return libraryIDs(dir, plans.FamilyKind)
	case "ID":
		if l.path[1] == "families" {
			return libraryIDs(dir, plans.FamilyKind)
		}
		return libraryIDs(dir, plans.PlanKind)
	case "JOB":
		return shop.JobNumbers()
	case "STEP":
		if job, err := shop.Job(l.arguments[0]); err == nil {
			return plans.NamesOf(job.Plan.Steps, func(s plans.Step) string { return s.ID })
		}
	case "SHELL":
		return shells()
	case "WHICH":
		return referenceNames()
	case "language":
		return words.Languages()
	case "place":
		return plans.WordsAt(plans.FamilyKind, "thermal.sensor")
	case "work":
		return plans.WorkKinds()
	case "map":
		maps, _ := workflow.MapNames(dir)
		return maps
	case "bench":
		return plans.NamesOf(shop.Benches, func(b plans.Bench) string { return b.ID })
	case "technician", "by":
		return plans.NamesOf(shop.Technicians, func(t plans.Technician) string { return t.ID })
	case "instrument":
		var out []string
		for _, b := range shop.Benches {
			out = append(out, plans.NamesOf(b.Instruments, func(i plans.Instrument) string { return i.ID })...)
		}
		return out
	}
	return nil
}

func libraryIDs(shop string, kind plans.FileKind) []string {
	entries, _ := plans.List(shop, kind)
	return plans.NamesOf(entries, func(e plans.Entry) string { return e.ID })
}

// completionShop is the folder of the shop that a command line would take.
func (c *Console) completionShop(l *commandLine) string {
	named := c.Getenv("PROVEOUT_SHOP")
	for _, f := range l.flags {
		if flagName(f.words[0]) == "shop" && !f.open {
			_, inline, _ := strings.Cut(f.words[0], "=")
			named = cmp.Or(inline, f.words[len(f.words)-1])
		}
	}
	if named != "" {
		return c.path(named)
	}
	dir, _ := workflow.FindShop(c.path("."))
	return dir
}

func (c *Console) manCommand() *cli.Command {
	return &cli.Command{
		Name:        "man",
		Usage:       "print the man page",
		Description: "proveout man | man -l -",
		Action: func(x *cli.Context) error {
			page, err := x.App.ToManWithSection(1)
			if err == nil {
				_, err = io.WriteString(c.Out, page)
			}
			return err
		},
	}
}
