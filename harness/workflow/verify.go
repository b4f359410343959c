package workflow

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"proveout/harness/job"
	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/harness/register"
	"proveout/plans/fact"
	"proveout/report/content"
	"proveout/report/record"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
)

// A Verifier tells whether certificates are what they claim to be, by what is
// known of signers and of the files of the test.
type Verifier struct {
	options check.Options
	files   *evidenceFolder // nil where the reader gives none
	limit   time.Duration
}

const (
	// lookLimit is the time that looking at one certificate may take.
	lookLimit = 1500 * time.Millisecond
	// readLimit is that with the files of the test, which are of any size.
	readLimit = time.Hour
)

// NewVerifier makes a verifier for somebody who has only a certificate. The
// signer, if known, is a fingerprint as it is printed.
func NewVerifier(now time.Time, signer string) (*Verifier, error) {
	v := &Verifier{limit: lookLimit}
	v.options.Now = now
	if signer == "" {
		return v, nil
	}
	var err error
	v.options.Signer, err = check.ParseFingerprint(signer)
	return v, err
}

// InShop adds what a shop knows: its own keys and those it trusts, and which of
// its documents are in force.
func (v *Verifier) InShop(dir string) (err error) {
	o := &v.options
	if o.Known, o.Retired, err = Keys(dir).Trust(); err != nil {
		return err
	}
	docs, err := register.Documents(dir)
	if err != nil {
		return err
	}
	question := check.Question{Key: "in force", Question: fact.New("check.question.in-force")}
	question.Ask = func(cs check.Contents) (check.State, fact.Fact) { return inForce(docs, o, cs) }
	o.Further = append(o.Further, question)
	return nil
}

// WithFiles lets a folder with the files of the test be compared and used.
func (v *Verifier) WithFiles(dir string) (err error) {
	v.limit = readLimit
	v.files, err = readEvidence(dir)
	return err
}

// Verify looks at one certificate. The error says why a file cannot be read as
// one.
func (v *Verifier) Verify(path string) (check.Report, error) {
	pdf, err := readCertificate(path)
	if err != nil {
		return check.Report{}, err
	}
	o, e := v.options, &record.Examiner{}
	if v.files != nil {
		e.Extra = logs.Files(v.files.open)
		question := check.Question{Key: "evidence", Question: fact.New("check.question.evidence")}
		question.Ask = func(cs check.Contents) (check.State, fact.Fact) {
			r, err := e.Record(cs)
			if err != nil {
				return check.No, fact.New("check.record-unusable", "why", fact.Why(err))
			}
			return v.files.compare(r)
		}
		o.Further = append([]check.Question{question}, o.Further...)
	}
	return Verify(pdf, o, e, Tool, v.limit), nil
}

// inForce looks a certificate up in the shop's own list, when it is the shop's.
func inForce(docs []register.Document, o *check.Options, cs check.Contents) (check.State, fact.Fact) {
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

// readCertificate reads a file that may be a certificate. The error says why it
// cannot be one.
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
func (e *evidenceFolder) compare(r *content.Record) (check.State, fact.Fact) {
	var there, missing, other []string
	d, err := record.Document(r, nil, nil)
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
