package command

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/register"
)

func (c *Console) revokeCommand() *cli.Command {
	return &cli.Command{
		Name:      "revoke",
		Usage:     "take an issued certificate back; its number stays used",
		ArgsUsage: "NUMBER",
		Flags:     []cli.Flag{shopFlag, jsonFlag, &cli.StringFlag{Name: "because", Usage: "`WHY` it is taken back", Required: true}},
		Action:    c.revoke,
	}
}

func (c *Console) documentsCommand() *cli.Command {
	return &cli.Command{
		Name:   "documents",
		Usage:  "list the issued certificates, with those replaced or taken back",
		Flags:  []cli.Flag{shopFlag, jsonFlag, &cli.BoolFlag{Name: "withdrawn", Usage: "only those replaced or taken back"}},
		Action: c.documents,
	}
}

func (c *Console) revoke(x *cli.Context) error {
	if x.NArg() != 1 {
		return errors.New("name the number, as in: proveout revoke PO-2026-0001 --because \"photos of another card\"")
	}
	dir, _, err := c.shop(x)
	if err != nil {
		return err
	}
	number := x.Args().First()
	d, err := register.Lookup(dir, number)
	if err != nil {
		return noNumber(err)
	}
	if d.Revoked != "" {
		return fmt.Errorf("%s was taken back already, on %s: %s", number, d.RevokedAt.Format(time.DateOnly), d.Revoked)
	}
	because := firstOf(x.String("because"))
	if because == "" {
		return errors.New("say why with --because")
	}
	err = register.Note(dir, number, func(d *register.Document) { d.Revoked, d.RevokedAt = because, c.Now() })
	if err != nil {
		return err
	}
	if x.Bool("json") {
		d, err := register.Lookup(dir, number)
		if err != nil {
			return err
		}
		return c.answer(d)
	}
	fmt.Fprintf(c.Out, "%s is taken back. Copies that are out there still carry a sound signature: tell who has one, and publish the list of proveout documents --withdrawn.\n", number)
	return nil
}

func noNumber(err error) error {
	if errors.Is(err, register.ErrNoNumber) {
		return fmt.Errorf("%w; proveout documents lists them", err)
	}
	return err
}

func (c *Console) documents(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	dir, _, err := c.shop(x)
	if err != nil {
		return err
	}
	all, err := register.Documents(dir)
	if err != nil {
		return err
	}
	type line struct {
		register.Document
		Missing bool `json:"missing,omitempty"` // its file is not in the shop folder
	}
	docs := []line{}
	for _, d := range all {
		if !x.Bool("withdrawn") || withdrawn(d) != "" {
			docs = append(docs, line{d, !onDisk(dir, d)})
		}
	}
	if x.Bool("json") {
		return c.answer(map[string]any{"documents": docs})
	}
	if len(docs) == 0 {
		fmt.Fprintln(c.Out, "None.")
		return nil
	}
	t := tabwriter.NewWriter(c.Out, 0, 0, 2, ' ', 0)
	for _, d := range docs {
		state := firstOf(withdrawn(d.Document), replaces(d.Document), "in force")
		if d.Missing {
			state += "; its file is not in the shop folder, so it may never have been written"
		}
		fmt.Fprintf(t, "%s\t%s\tjob %s\t%s\n", d.Number, d.At.Format(time.DateOnly), d.Job, state)
	}
	return t.Flush()
}

// onDisk tells whether a document's file is where it was written to.
func onDisk(shopDir string, d register.Document) bool {
	_, err := os.Stat(filepath.Join(shopDir, "jobs", d.Job, "issued", plainFile(d.Number)+".pdf"))
	return err == nil
}

func replaces(d register.Document) string {
	if d.Replaces == "" {
		return ""
	}
	return fmt.Sprintf("in force, replaces %s: %s", d.Replaces, d.Because)
}

// withdrawn says how a document was withdrawn; nothing when it is in force.
func withdrawn(d register.Document) string {
	switch {
	case d.Revoked != "":
		return fmt.Sprintf("taken back on %s: %s", d.RevokedAt.Format(time.DateOnly), d.Revoked)
	case d.ReplacedBy != "":
		return "replaced by " + d.ReplacedBy
	}
	return ""
}

// checkReplaces makes sure that the certificate to be replaced is there, is of
// this job, and is still in force.
func (c *Console) checkReplaces(x *cli.Context, k *openCase) error {
	number, because := x.String("replaces"), x.String("because")
	switch {
	case number == "" && because == "":
		return nil
	case number == "":
		return errors.New("--because goes with --replaces NUMBER")
	case because == "":
		return errors.New("say with --because why the certificate is replaced")
	}
	d, err := register.Lookup(k.shopDir, number)
	if err != nil {
		return noNumber(err)
	}
	if d.Job != k.input.Job.Number {
		return fmt.Errorf("%s is of job %s, not of %s", number, d.Job, k.input.Job.Number)
	}
	if d.ReplacedBy != "" {
		return fmt.Errorf("%s was replaced already, by %s; replace that one", number, d.ReplacedBy)
	}
	return nil
}

// superseded notes with the replaced certificate which one takes its place.
func (c *Console) superseded(x *cli.Context, k *openCase, number string) error {
	if old := x.String("replaces"); old != "" {
		return register.Note(k.shopDir, old, func(d *register.Document) { d.ReplacedBy = number })
	}
	return nil
}
