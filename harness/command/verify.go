package command

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"

	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
	"proveout/plans/document"
	"proveout/report/seal/check"
	"proveout/report/words"
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
			&cli.StringFlag{
				Name:  "signer",
				Usage: "`FINGERPRINT` of who has to have signed: ten groups of five digits, or 64 hex digits",
			},
			&cli.StringFlag{Name: "out", Aliases: []string{"o"}, Usage: "with page: the `FILE` to write"},
			&cli.StringFlag{Name: "evidence", Usage: "folder `DIR` with the files of the test, to be compared and used"}},
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
	w, err := c.verifyLanguage(x)
	if err != nil {
		return err
	}
	all, unreadable, bad := []verified{}, 0, false
	for _, name := range x.Args().Slice() {
		v := verified{File: name}
		if r, err := looks.Verify(c.path(name)); err != nil {
			v.Error, unreadable = plainReadError(c.path(name), err), unreadable+1
		} else {
			v.Report, bad = &r, bad || !r.Valid
		}
		all = append(all, v)
	}
	if x.Bool("json") {
		answers, err := w.Plain().Spoken(map[string]any{"files": all})
		if err != nil {
			return err
		}
		if err := c.answer(json.RawMessage(answers)); err != nil {
			return err
		}
	} else {
		for i, v := range all {
			if i > 0 {
				fmt.Fprintln(c.Out)
			}
			c.tell(v, w)
		}
	}
	switch {
	case unreadable > 0:
		return fmt.Errorf("%d of %d files could not be read as certificates", unreadable, len(all))
	case bad:
		return errNotPassed
	}
	return nil
}

// verifyLanguage is the language of the answers: the one that is asked for, else
// the shop's, else English.
func (c *Console) verifyLanguage(x *cli.Context) (*words.Catalogue, error) {
	language := x.String("language")
	if language == "" {
		if dir, err := c.shopDir(x); err == nil {
			if shop, err := workflow.OpenShop(dir, c.Now); err == nil { // a shop file that cannot be read says nothing against a certificate
				language = shop.Language
			}
		}
	}
	return words.In(language)
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

// plainReadError says why a file cannot be read.
func plainReadError(path string, err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "there is no file " + path
	case errors.Is(err, fs.ErrPermission):
		return path + " may not be read by this user"
	}
	return errorText(err)
}

// tell writes the answers for people.
func (c *Console) tell(v verified, w *words.Catalogue) {
	if v.Report == nil {
		unreadable := w.T("document.pair", "name", w.T("verify.told.unreadable"), "text", v.Error)
		fmt.Fprintf(c.Out, "%s\n%s\n", v.File, unreadable)
		return
	}
	verdict := w.T("document.pair", "name", w.T("verify.told."+string(v.Verdict)), "text", w.Tell(v.Summary))
	fmt.Fprintf(c.Out, "%s\n%s\n", v.File, verdict)
	state := map[check.State]string{
		check.Yes: w.T("verify.yes"), check.No: w.T("verify.told.no"), check.Open: w.T("verify.open"),
	}
	for _, a := range v.Answers {
		fmt.Fprintf(c.Out, "\n  %s %s\n", w.Tell(a.Question), state[a.State])
		for _, l := range document.Wrap(w.Tell(a.Words), 76, 76) {
			fmt.Fprintf(c.Out, "    %s\n", l)
		}
	}
	fmt.Fprintf(c.Out, "\n  %s\n", w.T("verify.told.limits"))
	for _, l := range v.Limits {
		for i, line := range document.Wrap(w.Tell(l), 74, 74) {
			fmt.Fprintf(c.Out, "    %s %s\n", []string{"-", " "}[min(i, 1)], line)
		}
	}
}
