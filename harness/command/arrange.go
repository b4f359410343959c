package command

import (
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/plans/document"
)

// arrange puts the flags of a command line before its arguments, wherever they
// were typed, and refuses unknown commands and flags with the nearest known
// name. The command-line library would take a flag behind the first argument
// for an argument.
func arrange(app *cli.App, args []string) ([]string, error) {
	if len(args) == 0 {
		return args, nil
	}
	level, path := app.Commands, []string{app.Name}
	var command *cli.Command
	var flags, rest []string
	appFlags := []cli.Flag{cli.HelpFlag, cli.VersionFlag}
	i := 1
	for ; i < len(args); i++ {
		word := args[i]
		if word == "--" {
			rest = append(rest, args[i+1:]...)
			break
		}
		if len(word) > 1 && word[0] == '-' {
			if len(flags) == 0 && command == nil && (word == "--generate-bash-completion") {
				return args, nil
			}
			taken, err := takeFlag(app, command, appFlags, path, args[i:])
			if err != nil {
				return nil, err
			}
			flags = append(flags, args[i:i+taken]...)
			i += taken - 1
			continue
		}
		if next := find(level, word); next != nil && len(rest) == 0 {
			command, level = next, next.Subcommands
			path = append(path, next.Name)
			continue
		}
		if len(level) > 0 && len(rest) == 0 {
			return nil, unknownCommand(path, level, word)
		}
		rest = append(rest, word)
	}
	if command == nil {
		return append(path, flags...), nil
	}
	if err := settleFlags(app, command, appFlags, path, flags); err != nil {
		return nil, err
	}
	if err := missingFlags(command, path, flags); err != nil {
		return nil, err
	}
	out := append(path, flags...)
	if len(rest) > 0 {
		out = append(append(out, "--"), rest...)
	}
	return out, nil
}

// takeFlag returns how many words the flag at the head of words takes. A flag
// before its command is looked up among all commands.
func takeFlag(app *cli.App, command *cli.Command, appFlags []cli.Flag, path, words []string) (int, error) {
	name, _, inline := strings.Cut(strings.TrimLeft(words[0], "-"), "=")
	var known []cli.Flag // a command's own flags stand before those of all
	if command != nil && len(command.Subcommands) == 0 {
		known = append(known, command.Flags...)
	} else {
		known = append(known, allFlags(app.Commands)...)
	}
	if command != nil && len(command.Subcommands) == 0 {
		known = append(known, appFlags...)
	} else {
		known = append(slices.Clone(appFlags), known...)
	}
	for _, f := range known {
		for _, n := range f.Names() {
			if n != name {
				continue
			}
			if _, isBool := f.(*cli.BoolFlag); isBool || inline {
				return 1, nil
			}
			if len(words) < 2 {
				return 0, fmt.Errorf("the flag %s needs a value", words[0])
			}
			return 2, nil
		}
	}
	return 0, unknownFlag(path, known, words[0], name)
}

// settleFlags checks the flags typed before the command was known.
func settleFlags(app *cli.App, command *cli.Command, appFlags []cli.Flag, path, flags []string) error {
	for i := 0; i < len(flags); {
		if len(command.Subcommands) > 0 {
			return nil
		}
		n, err := takeFlag(app, command, appFlags, path, flags[i:])
		if err != nil {
			return err
		}
		i += n
	}
	return nil
}

// missingFlags names the flags that a command cannot do without, in one
// sentence; the library would print its whole help.
func missingFlags(command *cli.Command, path, flags []string) error {
	given := map[string]bool{}
	for _, word := range flags {
		if strings.HasPrefix(word, "-") {
			name, _, _ := strings.Cut(strings.TrimLeft(word, "-"), "=")
			given[name] = true
		}
	}
	if given["help"] || given["h"] {
		return nil
	}
	var missing []string
	for _, f := range command.Flags {
		r, ok := f.(cli.RequiredFlag)
		if ok && r.IsRequired() && !slices.ContainsFunc(f.Names(), func(n string) bool { return given[n] }) {
			missing = append(missing, "--"+f.Names()[0])
		}
	}
	if len(missing) == 0 {
		return nil
	}
	return fmt.Errorf("%s needs %s; see --help", strings.Join(path[1:], " "), strings.Join(missing, " and "))
}

func allFlags(commands []*cli.Command) []cli.Flag {
	var out []cli.Flag
	for _, c := range commands {
		out = append(out, c.Flags...)
		out = append(out, allFlags(c.Subcommands)...)
	}
	return out
}

func find(commands []*cli.Command, name string) *cli.Command {
	for _, c := range commands {
		if c.HasName(name) {
			return c
		}
	}
	return nil
}

func unknownCommand(path []string, level []*cli.Command, word string) error {
	var names []string
	for _, c := range level {
		if !c.Hidden {
			names = append(names, c.Name)
		}
	}
	what := strings.Join(append(path, word), " ")
	if near := document.Nearest(word, names); near != "" {
		return fmt.Errorf("there is no command %q; did you mean %q?", what, strings.Join(append(path, near), " "))
	}
	return fmt.Errorf("there is no command %q; known here: %s", what, strings.Join(names, ", "))
}

func unknownFlag(path []string, known []cli.Flag, typed, name string) error {
	var names []string
	for _, f := range known {
		names = append(names, f.Names()[0])
	}
	where := ""
	if len(path) > 1 {
		where = " of " + strings.Join(path[1:], " ")
	}
	if near := document.Nearest(name, names); near != "" {
		return fmt.Errorf("%s is not a flag%s; did you mean --%s?", typed, where, near)
	}
	return fmt.Errorf("%s is not a flag%s; see --help", typed, where)
}
