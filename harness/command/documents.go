package command

import (
	"errors"
	"fmt"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
)

func (c *Console) revokeCommand() *cli.Command {
	return &cli.Command{
		Name:      "revoke",
		Usage:     "take an issued certificate back; its number stays used",
		ArgsUsage: "NUMBER",
		Flags: []cli.Flag{shopFlag, jsonFlag,
			neededFlag("because", "`WHY` it is taken back")},
		Action: c.onShop(c.revoke),
	}
}

func (c *Console) documentsCommand() *cli.Command {
	return &cli.Command{
		Name:  "documents",
		Usage: "list the issued certificates, with those replaced or taken back",
		Flags: []cli.Flag{shopFlag, jsonFlag,
			boolFlag("withdrawn", "only those replaced or taken back")},
		Action: c.onShop(c.documents),
	}
}

func (c *Console) revoke(x *cli.Context, shop *workflow.Shop) error {
	if x.NArg() != 1 {
		return errors.New("name the number, as in: proveout revoke PO-2026-0001 --because \"photos of another card\"")
	}
	d, err := shop.Revoke(x.Args().First(), x.String("because"))
	if err != nil {
		return err
	}
	return c.give(x, d, true, func(p *printer) {
		p.line(d.Number + " is taken back. Copies that are out there still carry a sound signature: " +
			"tell who has one, and publish the list of proveout documents --withdrawn.")
	})
}

func (c *Console) documents(x *cli.Context, shop *workflow.Shop) error {
	all, err := shop.Documents()
	if err != nil {
		return err
	}
	docs := []workflow.Document{}
	for _, d := range all {
		if !x.Bool("withdrawn") || d.Withdrawn() {
			docs = append(docs, d)
		}
	}
	return c.give(x, map[string]any{"documents": docs}, true, func(p *printer) {
		if len(docs) == 0 {
			p.line("None.")
		}
		var rows [][]string
		for _, d := range docs {
			state := stateOf(&d)
			if d.Missing {
				state += "; its file is not in the shop folder, so it may never have been written"
			}
			rows = append(rows, []string{d.Number, d.At.Format(time.DateOnly), "job " + d.Job, state})
		}
		p.table(rows...)
	})
}

// stateOf says whether a document is in force.
func stateOf(d *workflow.Document) string {
	switch {
	case d.Revoked != "":
		return fmt.Sprintf("taken back on %s: %s", d.RevokedAt.Format(time.DateOnly), d.Revoked)
	case d.ReplacedBy != "":
		return "replaced by " + d.ReplacedBy
	case d.Replaces != "":
		return fmt.Sprintf("in force, replaces %s: %s", d.Replaces, d.Because)
	}
	return "in force"
}
