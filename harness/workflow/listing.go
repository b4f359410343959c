package workflow

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"io/fs"
	"os"
	"path/filepath"

	"proveout/harness/job"
	"proveout/harness/register"
	"proveout/plans/fact"
	"proveout/report/checkpage"
	"proveout/report/content"
	"proveout/report/document"
	"proveout/report/page"
	"proveout/report/record"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
)

// A Kit is what a seller puts into an offer.
type Kit struct {
	Number string   // of the certificate that it is made of
	Files  []string // names in the folder
}

// Listing makes the kit of an accepted job in a new folder, from the record of
// its signed certificate.
func (j *Job) Listing(folder string) (Kit, error) {
	issued, err := j.inForce()
	if err != nil {
		return Kit{}, err
	}
	number, name := issued.Number, register.FileNamed(issued.Number)
	pdf, err := readCertificate(documentFile(j.home.Dir, issued))
	if err != nil {
		return Kit{}, fmt.Errorf("certificate %s: %w", number, err)
	}
	d, err := j.certified(pdf)
	if err != nil {
		return Kit{}, fmt.Errorf("certificate %s: %w", number, err)
	}
	customer := j.Input.Job.Customer
	if where := naming(d.Job, customer); len(where) > 0 {
		return Kit{}, fmt.Errorf("certificate %s shows the customer reference %q: %s; "+
			"take it out of job.toml, and issue another with --replaces %s",
			number, customer, english(fact.Text(fact.ListOf(fact.Comma, where))), number)
	}
	pages, err := content.Build(d)
	if err != nil {
		return Kit{}, err
	}
	files, err := document.MakeKit(d, pages, name+".pdf", j.originals(d))
	if errors.Is(err, document.ErrCustomer) {
		return Kit{}, fmt.Errorf("certificate %s names the customer; issue one without, with: "+
			"proveout certify %s --replaces %s --because \"for the offer\"", number, j.Input.Job.Number, number)
	}
	if err != nil {
		return Kit{}, err
	}
	var html bytes.Buffer // made again, so that it says what the record says
	if err := page.Write(&html, pages); err != nil {
		return Kit{}, err
	}
	files = append(files,
		document.File{Name: name + ".pdf", Data: pdf},
		document.File{Name: name + ".html", Data: html.Bytes()},
		document.File{Name: "check.html", Data: checkpage.HTML()})
	kit := Kit{Number: number}
	for _, f := range files {
		kit.Files = append(kit.Files, f.Name)
	}
	return kit, writeFolder(folder, files)
}

// certified reads the document of a certificate back from its record. Only one
// that passes its own check is used.
func (j *Job) certified(pdf []byte) (*content.Document, error) {
	var o check.Options
	var err error
	if o.Known, o.Retired, err = Keys(j.home.Dir).Trust(); err != nil {
		return nil, err
	}
	e := &record.Examiner{}
	r := Verify(pdf, o, e, Tool, lookLimit*4)
	if !r.Valid {
		if against := r.Against(); against != nil {
			return nil, fmt.Errorf("%w A listing kit needs a signed certificate that is good; "+
				"make a key with proveout key new, and issue it again with --replaces", against)
		}
		return nil, errors.New("it was signed with a key that is not the shop's")
	}
	jpegs, err := pdffile.JPEGs(r.Pages)
	if err != nil {
		return nil, err
	}
	return e.Document(r.Contents, jpegs)
}

// originals are the photos as they were kept, for pictures larger than those
// on the pages; nil where one is not the file that the record names.
func (j *Job) originals(d *content.Document) []image.Image {
	out := make([]image.Image, len(d.Photos))
	for i, p := range d.Photos {
		for _, e := range j.Input.Job.Card.Photos {
			if e.SHA256 != p.SHA256 {
				continue
			}
			path := job.EvidencePath(j.Dir, e)
			if sum, err := job.HashFile(path); err == nil && sum == p.SHA256 {
				out[i], _ = readPicture(path) // the smaller one of the pages will do
			}
		}
	}
	return out
}

// writeFolder makes a folder with files, whole or not at all.
func writeFolder(dir string, files []document.File) (err error) {
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is there already and holds files; "+
			"name another folder with -o, or take it away first", dir)
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return err
	}
	temp, err := os.MkdirTemp(filepath.Dir(dir), ".new-*")
	if err != nil {
		return err
	}
	defer os.RemoveAll(temp)
	if err := os.Chmod(temp, 0o755); err != nil {
		return err
	}
	for _, f := range files {
		if err := os.WriteFile(filepath.Join(temp, f.Name), f.Data, 0o644); err != nil {
			return err
		}
	}
	os.Remove(dir) // an empty one
	return os.Rename(temp, dir)
}
