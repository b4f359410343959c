package command

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/register"
	"proveout/harness/workflow"
	"proveout/report"
	"proveout/report/checkpage"
	"proveout/report/listing"
	"proveout/report/record"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
	"proveout/scoring"
)

func (c *Console) listingCommand() *cli.Command {
	return &cli.Command{
		Name:      "listing",
		Usage:     "make pictures, description, bag label and check page for an offer",
		ArgsUsage: "JOB",
		Description: "Everything in the kit stands in the record of the job's signed certificate;\n" +
			"nothing of the customer does. A job that is not accepted gets none.",
		Flags:  []cli.Flag{shopFlag, jsonFlag, &cli.StringFlag{Name: "out", Aliases: []string{"o"}, Usage: "folder `DIR` to make", Required: true}},
		Action: c.listing,
	}
}

func (c *Console) listing(x *cli.Context) error {
	k, err := c.openJob(x)
	if err != nil {
		return err
	}
	o := scoring.Score(k.input)
	if !o.Accepted {
		c.say(x, "No listing kit for job %s. %s", o.Job, c.words().Tell(o.Reason))
		return errNotPassed
	}
	number, err := k.inForce()
	if err != nil {
		return err
	}
	name := plainFile(number)
	pdf, err := workflow.ReadCertificate(filepath.Join(k.dir, "issued", name+".pdf"))
	if err != nil {
		return fmt.Errorf("certificate %s: %s", number, plainReadError(name+".pdf", err))
	}
	d, err := c.certified(k, pdf)
	if err != nil {
		return fmt.Errorf("certificate %s: %w", number, err)
	}
	if where := naming(d.Job, k.input.Job.Customer); len(where) > 0 {
		return fmt.Errorf("certificate %s shows the customer reference %q: %s; take it out of job.toml, and issue another with --replaces %s", number, k.input.Job.Customer, strings.Join(where, ", "), number)
	}
	pages, err := report.LayOut(d)
	if err != nil {
		return err
	}
	files, err := listing.Make(d, pages.Content(), name+".pdf", k.originals(d))
	if errors.Is(err, listing.ErrCustomer) {
		return fmt.Errorf("certificate %s names the customer; issue one without, with: proveout certify %s --replaces %s --because \"for the offer\"", number, k.input.Job.Number, number)
	}
	if err != nil {
		return err
	}
	var page bytes.Buffer // made again, so that it says what the record says
	if err := pages.WritePage(&page); err != nil {
		return err
	}
	files = append(files, listing.File{Name: name + ".pdf", Data: pdf}, listing.File{Name: name + ".html", Data: page.Bytes()}, listing.File{Name: "check.html", Data: checkpage.HTML()})
	out := c.path(x.String("out"))
	if err := writeFolder(out, files); err != nil {
		return err
	}
	if x.Bool("json") {
		names := []string{}
		for _, f := range files {
			names = append(names, f.Name)
		}
		return c.answer(map[string]any{"job": o.Job, "number": number, "folder": out, "files": names})
	}
	fmt.Fprintf(c.Out, "Made the listing kit of %s in %s: %d files.\n", number, out, len(files))
	return nil
}

func plainFile(number string) string { return strings.Map(plainName, number) }

// inForce returns the job's last certificate that was not withdrawn.
func (k *openCase) inForce() (string, error) {
	docs, err := register.Documents(k.shopDir)
	if err != nil {
		return "", err
	}
	docs = slices.DeleteFunc(docs, func(d register.Document) bool {
		return d.Job != k.input.Job.Number || withdrawn(d) != "" || !onDisk(k.shopDir, d)
	})
	if len(docs) == 0 {
		return "", fmt.Errorf("job %s has no certificate in force; issue one with: proveout certify %s", k.input.Job.Number, k.input.Job.Number)
	}
	last := docs[0]
	for _, d := range docs[1:] {
		if !d.At.Before(last.At) { // of one second, the one that was issued later
			last = d
		}
	}
	return last.Number, nil
}

// certified reads the document of a certificate back from its record. Only one
// that passes its own check is used.
func (c *Console) certified(k *openCase, pdf []byte) (*report.Document, error) {
	var o check.Options
	var err error
	if o.Known, o.Retired, err = keysOf(k.shopDir).Trust(); err != nil {
		return nil, err
	}
	e := &record.Examiner{}
	r := report.Verify(pdf, o, e, toolName, workflow.LookLimit*4)
	if !r.Valid {
		for _, a := range r.Answers {
			if a.State == check.No {
				return nil, fmt.Errorf("%w A listing kit needs a signed certificate that is good; "+
					"make a key with proveout key new, and issue it again with --replaces", a.Words.Err())
			}
		}
		return nil, errors.New("it was signed with a key that is not the shop's")
	}
	jpegs, err := pdffile.JPEGs(r.Pages)
	if err != nil {
		return nil, err
	}
	return e.Document(r.Contents, append([][]byte{}, jpegs...))
}

// originals are the photos as they were kept, for pictures larger than those
// on the pages; nil where one is not the file that the record names.
func (k *openCase) originals(d *record.Document) []image.Image {
	out := make([]image.Image, len(d.Photos))
	for i, p := range d.Photos {
		for _, e := range k.input.Job.Card.Photos {
			if e.SHA256 != p.SHA256 {
				continue
			}
			path := job.EvidencePath(k.dir, e)
			if sum, err := job.HashFile(path); err == nil && sum == p.SHA256 {
				out[i], _ = readPicture(path) // the smaller one of the pages will do
			}
		}
	}
	return out
}

// writeFolder makes a folder with files, whole or not at all.
func writeFolder(dir string, files []listing.File) (err error) {
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is there already and holds files; name another folder with -o, or take it away first", dir)
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
