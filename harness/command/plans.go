package command

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/document"
	"proveout/report/words"
)

// planLibrary makes the commands for plans or for families, which are alike.
func (c *Console) planLibrary(kind plans.FileKind, name, what string) *cli.Command {
	l := &library{c, kind, name}
	command := &cli.Command{
		Name:  name,
		Usage: "list, show, check and copy " + what,
		Subcommands: []*cli.Command{
			{
				Name: "list", Usage: "list the shop's own and the built-in " + what,
				Flags: []cli.Flag{shopFlag, jsonFlag}, Action: l.list,
			},
			{
				Name: "show", Usage: "show one", ArgsUsage: "ID",
				Flags: []cli.Flag{shopFlag, jsonFlag, variantFlag, sourceFlag}, Action: l.show,
			},
			{
				Name: "check", Usage: "find every problem of files", ArgsUsage: "FILE…",
				Flags: []cli.Flag{jsonFlag}, Action: l.check,
			},
			{
				Name: "copy", Usage: "copy a built-in one into the shop, to change it", ArgsUsage: "ID",
				Flags: []cli.Flag{shopFlag, toFlag}, Action: l.copy,
			},
		},
	}
	if kind == plans.PlanKind {
		command.Subcommands = append(command.Subcommands, c.proveCommand(), &cli.Command{
			Name: "keys", Usage: "print what may stand in plans, families, shops and log maps", ArgsUsage: "[WHICH]",
			Flags: []cli.Flag{jsonFlag}, Action: c.keys,
			Description: "WHICH is a kind of file or of step: " + strings.Join(referenceNames(), ", ") + ";\n" +
				"everything without it.",
		})
	}
	return command
}

// referenceFiles are the kinds of file whose keys can be printed.
var referenceFiles = []string{string(plans.PlanKind), string(plans.FamilyKind), string(plans.ShopKind), logMapKind}

const logMapKind = "logmap"

// referenceNames are what the keys can be printed of.
func referenceNames() []string {
	kinds := plans.NamesOf(plans.Kinds(), func(d plans.Declaration) string { return string(d.Kind) })
	return append(slices.Clone(referenceFiles), kinds...)
}

// keys prints the reference text of the keys of files.
func (c *Console) keys(x *cli.Context) error {
	which := x.Args().Slice()
	if len(which) == 0 {
		which = referenceFiles
	}
	var tables []plans.KeyTable
	for _, name := range which {
		found := plans.Reference(name, words.Languages())
		if name == logMapKind {
			found = logs.MapKeys()
		}
		if found == nil {
			return fmt.Errorf("%q is neither a kind of file nor of step; %s",
				name, document.DidYouMean(name, referenceNames()))
		}
		tables = append(tables, found...)
	}
	return c.give(x, map[string]any{"tables": tables}, true, func(p *printer) {
		for i, t := range tables {
			if i > 0 {
				p.gap()
			}
			fmt.Fprint(p, t.Text())
		}
	})
}

var (
	variantFlag = textFlag("variant", "`NAME` of the variant of a family")
	sourceFlag  = boolFlag("source", "print the file itself")
	toFlag      = textFlag("to", "`FILE` to write; else the shop's folder")
)

type library struct {
	*Console
	kind plans.FileKind
	name string
}

// shopIfAny returns the shop folder, or "" when there is none and none was named.
func (c *Console) shopIfAny(x *cli.Context) (string, error) {
	dir, err := c.shopDir(x)
	if err != nil && (x.String("shop") != "" || c.Getenv("PROVEOUT_SHOP") != "") {
		return "", err
	}
	return dir, nil
}

// familyFile finds a family by its id, in the shop if there is one or in the
// library, or reads the file that is named.
func (c *Console) familyFile(x *cli.Context, id string) (*plans.FamilyFile, error) {
	if strings.HasSuffix(id, ".toml") {
		data, err := workflow.ReadTyped(c.path(id))
		if err != nil {
			return nil, err
		}
		file, problems := plans.ParseFamily(c.path(id), data)
		return file, plans.AsError(problems)
	}
	shop, err := c.shopIfAny(x)
	if err != nil {
		return nil, err
	}
	return plans.FindFamily(shop, id)
}

// familyFor returns the family of --family and --variant.
func (c *Console) familyFor(x *cli.Context) (*plans.Family, error) {
	return c.familyVariant(x, x.String("variant"))
}

func (c *Console) familyVariant(x *cli.Context, variant string) (*plans.Family, error) {
	file, err := c.familyFile(x, x.String("family"))
	if err != nil {
		return nil, err
	}
	return file.Variant(variant)
}

func (l *library) list(x *cli.Context) error {
	shop, err := l.shopIfAny(x)
	if err != nil {
		return err
	}
	entries, err := workflow.Library(shop, l.kind)
	if err != nil {
		return err
	}
	return l.give(x, map[string]any{l.name: entries}, true, func(p *printer) {
		var rows [][]string
		for _, e := range entries {
			where := "this shop"
			if e.BuiltIn {
				where = "built in"
			}
			rows = append(rows, []string{e.ID, e.Title, cmp.Or(e.Trouble, where)})
		}
		p.table(rows...)
	})
}

func (l *library) one(x *cli.Context) (string, error) {
	if x.NArg() != 1 {
		return "", fmt.Errorf("name one; proveout %s list shows them", l.name)
	}
	return x.Args().First(), nil
}

func (l *library) show(x *cli.Context) error {
	id, err := l.one(x)
	if err != nil {
		return err
	}
	shop, err := l.shopIfAny(x)
	if err != nil {
		return err
	}
	_, text, err := plans.Find(shop, l.kind, id)
	if err != nil {
		return err
	}
	if x.Bool("source") {
		_, err := l.Out.Write(text)
		return err
	}
	summary, err := workflow.Summarise(shop, l.kind, id, x.String("variant"))
	if err != nil {
		return err
	}
	return l.give(x, summary, true, func(p *printer) { p.line(strings.TrimRight(summary.Text(p.width), "\n")) })
}

func (l *library) check(x *cli.Context) error {
	if x.NArg() == 0 {
		return errors.New("name the files to check")
	}
	shop, err := l.shopIfAny(x)
	if err != nil {
		return err
	}
	all := []plans.Problem{}
	for _, name := range x.Args().Slice() {
		problems, err := workflow.Check(shop, l.kind, l.path(name))
		if err != nil {
			return err
		}
		all = append(all, problems...)
		if len(problems) == 0 {
			l.say(x, "%s: in order", name)
		}
	}
	if x.Bool("json") {
		if err := l.answer(map[string]any{"problems": all}); err != nil {
			return err
		}
	}
	return plans.AsError(all)
}

func (l *library) copy(x *cli.Context) error {
	id, err := l.one(x)
	if err != nil {
		return err
	}
	_, text, err := plans.Find("", l.kind, id)
	if err != nil {
		return err
	}
	to := l.path(x.String("to"))
	if to == "" {
		if to, err = l.inShop(x, l.name, l.kind.FileName(id)); err != nil {
			return err
		}
	}
	if err := writeNew(to, text); err != nil {
		return err
	}
	fmt.Fprintf(l.Out, "Wrote %s; change it there. It now takes the place of the built-in one in this shop.\n", to)
	return nil
}
