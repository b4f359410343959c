package command

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/harness/register"
	"proveout/plans/document"
	"proveout/plans/fact"
	"proveout/report"
	"proveout/report/record"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
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
			&cli.StringFlag{Name: "language", Usage: "`CODE` of the answers' language: en, de or fr; else the shop's"},
			&cli.StringFlag{
				Name:  "signer",
				Usage: "`FINGERPRINT` of who has to have signed: ten groups of five digits, or 64 hex digits",
			},
			&cli.StringFlag{Name: "out", Aliases: []string{"o"}, Usage: "with page: the `FILE` to write"},
			&cli.StringFlag{Name: "evidence", Usage: "folder `DIR` with the files of the test, to be compared and used"}},
		Action: c.verify,
	}
}

// verifyLimit is the time that looking at one certificate may take.
const verifyLimit = 1500 * time.Millisecond

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
	o, limit, err := c.verifyOptions(x)
	if err != nil {
		return err
	}
	w, err := c.verifyLanguage(x)
	if err != nil {
		return err
	}
	var found *evidenceFolder
	if dir := x.String("evidence"); dir != "" {
		if found, err = readEvidence(c.path(dir)); err != nil {
			return err
		}
		limit = time.Hour // log files of any size are read
	}
	all, unreadable, bad := []verified{}, 0, false
	for _, name := range x.Args().Slice() {
		v := verified{File: name}
		if pdf, err := readCertificate(c.path(name)); err != nil {
			v.Error, unreadable = plainReadError(c.path(name), err), unreadable+1
		} else {
			r := c.inspect(pdf, o, found, limit)
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
			if shop, err := readShop(dir); err == nil { // a shop file that cannot be read says nothing against a certificate
				language = shop.Language
			}
		}
	}
	return words.In(language)
}

// inspect looks at one certificate.
func (c *Console) inspect(pdf []byte, o check.Options, found *evidenceFolder, limit time.Duration) check.Report {
	e := &record.Examiner{}
	if found != nil {
		e.Extra = logs.Files(found.open)
		question := check.Question{Key: "evidence", Question: fact.New("check.question.evidence")}
		question.Ask = func(cs check.Contents) (check.State, fact.Fact) {
			r, err := e.Record(cs)
			if err != nil {
				return check.No, fact.New("check.record-unusable", "why", fact.Why(err))
			}
			return found.compare(r)
		}
		o.Further = append([]check.Question{question}, o.Further...)
	}
	return report.Verify(pdf, o, e, toolName, limit)
}

// verifyOptions gathers what is known of signers.
func (c *Console) verifyOptions(x *cli.Context) (o check.Options, limit time.Duration, err error) {
	o.Now = c.Now()
	if s := x.String("signer"); s != "" {
		if o.Signer, err = check.ParseFingerprint(s); err != nil {
			return o, 0, err
		}
	}
	dir, err := c.shopDir(x)
	if err != nil {
		if x.String("shop") != "" {
			return o, 0, err
		}
		return o, verifyLimit, nil // a buyer has no shop
	}
	o.Known, o.Retired, err = keysOf(dir).Trust()
	if err != nil {
		return o, 0, err
	}
	docs, err := register.Documents(dir)
	if err != nil {
		return o, 0, err
	}
	question := check.Question{Key: "in force", Question: fact.New("check.question.in-force")}
	question.Ask = func(cs check.Contents) (check.State, fact.Fact) { return inForce(docs, o, cs) }
	o.Further = append(o.Further, question)
	return o, verifyLimit, nil
}

// inForce looks a certificate up in the shop's own list, when it is the shop's.
func inForce(docs []register.Document, o check.Options, cs check.Contents) (check.State, fact.Fact) {
	own := false
	for _, k := range o.Known {
		own = own || check.FingerprintOf(k.Raw) == cs.SignedBy
	}
	for _, l := range o.Retired {
		own = own || check.FingerprintOf(l.Cert.Raw) == cs.SignedBy
	}
	r, err := record.Decode(cs.Record)
	if !own || err != nil {
		return check.Open, fact.New("check.other-shop")
	}
	i := slices.IndexFunc(docs, func(d register.Document) bool { return d.Number == r.Number })
	switch {
	case i < 0:
		return check.Open, fact.New("check.not-listed")
	case docs[i].Revoked != "":
		return check.No, fact.New("check.taken-back", "day", fact.Date(docs[i].RevokedAt), "why", docs[i].Revoked)
	case docs[i].ReplacedBy != "":
		return check.No, fact.New("check.replaced", "by", docs[i].ReplacedBy)
	}
	return check.Yes, fact.New("check.in-force")
}

func readCertificate(path string) ([]byte, error) {
	st, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if st.IsDir() {
		return nil, fmt.Errorf("%s is a folder, not a file", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, pdffile.MaxSize+1))
	if err != nil {
		return nil, err
	}
	if len(data) > pdffile.MaxSize {
		return nil, fmt.Errorf("%s is larger than %d MiB; no certificate is", path, pdffile.MaxSize>>20)
	}
	if !bytes.HasPrefix(data, []byte("%PDF-")) {
		return nil, fmt.Errorf("%s is not a PDF file; check the certificate itself, not its page or a picture of it", path)
	}
	return data, nil
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
		unreadable := w.T("condition", "name", w.T("verify.told.unreadable"), "text", v.Error)
		fmt.Fprintf(c.Out, "%s\n%s\n", v.File, unreadable)
		return
	}
	verdict := w.T("condition", "name", w.T("verify.told."+string(v.Verdict)), "text", w.Tell(v.Summary))
	fmt.Fprintf(c.Out, "%s\n%s\n", v.File, verdict)
	state := map[check.State]string{check.Yes: "verify.yes", check.No: "verify.told.no", check.Open: "verify.open"}
	for _, a := range v.Answers {
		fmt.Fprintf(c.Out, "\n  %s %s\n", w.Tell(a.Question), w.T(state[a.State]))
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

// An evidenceFolder is a folder with files of a test.
type evidenceFolder struct {
	byHash map[string]string   // SHA-256 to path
	byName map[string][]string // name to SHA-256s
}

// mostEvidence bounds the files of a folder.
const mostEvidence = 10_000

func readEvidence(dir string) (*evidenceFolder, error) {
	e := &evidenceFolder{byHash: map[string]string{}, byName: map[string][]string{}}
	n := 0
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		if n++; n > mostEvidence {
			return fmt.Errorf("%s holds more than %d files; name the folder with the files of the test", dir, mostEvidence)
		}
		sum, err := job.HashFile(path)
		if err != nil {
			return err
		}
		e.byHash[sum] = path
		e.byName[d.Name()] = append(e.byName[d.Name()], sum)
		return nil
	})
	return e, err
}

func (e *evidenceFolder) open(of reading.Evidence) (io.ReadCloser, error) {
	path, ok := e.byHash[of.SHA256]
	if !ok {
		return nil, reading.ErrNoFile
	}
	return os.Open(path)
}

// compare tells which files of the record are in the folder.
func (e *evidenceFolder) compare(r *record.Record) (check.State, fact.Fact) {
	var there, missing, other []string
	d, err := r.Document(nil, nil)
	if err != nil {
		return check.No, fact.New("check.record-unusable", "why", fact.Why(err))
	}
	files := d.Files()
	for _, f := range files {
		switch {
		case e.byHash[f.SHA256] != "":
			there = append(there, f.Name)
		case len(e.byName[f.Name]) > 0:
			other = append(other, f.Name)
		default:
			missing = append(missing, f.Name)
		}
	}
	switch {
	case len(files) == 0:
		return check.Open, fact.New("check.no-files-named")
	case len(other) > 0:
		return check.No, fact.New("check.files-otherwise", "files", fact.Names(fact.Comma, other))
	case len(missing) > 0:
		return check.Open, fact.New("check.files-missing", "n", len(there), "all", len(files),
			"files", fact.Names(fact.Comma, missing))
	}
	return check.Yes, fact.New("check.files-there", "n", len(files))
}
