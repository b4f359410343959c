package command

import (
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/plans"
	"proveout/plans/document"
)

// A commandLine is a command line taken apart, flags and arguments in any order.
type commandLine struct {
	app       *cli.App
	path      []string       // the program and its commands, by their names
	command   *cli.Command   // the innermost; nil where there is none yet
	level     []*cli.Command // the commands that may follow
	flags     []givenFlag
	arguments []string
	problem   error // the first word that is no flag and no command
}

// A givenFlag is a flag as it was typed, with its value unless it is open: the
// last word of a line, which needs one.
type givenFlag struct {
	cli.Flag
	words []string
	open  bool
}

// arrange puts the flags of a command line before its arguments, wherever they
// were typed, and refuses unknown commands and flags with the nearest known
// name. The command-line library would take a flag behind the first argument
// for an argument.
func arrange(app *cli.App, args []string) ([]string, error) {
	if len(args) == 0 || len(args) > 1 && args[1] == "--generate-bash-completion" {
		return args, nil
	}
	l := takeApart(app, args[1:])
	if err := l.check(); err != nil {
		return nil, err
	}
	out := l.path
	for _, f := range l.flags {
		out = append(out, f.words...)
	}
	if len(l.arguments) > 0 {
		out = append(append(out, "--"), l.arguments...)
	}
	return out, nil
}

func takeApart(app *cli.App, words []string) *commandLine {
	l := &commandLine{app: app, path: []string{app.Name}, level: app.Commands}
	for len(words) > 0 {
		word := words[0]
		switch {
		case word == "--":
			l.arguments = append(l.arguments, words[1:]...)
			return l
		case len(word) > 1 && word[0] == '-':
			words = words[l.flag(words):]
			continue
		case len(l.arguments) > 0:
			l.arguments = append(l.arguments, word)
		default:
			l.word(word)
		}
		words = words[1:]
	}
	return l
}

// word takes a command, or the first argument.
func (l *commandLine) word(word string) {
	i := slices.IndexFunc(l.level, func(c *cli.Command) bool { return c.HasName(word) })
	switch {
	case i >= 0:
		l.command = l.level[i]
		l.level, l.path = l.command.Subcommands, append(l.path, l.command.Name)
	default:
		if len(l.level) > 0 {
			l.fail(l.unknownCommand(word))
		}
		l.arguments = append(l.arguments, word)
	}
}

// flag takes a flag with its value and returns how many words that is.
func (l *commandLine) flag(words []string) int {
	f := l.known(words[0])
	if f == nil {
		return 1
	}
	taken := 2
	if _, isBool := f.(*cli.BoolFlag); isBool || strings.Contains(words[0], "=") {
		taken = 1
	}
	open := taken > len(words)
	taken = min(taken, len(words))
	l.flags = append(l.flags, givenFlag{f, words[:taken], open})
	return taken
}

// known looks a flag up among those of the command, or among those of all
// commands where the command is not yet known.
func (l *commandLine) known(typed string) cli.Flag {
	known := []cli.Flag{cli.HelpFlag, cli.VersionFlag}
	if l.isLeaf() { // its own flags stand before those of all
		known = append(slices.Clone(l.command.Flags), known...)
	} else {
		known = append(known, allFlags(l.app.Commands)...)
	}
	name := flagName(typed)
	i := slices.IndexFunc(known, func(f cli.Flag) bool { return slices.Contains(f.Names(), name) })
	if i < 0 {
		l.fail(l.unknownFlag(known, typed))
		return nil
	}
	return known[i]
}

func (l *commandLine) isLeaf() bool { return l.command != nil && len(l.level) == 0 }

// flagName is the name of a flag as it was typed.
func flagName(typed string) string {
	name, _, _ := strings.Cut(strings.TrimLeft(typed, "-"), "=")
	return name
}

func (l *commandLine) fail(err error) {
	if l.problem == nil {
		l.problem = err
	}
}

// check finds what is wrong with a whole line: the first word that is unknown, a
// flag without its value, one that the command does not have, those that it
// needs. The library would print its whole help.
func (l *commandLine) check() error {
	for _, f := range l.flags {
		if f.open {
			l.fail(fmt.Errorf("the flag %s needs a value", f.words[0]))
		}
		if l.isLeaf() {
			l.known(f.words[0])
		}
	}
	given := func(name string) bool {
		return slices.ContainsFunc(l.flags, func(f givenFlag) bool { return flagName(f.words[0]) == name })
	}
	if l.problem != nil || l.command == nil || given("help") || given("h") {
		return l.problem
	}
	var missing []string
	for _, f := range l.command.Flags {
		if r, ok := f.(cli.RequiredFlag); ok && r.IsRequired() && !slices.ContainsFunc(f.Names(), given) {
			missing = append(missing, "--"+f.Names()[0])
		}
	}
	if len(missing) > 0 {
		return fmt.Errorf("%s needs %s; see --help", strings.Join(l.path[1:], " "), strings.Join(missing, " and "))
	}
	return nil
}

func allFlags(commands []*cli.Command) []cli.Flag {
	var out []cli.Flag
	for _, c := range commands {
		out = append(append(out, c.Flags...), allFlags(c.Subcommands)...)
	}
	return out
}

func (l *commandLine) unknownCommand(word string) error {
	var names []string
	for _, c := range l.level {
		if !c.Hidden {
			names = append(names, c.Name)
		}
	}
	path := strings.Join(l.path, " ") + " "
	if near := document.Nearest(word, names); near != "" {
		return fmt.Errorf("there is no command %q; did you mean %q?", path+word, path+near)
	}
	return fmt.Errorf("there is no command %q; known here: %s", path+word, strings.Join(names, ", "))
}

func (l *commandLine) unknownFlag(known []cli.Flag, typed string) error {
	names := plans.NamesOf(known, func(f cli.Flag) string { return f.Names()[0] })
	where := ""
	if len(l.path) > 1 {
		where = " of " + strings.Join(l.path[1:], " ")
	}
	if near := document.Nearest(flagName(typed), names); near != "" {
		return fmt.Errorf("%s is not a flag%s; did you mean --%s?", typed, where, near)
	}
	return fmt.Errorf("%s is not a flag%s; see --help", typed, where)
}
