package command

import (
	"bytes"
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/urfave/cli/v2"
	"golang.org/x/term"

	"proveout/harness/workflow"
	"proveout/plans/fact"
	"proveout/report/seal"
	"proveout/report/seal/check"
)

// The variables that passphrases come from where nobody can be asked.
const (
	passphraseVariable   = "PROVEOUT_PASSPHRASE"
	filePasswordVariable = "PROVEOUT_FILE_PASSWORD"
)

func (c *Console) keyCommands() *cli.Command {
	return &cli.Command{
		Name:  "key",
		Usage: "keep the shop's signing key",
		Subcommands: []*cli.Command{
			{Name: "new", Usage: "make the key that certificates are signed with", Action: c.keyNew,
				Description: "A passphrase is asked for, or taken from PROVEOUT_PASSPHRASE; an empty one\n" +
					"leaves the key unencrypted, readable by its owner only.",
				Flags: []cli.Flag{shopFlag,
					textFlag("name", "`NAME` that the certificate carries; else the shop's")}},
			{Name: "show", Usage: "show the fingerprint, to be read out on the telephone or printed",
				Action:      c.onKeys(c.keyShow),
				Description: "On a terminal the fingerprint is drawn as a QR code too.",
				Flags: []cli.Flag{shopFlag, jsonFlag,
					textFlag("qr", "picture `FILE` (PNG) to write with the fingerprint's QR code, for a sign or a web page")}},
			{Name: "export", Usage: "write the key with its certificate as PKCS#12, or the certificate alone",
				ArgsUsage: "FILE", Action: c.onKeys(c.keyExport),
				Description: "The password of the file is asked for, or taken from PROVEOUT_FILE_PASSWORD.",
				Flags: []cli.Flag{shopFlag,
					boolFlag("certificate", "write the certificate alone (PEM), which may be given to anybody")}},
			{Name: "import", Usage: "take the key and certificate of a PKCS#12 file", ArgsUsage: "FILE",
				Action: c.onKeys(c.keyImport),
				Description: "For a shop that has a certificate from an authority. The password of the\n" +
					"file is asked for, or taken from PROVEOUT_FILE_PASSWORD.", Flags: []cli.Flag{shopFlag}},
			{Name: "trust", Usage: "note the certificate (PEM) of another shop as known", ArgsUsage: "FILE",
				Action: c.onKeys(c.keyTrust), Flags: []cli.Flag{shopFlag}},
			{Name: "retire", Usage: "give up the key; what it signed stays checkable", Action: c.onKeys(c.keyRetire),
				Flags: []cli.Flag{shopFlag,
					neededFlag("because", "`WHY` replaced (nobody else had it) or compromised (somebody else may have it)"),
					boolFlag("erase", "delete the key instead of keeping it beside its certificate")}},
		},
	}
}

// onKeys is the action of a command about the keys of a shop, and the file that
// is its argument where it has one.
func (c *Console) onKeys(do func(x *cli.Context, keys seal.Keys, path string) error) cli.ActionFunc {
	return func(x *cli.Context) error {
		if x.Command.ArgsUsage == "FILE" && x.NArg() == 0 {
			return fmt.Errorf("name one file, as in: proveout %s FILE", strings.TrimPrefix(x.Command.FullName(), "proveout "))
		}
		dir, err := c.shopDir(x)
		if err != nil {
			return err
		}
		return do(x, workflow.Keys(dir), c.path(x.Args().First()))
	}
}

// secret asks for a word that is not shown, or takes it from a variable. asked
// is false when there was neither a terminal nor a variable.
func (c *Console) secret(variable, question string) (word []byte, asked bool, err error) {
	if s := c.Getenv(variable); s != "" {
		return []byte(s), true, nil
	}
	in, ok := c.In.(*os.File)
	if !ok || !c.Terminal {
		return nil, false, nil
	}
	fmt.Fprint(c.Diag, question+": ")
	word, err = unseen(int(in.Fd()))
	fmt.Fprintln(c.Diag)
	return word, true, err
}

// unseen reads a line that the terminal does not show. An interrupt ends it,
// and the terminal shows again what is typed.
func unseen(terminal int) ([]byte, error) {
	state, err := term.GetState(terminal)
	if err != nil {
		return nil, err
	}
	interrupt := make(chan os.Signal, 1)
	signal.Notify(interrupt, os.Interrupt, syscall.SIGTERM)
	defer signal.Stop(interrupt)
	type line struct {
		word []byte
		err  error
	}
	read := make(chan line, 1)
	go func() { // goes on waiting when it is interrupted, until the program ends
		word, err := term.ReadPassword(terminal)
		read <- line{word, err}
	}()
	select {
	case l := <-read:
		return l.word, l.err
	case <-interrupt:
		return nil, errors.Join(context.Canceled, term.Restore(terminal, state))
	}
}

// newSecret asks twice for a new word.
func (c *Console) newSecret(variable, question string) workflow.Secret {
	return func() ([]byte, error) {
		word, asked, err := c.secret(variable, question)
		if err != nil || !asked || len(word) == 0 || c.Getenv(variable) != "" {
			return word, err
		}
		again, _, err := c.secret(variable, "Once more")
		if err == nil && !bytes.Equal(word, again) {
			err = errors.New("the two were not the same; nothing was made")
		}
		return word, err
	}
}

func (c *Console) keyNew(x *cli.Context) error {
	dir, err := c.shopDir(x)
	if err != nil {
		return err
	}
	return c.makeKey(dir, x.String("name"))
}

// makeKey makes the key of a shop, in its own name unless another is given.
func (c *Console) makeKey(dir, name string) error {
	shop, err := workflow.OpenShop(dir, c.Now)
	if err != nil {
		return err
	}
	ask := c.newSecret(passphraseVariable, "Passphrase for the key (Enter for none)")
	id, locked, err := shop.NewKey(name, ask)
	if err != nil {
		return err
	}
	keys := workflow.Keys(dir)
	fmt.Fprintf(c.Out, "Made the signing key of %s in %s.\n", id.Name(), string(keys))
	if !locked {
		fmt.Fprintln(c.Out, "It has no passphrase: whoever can read the file can sign in the shop's name.")
	}
	if keys.OpenToOthers() {
		fmt.Fprintln(c.Out, "Other users of this computer can read the key; put the shop where file modes hold.")
	}
	c.printFingerprint(id.Fingerprint())
	fmt.Fprintln(c.Out, "Publish the fingerprint where buyers find it without you: a sign in the shop, a web page,\n"+
		"the voice that answers the telephone. Keep a copy of the key with: proveout key export")
	return nil
}

func (c *Console) printFingerprint(fp check.Fingerprint) {
	g := fp.Groups()
	fmt.Fprintf(c.Out, "Fingerprint, for the telephone:\n  %s\n  %s\nThe same as SHA-256:\n  %s\n",
		strings.Join(g[:5], " "), strings.Join(g[5:], " "), fp.Hex())
}

// A keyShown is one key as key show answers.
type keyShown struct {
	Name        string     `json:"name"`
	Fingerprint string     `json:"fingerprint"`
	Spoken      string     `json:"fingerprint_spoken"`
	From        time.Time  `json:"valid_from"`
	Until       time.Time  `json:"valid_until"`
	Encrypted   bool       `json:"encrypted"`
	Retired     *time.Time `json:"retired,omitempty"`
	Because     check.Why  `json:"because,omitempty"`
}

func shownKey(c *x509.Certificate) keyShown {
	fp := check.FingerprintOf(c.Raw)
	return keyShown{
		Name:        c.Subject.CommonName,
		Fingerprint: fp.Hex(),
		Spoken:      fp.String(),
		From:        c.NotBefore,
		Until:       c.NotAfter,
	}
}

func (c *Console) keyShow(x *cli.Context, keys seal.Keys, _ string) error {
	_, retired, err := keys.Trust()
	if err != nil {
		return err
	}
	var a struct {
		InUse   *keyShown  `json:"in_use"`
		Retired []keyShown `json:"retired"`
	}
	a.Retired = []keyShown{}
	for _, l := range retired {
		k := shownKey(l.Cert)
		k.Retired, k.Because = &l.When, l.Why
		a.Retired = append(a.Retired, k)
	}
	var code modules
	certs, err := keys.Certs()
	switch {
	case err == nil:
		k := shownKey(certs[0])
		a.InUse = &k
		if k.Encrypted, err = keys.Encrypted(); err != nil {
			return err
		}
		if code, err = fingerprintCode(check.FingerprintOf(certs[0].Raw)); err != nil {
			return err
		}
	case !errors.Is(err, seal.ErrNone):
		return err
	}
	if err := c.writeCode(x, code); err != nil {
		return err
	}
	return c.give(x, a, true, func(p *printer) {
		if a.InUse == nil {
			p.line("The shop has no signing key in use; make one with: proveout key new")
		} else {
			c.printKey(p, keys, a.InUse, certs[0])
			if c.Terminal {
				code.write(p)
			}
		}
		for _, k := range a.Retired {
			fmt.Fprintf(p, "Retired on %s (%s): %s\n  %s\n", k.Retired.Format(time.DateOnly), k.Because, k.Name, k.Spoken)
		}
	})
}

// printKey prints the key that is in use.
func (c *Console) printKey(p *printer, keys seal.Keys, k *keyShown, cert *x509.Certificate) {
	behind := ""
	if k.Encrypted {
		behind = ", behind a passphrase"
	}
	fmt.Fprintf(p, "Signing key of %s, valid until %s%s.\n", k.Name, k.Until.Format(time.DateOnly), behind)
	c.printFingerprint(check.FingerprintOf(cert.Raw))
	if keys.OpenToOthers() {
		p.whole(fact.New("issuing.key-open", "file", keys.File()))
	}
}

// writeCode writes a QR code as a picture when a file is named.
func (c *Console) writeCode(x *cli.Context, code modules) error {
	name := x.String("qr")
	switch {
	case name == "":
		return nil
	case code == nil:
		return errors.New("the shop has no signing key in use, so there is no code to write; make one with: proveout key new")
	}
	data, err := code.picture()
	if err != nil {
		return err
	}
	if err := writeNew(c.path(name), data); err != nil {
		return err
	}
	c.say(x, "Wrote %s", c.path(name))
	return nil
}

// passphrase asks for the passphrase of the signing key.
func (c *Console) passphrase() ([]byte, error) {
	word, asked, err := c.secret(passphraseVariable, "Passphrase of the signing key")
	if err == nil && !asked {
		err = fmt.Errorf("the signing key needs its passphrase; give it in %s", passphraseVariable)
	}
	return word, err
}

func (c *Console) keyExport(x *cli.Context, keys seal.Keys, path string) error {
	var data []byte
	if x.Bool("certificate") {
		certs, err := keys.Certs()
		if err != nil {
			return err
		}
		data = seal.Identity{Chain: certs}.CertPEM()
	} else {
		id, _, err := workflow.OpenKey(keys, c.passphrase)
		if err != nil {
			return err
		}
		password, err := c.newSecret(filePasswordVariable, "Password for the file")()
		if err != nil {
			return err
		}
		if len(password) == 0 {
			return fmt.Errorf("a file with the key needs a password; give it when asked, or in %s", filePasswordVariable)
		}
		if data, err = id.ExportPKCS12(string(password)); err != nil {
			return err
		}
	}
	err := seal.CreateFile(path, data, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already; it was left as it is", path)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "Wrote %s\n", path)
	return nil
}

func (c *Console) keyImport(x *cli.Context, keys seal.Keys, path string) error {
	password := func() ([]byte, error) {
		word, _, err := c.secret(filePasswordVariable, "Password of the file")
		return word, err
	}
	passphrase := c.newSecret(passphraseVariable, "Passphrase for the key in the shop (Enter for none)")
	id, err := workflow.ImportKey(keys, path, c.Now(), password, passphrase)
	if errors.Is(err, seal.ErrPassword) {
		return fmt.Errorf("%w; it is asked for, or taken from %s", err, filePasswordVariable)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "Took the signing key of %s.\n", id.Name())
	c.printFingerprint(id.Fingerprint())
	return nil
}

func (c *Console) keyTrust(x *cli.Context, keys seal.Keys, path string) error {
	cert, err := workflow.TrustKey(keys, path)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "Certificates signed by this key of %s count as known from now on. "+
		"Compare its fingerprint with one that you got another way:\n", cert.Subject.CommonName)
	c.printFingerprint(check.FingerprintOf(cert.Raw))
	return nil
}

func (c *Console) keyRetire(x *cli.Context, keys seal.Keys, _ string) error {
	fate := seal.KeepKey
	if x.Bool("erase") {
		fate = seal.EraseKey
	}
	fp, err := keys.Retire(c.Now(), check.Why(x.String("because")), fate)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "Retired the key %s. What it signed stays checkable; make the next with: proveout key new\n", fp)
	return nil
}
