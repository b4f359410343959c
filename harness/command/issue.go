package command

import (
	"errors"
	"fmt"
	"image"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/harness/register"
	"proveout/plans/fact"
	"proveout/report"
	"proveout/report/record"
	"proveout/report/words"
	"proveout/scoring"
)

var (
	languageFlag   = &cli.StringFlag{Name: "language", Usage: "`CODE` of the documents' language: en, de or fr; else the shop's"}
	printCodesFlag = &cli.BoolFlag{Name: "print-codes", Usage: "print characters that the fonts do not have by their codes"}
)

var paperFlag = &cli.StringFlag{Name: "paper", Usage: "`SIZE` of paper: A4 or Letter; else the shop's"}

func (c *Console) certifyCommand() *cli.Command {
	return &cli.Command{
		Name:      "certify",
		Usage:     "issue the certificate of an accepted job",
		ArgsUsage: "JOB",
		Description: "The certificate carries the record of the test and is signed when the shop has a\n" +
			"key (proveout key new). Log files travel inside it as far as they are small, so\n" +
			"that a buyer can have all verdicts worked out again.",
		Flags: []cli.Flag{shopFlag, jsonFlag, paperFlag, languageFlag, byFlag, printCodesFlag,
			&cli.StringFlag{Name: "replaces", Usage: "`NUMBER` of the certificate that this one takes the place of"},
			&cli.StringFlag{Name: "because", Usage: "`WHY` it takes its place"},
			&cli.BoolFlag{Name: "name-customer", Usage: "print the customer reference, which is left out otherwise"},
			&cli.BoolFlag{Name: "no-logs", Usage: "leave the log files out of the certificate"}},
		Action: func(x *cli.Context) error { return c.issue(x, report.Certificate) },
	}
}

func (c *Console) reportCommand() *cli.Command {
	return &cli.Command{
		Name:      "report",
		Usage:     "write a test report of a job in any state",
		ArgsUsage: "JOB",
		Flags:     []cli.Flag{shopFlag, jsonFlag, paperFlag, languageFlag, byFlag},
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
	Standing []fact.Fact     `json:"in_the_way"`
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
		c.say(x, "No certificate for job %s. %s In the way:", o.Job, c.words().Tell(o.Reason))
		for _, s := range o.Standing {
			c.say(x, "- %s", c.words().Tell(s))
		}
		return errNotPassed
	}
	paper, err := report.PaperNamed(firstOf(x.String("paper"), k.input.Shop.Paper))
	if err != nil {
		return err
	}
	if kind == report.Certificate {
		if err := c.checkReplaces(x, k); err != nil {
			return err
		}
	}
	if where := naming(k.input.Job, k.input.Job.Customer); kind == report.Certificate && !x.Bool("name-customer") && len(where) > 0 {
		c.say(x, "Note: the certificate shows the customer reference %q all the same: %s.", k.input.Job.Customer, strings.Join(where, ", "))
	}
	if a.Number, a.Document, a.Page, err = c.write(x, k, &o, kind, paper); err != nil {
		return err
	}
	if kind == report.Certificate {
		if err := c.superseded(x, k, a.Number); err != nil {
			return err
		}
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

// write makes the document and its page, all or nothing: the number is given
// back when one of them cannot be written.
func (c *Console) write(x *cli.Context, k *openCase, o *scoring.Outcome, kind report.Kind, paper report.Paper) (number, pdfPath, pagePath string, err error) {
	d, err := c.document(x, k, o, kind)
	if err != nil {
		return "", "", "", err
	}
	if err := d.Prepare(); err != nil {
		return "", "", "", err
	}
	id, err := c.sealer(x, k, d)
	if err != nil {
		return "", "", "", err
	}
	name := "report"
	if kind == report.Certificate {
		name = "certificate"
	}
	err = k.work(func(f *job.Folder) (err error) {
		if d.Number, err = c.takeNumber(k, d, kind); err != nil {
			return err
		}
		giveBack := func() {
			if kind == report.Certificate {
				register.GiveBack(k.shopDir, d.Number)
			}
		}
		c.unissued.hold(giveBack)
		defer func() {
			c.unissued.hold(nil)
			if err != nil {
				giveBack()
			}
		}()
		pdf, page, err := c.made(x, k, d, paper, id)
		if err != nil {
			return err
		}
		if err := c.unissued.settle(x.Context); err != nil {
			return err
		}
		defer c.unissued.settled()
		base := strings.Map(plainName, d.Number)
		if pdfPath, err = f.Issue(job.IssuedRecord{Document: name, Number: d.Number, File: base + ".pdf"}, pdf, k.by(x), job.KeepExisting); err != nil {
			return err
		}
		pagePath, err = f.Issue(job.IssuedRecord{Document: "page", Number: d.Number, File: base + ".html"}, page, k.by(x), job.KeepExisting)
		return err
	})
	return d.Number, pdfPath, pagePath, err
}

// refuseMissing stops before characters are printed by their codes, unless
// that was agreed to.
func (c *Console) refuseMissing(x *cli.Context, d *report.Document, pages *report.Pages) error {
	missing := pages.Missing()
	for _, g := range missing {
		c.say(x, "Note: the fonts of the documents have no %q (U+%04X), as in %q.", g.Rune, g.Rune, g.Text)
	}
	if len(missing) > 0 && d.Kind == report.Certificate && !x.Bool("print-codes") {
		return errors.New("nothing was issued, because characters cannot be printed; write them in another script, or print their codes in brackets with --print-codes")
	}
	return nil
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
		return register.TakeNumber(k.shopDir, k.input.Shop.Numbering, register.Document{Job: k.input.Job.Number, At: d.IssuedAt, Replaces: d.Replaces, Because: d.Because})
	}
	for n := 1; ; n++ {
		number := fmt.Sprintf("%s-R%d", k.input.Job.Number, n)
		if _, err := os.Stat(filepath.Join(k.dir, "issued", number+".pdf")); errors.Is(err, os.ErrNotExist) {
			return number, nil
		}
	}
}

func (c *Console) document(x *cli.Context, k *openCase, o *scoring.Outcome, kind report.Kind) (d *report.Document, err error) {
	in := &k.input
	d = &report.Document{Plan: in.Plan, Family: in.Family, Record: record.Record{
		Kind: kind, IssuedAt: c.Now(), Tool: toolName, Language: firstOf(x.String("language"), in.Shop.Language, "en"),
		Replaces: x.String("replaces"), Because: x.String("because"), Shop: in.Shop, Job: in.Job, Outcome: o,
	}}
	if _, err := words.In(d.Language); err != nil {
		return nil, err
	}
	if kind == report.Certificate && !x.Bool("name-customer") {
		unnamed := *in.Job
		unnamed.Customer = ""
		d.Job = &unnamed
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
	if d.Photos, err = readPhotos(k.dir, in.Job.Card.Photos); err != nil {
		return nil, err
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

// readPhotos reads the photos of a card: the versions for print that the job
// keeps, and where one is missing or is not the one that the job names, the
// photo itself, several at once.
func readPhotos(dir string, files []reading.Evidence) ([]report.Photo, error) {
	photos, errs := make([]report.Photo, len(files)), make([]error, len(files))
	next := make(chan int, len(files))
	taken := map[int]bool{} // widths; each must have its own
	for i, e := range files {
		photos[i] = report.Photo{Caption: firstOf(e.Caption, e.Role), Role: e.Role, SHA256: e.SHA256}
		if _, err := os.Stat(job.EvidencePath(dir, e)); err == nil { // what the certificate names must be there
			if small, ok := job.ReadPrint(dir, e); ok && photos[i].Take(small) == nil && !taken[photos[i].Width] {
				taken[photos[i].Width] = true
				continue
			}
		}
		photos[i].JPEG = nil
		next <- i
	}
	close(next)
	var all sync.WaitGroup
	for range min(len(next), runtime.GOMAXPROCS(0)) {
		all.Go(func() {
			for i := range next {
				e := &files[i]
				img, err := readPicture(job.EvidencePath(dir, *e))
				if err != nil {
					errs[i] = fmt.Errorf("photo %s: %w", e.Name, err)
				}
				photos[i].Image = img
			}
		})
	}
	all.Wait()
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return photos, nil
}

// readPicture reads a photo and turns it the way the camera was held.
func readPicture(path string) (image.Image, error) {
	if st, err := os.Stat(path); err == nil && st.Size() > reading.MostPicture {
		return nil, errors.New("the file is larger than 256 MiB")
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	img, err := report.ReadPhoto(data)
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		err = errors.New("the file is cut off")
	}
	return img, err
}
