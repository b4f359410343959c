package command

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/register"
	"proveout/report"
	"proveout/scoring"
)

var paperFlag = &cli.StringFlag{Name: "paper", Usage: "`SIZE` of paper: A4 or Letter; else the shop's"}

func (c *Console) certifyCommand() *cli.Command {
	return &cli.Command{
		Name:      "certify",
		Usage:     "issue the certificate of an accepted job",
		ArgsUsage: "JOB",
		Flags:     []cli.Flag{shopFlag, jsonFlag, paperFlag, byFlag},
		Action:    func(x *cli.Context) error { return c.issue(x, report.Certificate) },
	}
}

func (c *Console) reportCommand() *cli.Command {
	return &cli.Command{
		Name:      "report",
		Usage:     "write a test report of a job in any state",
		ArgsUsage: "JOB",
		Flags:     []cli.Flag{shopFlag, jsonFlag, paperFlag, byFlag},
		Action:    func(x *cli.Context) error { return c.issue(x, report.TestReport) },
	}
}

// issued is what certify and report answer.
type issued struct {
	Job      string          `json:"job"`
	Accepted bool            `json:"accepted"`
	Verdict  scoring.Verdict `json:"verdict"`
	Number   string          `json:"number,omitempty"`
	Document string          `json:"document,omitempty"`
	Page     string          `json:"page,omitempty"`
	Standing []string        `json:"in_the_way"`
}

func (c *Console) issue(x *cli.Context, kind report.Kind) error {
	k, err := c.openJob(x)
	if err = errors.Join(err, onlyJob(x)); err != nil {
		return err
	}
	k.computeAfresh()
	o := scoring.Score(k.input)
	a := issued{Job: o.Job, Accepted: o.Accepted, Verdict: o.Verdict, Standing: o.Standing}
	if kind == report.Certificate && !o.Accepted {
		if x.Bool("json") {
			if err := c.answer(a); err != nil {
				return err
			}
		}
		c.say(x, "No certificate for job %s. %s In the way:", o.Job, o.Reason)
		for _, s := range o.Standing {
			c.say(x, "- %s", s)
		}
		return errNotPassed
	}
	paper, err := paperOf(firstOf(x.String("paper"), k.input.Shop.Paper))
	if err != nil {
		return err
	}
	if a.Number, a.Document, a.Page, err = c.write(x, k, &o, kind, paper); err != nil {
		return err
	}
	if x.Bool("json") {
		return c.answer(a)
	}
	fmt.Fprintf(c.Out, "Issued %s\n%s\n%s\n", a.Number, a.Document, a.Page)
	return nil
}

func firstOf(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}

func paperOf(name string) (report.Paper, error) {
	switch strings.ToLower(name) {
	case "", "a4":
		return report.A4, nil
	case "letter":
		return report.Letter, nil
	}
	return report.A4, fmt.Errorf("paper %q is neither A4 nor Letter", name)
}

// write makes the document and its page, all or nothing: the number is given
// back when one of them cannot be written.
func (c *Console) write(x *cli.Context, k *openCase, o *scoring.Outcome, kind report.Kind, paper report.Paper) (number, pdfPath, pagePath string, err error) {
	d, err := c.document(x, k, o, kind)
	if err != nil {
		return "", "", "", err
	}
	err = k.work(func(f *job.Folder) (err error) {
		d.Number, err = c.takeNumber(k, d, kind)
		if err != nil {
			return err
		}
		defer func() {
			if err != nil && kind == report.Certificate {
				register.GiveBack(k.shopDir, d.Number)
			}
		}()
		if err := d.Prepare(); err != nil {
			return err
		}
		missing, err := report.MissingGlyphs(d)
		if err != nil {
			return err
		}
		for _, g := range missing {
			c.say(x, "Note: %v cannot be printed and is replaced by its code.", g)
		}
		var pdf, page bytes.Buffer
		if err := errors.Join(report.WritePDF(&pdf, d, paper), report.WritePage(&page, d)); err != nil {
			return err
		}
		name := "report"
		if kind == report.Certificate {
			name = "certificate"
		}
		base := strings.Map(plainName, d.Number)
		if pdfPath, err = f.Issue(job.IssuedRecord{Document: name, Number: d.Number, File: base + ".pdf"}, pdf.Bytes(), k.by(x), job.KeepExisting); err != nil {
			return err
		}
		pagePath, err = f.Issue(job.IssuedRecord{Document: "page", Number: d.Number, File: base + ".html"}, page.Bytes(), k.by(x), job.KeepExisting)
		return err
	})
	return d.Number, pdfPath, pagePath, err
}

func plainName(r rune) rune {
	if strings.ContainsRune(`/\:*?"<>| `, r) {
		return '_'
	}
	return r
}

// takeNumber gives a certificate the shop's next number, and a report the next
// free one of its job.
func (c *Console) takeNumber(k *openCase, d *report.Document, kind report.Kind) (string, error) {
	if kind == report.Certificate {
		return register.TakeNumber(k.shopDir, k.input.Shop.Numbering, register.Document{Job: k.input.Job.Number, At: d.IssuedAt})
	}
	for n := 1; ; n++ {
		number := fmt.Sprintf("%s-R%d", k.input.Job.Number, n)
		if _, err := os.Stat(filepath.Join(k.dir, "issued", number+".pdf")); errors.Is(err, os.ErrNotExist) {
			return number, nil
		}
	}
}

func (c *Console) document(x *cli.Context, k *openCase, o *scoring.Outcome, kind report.Kind) (*report.Document, error) {
	in := &k.input
	d := &report.Document{Kind: kind, IssuedAt: c.Now(), Tool: "proveout " + Version, Language: in.Shop.Language,
		Shop: in.Shop, Job: in.Job, Plan: in.Plan, Family: in.Family, Outcome: o}
	if bench, ok := in.Shop.Bench(in.Job.Bench); ok {
		d.Bench = bench
	}
	for _, t := range in.Shop.Technicians {
		if t.ID == in.Job.Technician {
			d.Technician = t.Name
		}
		if t.ID == k.by(x) && kind == report.Certificate {
			if !t.Sign {
				return nil, fmt.Errorf("%s may not authorise certificates; name one who may with --by", t.Name)
			}
			d.AuthorisedBy = t.Name
		}
	}
	if kind == report.Certificate && d.AuthorisedBy == "" {
		return nil, fmt.Errorf("nobody of the shop authorises this: %s is not among its technicians; name one with --by", k.by(x))
	}
	for _, e := range in.Job.Card.Photos {
		img, err := readPicture(e.Path)
		if err != nil {
			return nil, fmt.Errorf("photo %s: %w", e.Name, err)
		}
		d.Photos = append(d.Photos, report.Photo{Image: img, Caption: firstOf(e.Caption, e.Role), Role: e.Role, SHA256: e.SHA256})
	}
	if in.Shop.Logo != "" {
		img, err := readPicture(filepath.Join(k.shopDir, in.Shop.Logo))
		if err != nil {
			return nil, fmt.Errorf("logo: %w", err)
		}
		d.Logo = img
	}
	return d, nil
}

// mostPixels bounds a photo: 100 million pixels.
const mostPixels = 100_000_000

func readPicture(path string) (image.Image, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	w, h, err := pictureSize(f)
	if err != nil {
		return nil, err
	}
	if int64(w)*int64(h) > mostPixels {
		return nil, fmt.Errorf("%d×%d pixels are more than this program takes", w, h)
	}
	if _, err := f.Seek(0, 0); err != nil {
		return nil, err
	}
	img, _, err := image.Decode(f)
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		err = errors.New("the file is cut off")
	}
	return img, err
}
