package command

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"

	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
	"proveout/plans/fact"
	"proveout/report/seal/check"
)

func (c *Console) verifyCommand() *cli.Command {
	return &cli.Command{
		Name:      "verify",
		Usage:     "tell whether certificates are what they claim to be",
		ArgsUsage: "FILE… | page -o FILE",
		Description: "Needs no account, no network and no shop folder. Ask the workshop for the\n" +
			"fingerprint of its key, on a way that you found yourself, and give it with --signer.\n" +
			"Inside a shop folder, the shop's own keys and those it trusts are known.\n" +
			"verify page -o FILE writes a page that does the same in a buyer's browser, in the\n" +
			"browser's language. Answers come in the shop's language, or in that of --language.\n" +
			"Exit codes: 0 good, 1 not good or not confirmed, 2 not readable.",
		Flags: []cli.Flag{shopFlag, jsonFlag,
			codeFlag("the answers' language", "; else the shop's"),
			textFlag("signer", "`FINGERPRINT` of who has to have signed: ten groups of five digits, or 64 hex digits"),
			&cli.StringFlag{Name: "out", Aliases: []string{"o"}, Usage: "with page: the `FILE` to write"},
			textFlag("evidence", "folder `DIR` with the files of the test, to be compared and used")},
		Action: c.verify,
	}
}

// verified is what verify answers for one file.
type verified struct {
	File  string `json:"file"`
	Error string `json:"error,omitempty"` // the file cannot be read
	*check.Report
}

func (c *Console) verify(x *cli.Context) error {
	if x.NArg() == 0 {
		return errors.New("name the certificates, as in: proveout verify PO-2026-0001.pdf")
	}
	if x.Args().First() == "page" {
		return c.verifyPage(x)
	}
	looks, err := c.verifier(x)
	if err != nil {
		return err
	}
	if err := c.verifyLanguage(x); err != nil {
		return err
	}
	all, unreadable, bad := []verified{}, 0, false
	for _, name := range x.Args().Slice() {
		v := verified{File: name}
		if r, err := looks.Verify(c.path(name)); err != nil {
			v.Error, unreadable = c.unreadable(c.path(name), err), unreadable+1
		} else {
			v.Report, bad = &r, bad || !r.Valid
		}
		all = append(all, v)
	}
	err = c.give(x, map[string]any{"files": all}, !bad, func(p *printer) {
		for i, v := range all {
			if i > 0 {
				p.gap()
			}
			p.verified(v)
		}
	})
	if unreadable > 0 {
		return fmt.Errorf("%d of %d files could not be read as certificates", unreadable, len(all))
	}
	return err
}

// verifyLanguage sets the language of the answers: the one that is asked for,
// else the shop's, else English.
func (c *Console) verifyLanguage(x *cli.Context) error {
	language := x.String("language")
	// A shop that cannot be read says nothing against a certificate.
	if shop, err := c.shop(x); err == nil {
		language = cmp.Or(language, shop.Language)
	}
	return c.speak(language)
}

// verifier gathers what is known of signers and files.
func (c *Console) verifier(x *cli.Context) (*workflow.Verifier, error) {
	v, err := workflow.NewVerifier(c.Now(), x.String("signer"))
	if err != nil {
		return nil, err
	}
	dir, err := c.shopDir(x)
	switch {
	case err == nil:
		err = v.InShop(dir)
	case x.String("shop") == "":
		err = nil // a buyer has no shop
	}
	if folder := x.String("evidence"); err == nil && folder != "" {
		err = v.WithFiles(c.path(folder))
	}
	return v, err
}

// unreadable says why a file cannot be read.
func (c *Console) unreadable(path string, err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "there is no file " + path
	case errors.Is(err, fs.ErrPermission):
		return path + " may not be read by this user"
	}
	return c.errorText(err)
}

// verified prints the answers for people.
func (p *printer) verified(v verified) {
	p.line(v.File)
	verdict := func(word string, text fact.Arg) {
		p.line(p.Bound(fact.New("document.pair", "name", fact.New("verify.told."+word), "text", text)))
	}
	if v.Report == nil {
		verdict("unreadable", fact.Name(v.Error))
		return
	}
	verdict(string(v.Verdict), v.Summary)
	state := map[check.State]fact.Fact{
		check.Yes: fact.New("verify.yes"), check.No: fact.New("verify.told.no"), check.Open: fact.New("verify.open"),
	}
	for _, a := range v.Answers {
		p.gap()
		p.text(2, p.Bound(a.Question)+" "+p.Bound(state[a.State]))
		p.fact(4, a.Words)
	}
	p.gap()
	p.fact(2, fact.New("verify.told.limits"))
	for _, l := range v.Limits {
		p.led("    - ", p.Bound(l))
	}
}
