package workflow

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/harness/register"
	"proveout/plans/fact"
	"proveout/report/content"
	"proveout/report/document"
	"proveout/report/seal"
	"proveout/report/words"
	"proveout/scoring/conformity"
)

// Tool is what documents say they were made with.
const Tool = "proveout " + reading.Version

// An Issue says which document is made of a job.
type Issue struct {
	Kind         content.Kind
	Paper        string // A4 or Letter; empty: the shop's
	Language     string // empty: the shop's
	Replaces     string // number of the certificate that it takes the place of
	Because      string // why
	NameCustomer bool   // print the customer reference, which is left out otherwise
	NoLogs       bool   // leave the log files out of the certificate
	PrintCodes   bool   // print characters that the fonts do not have by their codes

	Passphrase Secret // of the signing key, where it has one
}

// An Issued document, as certify and report --json tell it. Number and paths are
// empty where a certificate was refused because the job is not accepted.
type Issued struct {
	Job      string             `json:"job"`
	Accepted bool               `json:"accepted"`
	Verdict  conformity.Verdict `json:"verdict"`
	Number   string             `json:"number,omitempty"`
	Document string             `json:"document,omitempty"` // path
	Page     string             `json:"page,omitempty"`     // path
	Standing []fact.Fact        `json:"in_the_way"`

	Notes []fact.Fact `json:"-"` // what the shop should know of it, also where it failed
}

// Issue makes a document of the job, judged from the files themselves. An
// accepted job alone gets a certificate. What is returned with an error holds
// its notes.
func (j *Job) Issue(ctx context.Context, how Issue) (Issued, error) {
	j.Files, j.outcome = afresh{j.Files}, nil
	o := j.Outcome()
	is := &issuing{Job: j, Issue: how, ctx: ctx}
	is.out = Issued{Job: o.Job, Accepted: o.Accepted, Verdict: o.Verdict, Standing: o.Standing}
	if is.certificate() && !o.Accepted {
		return is.out, nil
	}
	err := is.issue()
	return is.out, err
}

// afresh are files of which nothing is known from before: nothing that was
// computed once stands in for the evidence.
type afresh struct{ reading.Files }

func (afresh) Recall(reading.Evidence, string) ([]byte, bool) { return nil, false }

// An issuing is a document on its way.
type issuing struct {
	*Job
	Issue
	ctx      context.Context
	paper    document.Paper
	identity *seal.Identity // nil: not signed
	out      Issued
}

func (is *issuing) certificate() bool { return is.Kind == content.Certificate }

func (is *issuing) note(f fact.Fact) { is.out.Notes = append(is.out.Notes, f) }

func (is *issuing) issue() (err error) {
	if is.paper, err = document.PaperNamed(cmp.Or(is.Paper, is.Shop.Paper)); err != nil {
		return err
	}
	if is.certificate() {
		if err := is.checkReplaces(); err != nil {
			return err
		}
		customer := is.Input.Job.Customer
		if where := naming(is.Input.Job, customer); !is.NameCustomer && len(where) > 0 {
			is.note(fact.New("issuing.customer", "customer", customer, "places", fact.ListOf(fact.Comma, where)))
		}
	}
	d, err := is.document()
	if err != nil {
		return err
	}
	if err := d.Prepare(); err != nil {
		return err
	}
	if is.certificate() {
		if err := is.openKey(d); err != nil {
			return err
		}
	}
	if err := is.work(func(f *job.Folder) error { return is.write(f, d) }); err != nil {
		return err
	}
	if is.certificate() && is.Replaces != "" {
		replace := func(d *register.Document) { d.ReplacedBy = is.out.Number }
		return register.Note(is.home.Dir, is.Replaces, replace)
	}
	return nil
}

// write makes the document and its page, then takes the number that they have,
// and puts them into the job's folder, all or nothing. When somebody else took
// the number meanwhile, they are made again.
func (is *issuing) write(f *job.Folder, d *content.Document) (err error) {
	var pdf, page []byte
	for taken := false; !taken; {
		if d.Number, err = is.nextNumber(d); err != nil {
			return err
		}
		if pdf, page, err = is.made(d); err != nil {
			return err
		}
		if err := is.ctx.Err(); err != nil {
			return err
		}
		err = is.take(d)
		if taken = !errors.Is(err, fs.ErrExist); taken && err != nil {
			return err
		}
	}
	defer func() {
		if err != nil && is.certificate() {
			register.GiveBack(is.home.Dir, d.Number)
		}
	}()
	name := "report"
	if is.certificate() {
		name = "certificate"
	}
	put := func(what, ending string, data []byte) (string, error) {
		r := job.IssuedRecord{Document: what, Number: d.Number, File: register.FileNamed(d.Number) + ending}
		return f.Issue(r, data, is.By, job.KeepExisting)
	}
	if is.out.Document, err = put(name, ".pdf", pdf); err != nil {
		return err
	}
	if is.out.Page, err = put("page", ".html", page); err != nil {
		return err
	}
	is.out.Number = d.Number
	return nil
}

// take takes the number of a certificate; those of reports are the job's own.
func (is *issuing) take(d *content.Document) error {
	if !is.certificate() {
		return nil
	}
	return register.Take(is.home.Dir, register.Document{
		Number: d.Number, Job: is.Input.Job.Number, At: d.IssuedAt, Replaces: d.Replaces, Because: d.Because,
	})
}

// nextNumber is the shop's next number for a certificate, and the next free one
// of its job for a report.
func (is *issuing) nextNumber(d *content.Document) (string, error) {
	if is.certificate() {
		return register.NextNumber(is.home.Dir, is.Shop.Numbering, d.IssuedAt.Year())
	}
	for n := 1; ; n++ {
		number := fmt.Sprintf("%s-R%d", is.Input.Job.Number, n)
		if _, err := os.Stat(filepath.Join(is.Dir, "issued", number+".pdf")); errors.Is(err, os.ErrNotExist) {
			return number, nil
		}
	}
}

// refuseMissing stops before characters are printed by their codes, unless that
// was agreed to.
func (is *issuing) refuseMissing(c *content.Content) error {
	missing := content.Missing(c, document.Drawable)
	for _, g := range missing {
		code := fmt.Sprintf("U+%04X", g.Rune)
		is.note(fact.New("issuing.no-glyph", "character", string(g.Rune), "code", code, "text", g.Text))
	}
	if len(missing) > 0 && is.certificate() && !is.PrintCodes {
		return errors.New("nothing was issued, because characters cannot be printed; write them in another script, " +
			"or print their codes in brackets with --print-codes")
	}
	return nil
}

// document is the document before it has a number.
func (is *issuing) document() (d *content.Document, err error) {
	told := is.Input.Job
	if is.certificate() && !is.NameCustomer {
		unnamed := *told
		unnamed.Customer = ""
		told = &unnamed
	}
	d = &content.Document{Plan: is.Plan, Family: is.Family, Record: content.Record{
		Kind: is.Kind, IssuedAt: is.home.Now(), Tool: Tool, Language: cmp.Or(is.Language, is.Shop.Language, "en"),
		Replaces: is.Replaces, Because: is.Because, Shop: is.Shop, Job: told, Outcome: is.Outcome(),
		Proof: is.home.proofOf(is.Plan, is.Family),
	}}
	if _, err := words.In(d.Language); err != nil {
		return nil, err
	}
	if err := is.nameWho(d); err != nil {
		return nil, err
	}
	if d.Photos, err = readPhotos(is.Dir, told.Card.Photos); err != nil {
		return nil, err
	}
	if is.Shop.Logo != "" {
		if d.Logo, err = readPicture(filepath.Join(is.home.Dir, is.Shop.Logo)); err != nil {
			return nil, fmt.Errorf("logo: %w", err)
		}
	}
	return d, nil
}

// nameWho names who tested and who authorises.
func (is *issuing) nameWho(d *content.Document) error {
	for _, t := range is.Shop.Technicians {
		if t.ID == is.Input.Job.Technician {
			d.Technician = t.Name
		}
		if t.ID == is.By && is.certificate() {
			if !t.Sign {
				return fmt.Errorf("%s may not authorise certificates; name one who may with --by", t.Name)
			}
			d.AuthorisedBy = t.Name
		}
	}
	if is.certificate() && d.AuthorisedBy == "" {
		return fmt.Errorf("nobody of the shop authorises this: %s is not among its technicians; name one with --by", is.By)
	}
	return nil
}

// readPhotos reads the photos of a card: the versions for print that the job
// keeps, and where one is missing or is not the one that the job names, the
// photo itself.
func readPhotos(dir string, files []reading.Evidence) ([]content.Photo, error) {
	photos := make([]content.Photo, len(files))
	taken := map[int]bool{} // widths; each must have its own
	for i, e := range files {
		p := &photos[i]
		*p = content.Photo{Caption: cmp.Or(e.Caption, e.Role), Role: e.Role, SHA256: e.SHA256}
		path := job.EvidencePath(dir, e)
		if _, err := os.Stat(path); err == nil { // what the certificate names must be there
			if small, ok := job.ReadPrint(dir, e); ok && p.Take(small) == nil && !taken[p.Width] {
				taken[p.Width] = true
				continue
			}
		}
		p.JPEG = nil
		var err error
		if p.Image, err = readPicture(path); err != nil {
			return nil, fmt.Errorf("photo %s: %w", e.Name, err)
		}
	}
	return photos, nil
}
