package command

import (
	"bytes"
	"cmp"
	"compress/zlib"
	"context"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/report"
	"proveout/report/record"
	"proveout/report/seal"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
)

// toolName is what documents say they were made with.
const toolName = "proveout " + Version

// A sealing is how a certificate is sealed.
type sealing struct {
	identity *seal.Identity // nil: not signed
	logs     []pdffile.Attachment
}

// sealer opens the shop's key for a certificate and gathers the log files that
// travel inside it.
func (c *Console) sealer(x *cli.Context, k *openCase, d *report.Document) (*sealing, error) {
	if d.Kind != report.Certificate {
		return nil, nil
	}
	s := &sealing{}
	id, err := c.identity(k.shopDir)
	switch {
	case errors.Is(err, seal.ErrNone):
		c.say(x, "Note: the shop has no signing key, so this certificate is not signed and a buyer "+
			"cannot tell whether it was changed. Make one with: proveout key new")
	case err != nil:
		return nil, err
	default:
		s.identity = &id
		c.noteKey(x, k, id)
		d.Seal = &record.Seal{Name: id.Name(), Fingerprint: id.Fingerprint()}
	}
	if !x.Bool("no-logs") {
		s.logs = attachedLogs(d, k.input.Files)
	}
	return s, nil
}

// noteKey says what is odd about the key that a certificate is to be signed
// with.
func (c *Console) noteKey(x *cli.Context, k *openCase, id seal.Identity) {
	keys := keysOf(k.shopDir)
	if locked, err := keys.Encrypted(); err == nil && !locked && keys.OpenToOthers() {
		c.say(x, "Note: %s", openToOthers(keys))
	}
	if id.Name() != k.input.Shop.Name {
		c.say(x, "Note: the signing key is in the name of %s, and the shop is %s. Buyers are shown both.",
			id.Name(), k.input.Shop.Name)
	}
}

// Bounds of the log files inside a certificate, which stays below 2 MB.
const (
	mostLogs    = 40
	mostLogSize = 8 << 20   // bytes of one file
	mostPacked  = 500 << 10 // bytes of all of them, packed
)

// attachedLogs are the job's log files as far as they fit, the smallest first.
func attachedLogs(d *report.Document, files reading.Files) []pdffile.Attachment {
	type candidate struct {
		packed int
		sum    string // SHA-256
		pdffile.Attachment
	}
	var all []candidate
	for _, attempts := range d.Job.Attempts {
		for _, a := range attempts {
			var small []reading.Evidence // captures are too large
			for _, l := range a.Logs {
				small = append(small, l.Evidence)
			}
			small = append(small, a.Dumps...)
			for _, l := range small {
				same := func(c candidate) bool { return c.sum == l.SHA256 }
				if l.Size > mostLogSize || slices.ContainsFunc(all, same) {
					continue
				}
				data, err := reading.ReadAll(files, l, mostLogSize)
				if err != nil || record.Digest(data) != l.SHA256 {
					continue // it stays outside; the record names it all the same
				}
				all = append(all, candidate{packedSize(data), l.SHA256, pdffile.Attachment{
					Name:        logName(l.Name, l.SHA256),
					Description: "File of the test",
					Type:        logType(l.Name),
					Relation:    pdffile.Data,
					Data:        data,
				}})
			}
		}
	}
	slices.SortFunc(all, func(a, b candidate) int {
		return cmp.Or(
			cmp.Compare(a.packed, b.packed),
			strings.Compare(a.Name, b.Name),
			strings.Compare(a.sum, b.sum),
		)
	})
	var out []pdffile.Attachment
	taken := map[string]bool{check.RecordName: true, record.LogoName: true}
	room := mostPacked
	for _, a := range all {
		if room -= a.packed; room < 0 || len(out) == mostLogs {
			break
		}
		if taken[a.Name] {
			a.Name = a.sum[:8] + "-" + a.Name
		}
		taken[a.Name] = true
		out = append(out, a.Attachment)
	}
	return out
}

// packedSize is about what a file takes inside the certificate, or a little
// more.
func packedSize(data []byte) int {
	var b bytes.Buffer
	w, err := zlib.NewWriterLevel(&b, zlib.BestSpeed)
	if err != nil {
		return len(data)
	}
	w.Write(data)
	w.Close()
	return b.Len()
}

// logName is the file's name when an attachment may have it.
func logName(name, sum string) string {
	name = filepath.Base(strings.ReplaceAll(name, `\`, "/"))
	plain := strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7F || r == '/' || r == '\uFFFD' {
			return '_'
		}
		return r
	}, name)
	if plain == "" || len(plain) > 150 {
		return sum[:16] + ".log"
	}
	return plain
}

func logType(name string) string {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".csv":
		return "text/csv"
	case ".txt", ".log", ".tsv":
		return "text/plain"
	case ".json", ".jsonl":
		return "application/json"
	}
	return "application/octet-stream"
}

// made makes the files of a document. A certificate is made from its record,
// so that it can be made again from it.
func (c *Console) made(
	x *cli.Context, k *openCase, d *report.Document, paper report.Paper, s *sealing,
) (pdf, page []byte, err error) {
	var files []pdffile.Attachment
	var canon []byte
	if s != nil {
		var logo []byte
		if d.Logo != nil {
			if logo, err = report.EncodeLogo(d.Logo); err != nil {
				return nil, nil, err
			}
			files = append(files, pdffile.Attachment{
				Name:        record.LogoName,
				Description: "Logo of the workshop",
				Type:        "image/png",
				Relation:    pdffile.Source,
				Data:        logo,
			})
		}
		files = append(files, s.logs...)
		if canon, d, err = fromRecord(k, d, paper, logo, s.logs); err != nil {
			return nil, nil, err
		}
	}
	pages, err := report.LayOut(d)
	if err != nil {
		return nil, nil, err
	}
	if err := c.refuseMissing(x, d, pages); err != nil {
		return nil, nil, err
	}
	if pdf, page, err = written(pages, paper); err != nil {
		return nil, nil, err
	}
	switch {
	case s == nil:
	case s.identity == nil:
		pdf, err = pdffile.Attach(pdf, append([]pdffile.Attachment{seal.RecordAttachment(canon)}, files...))
	default:
		pdf, err = c.signed(x.Context, pdf, canon, files, *s.identity, d, k.input.Shop.TimeStamp)
	}
	return pdf, page, err
}

// written writes both forms of a document at once.
func written(pages *report.Pages, paper report.Paper) (pdf, page []byte, err error) {
	var b, h bytes.Buffer
	done := make(chan error, 1)
	go func() { done <- pages.WritePage(&h) }() // both only read what is laid out
	err = pages.WritePDF(&b, paper)
	return b.Bytes(), h.Bytes(), errors.Join(err, <-done)
}

// stampWait is how long a time stamp server may take to answer.
const stampWait = 15 * time.Second

// signed signs a certificate, with a time stamp when the shop names a server.
// One that does not answer is told, and the certificate says that the time is
// the shop's own.
func (c *Console) signed(
	parent context.Context, pdf, canon []byte, files []pdffile.Attachment,
	id seal.Identity, d *report.Document, server string,
) ([]byte, error) {
	terms := seal.Terms{
		Time:     d.IssuedAt,
		Reason:   "Acceptance test passed",
		Location: strings.Join(d.Shop.Address, ", "),
		Contact:  d.Shop.Contact,
	}
	if server != "" {
		ctx, stop := context.WithTimeout(parent, stampWait)
		defer stop()
		var err error
		if terms.TimeStamp, err = seal.TimeStampServer(ctx, &http.Client{}, server); err != nil {
			return nil, err
		}
	}
	out, err := seal.Seal(pdf, canon, files, id, terms)
	if errors.Is(err, seal.ErrTimeStamp) && parent.Err() == nil {
		fmt.Fprintf(c.Diag, "Note: %s. The certificate is signed with the shop's own time.\n", errorText(err))
		terms.TimeStamp = nil
		out, err = seal.Seal(pdf, canon, files, id, terms)
	}
	return out, err
}

// fromRecord writes the record of a document and reads the document back from
// it. What does not follow from its own record is not issued.
func fromRecord(
	k *openCase, d *report.Document, paper report.Paper, logo []byte, attached []pdffile.Attachment,
) ([]byte, *report.Document, error) {
	r, err := d.Travelling(k.input, paper.String(), logo)
	if err != nil {
		return nil, nil, err
	}
	canon, err := r.Encode()
	if err != nil {
		return nil, nil, fmt.Errorf("writing the record: %w", err)
	}
	back, err := record.Decode(canon)
	if err != nil {
		return nil, nil, err
	}
	inside := map[string][]byte{}
	for _, a := range attached {
		inside[record.Digest(a.Data)] = a.Data
	}
	if _, err := back.Rescore(logs.InMemory(inside)); err != nil {
		return nil, nil, fmt.Errorf("the record does not give the same verdicts again: %w", err)
	}
	jpegs := [][]byte{}
	for _, p := range d.Photos {
		jpegs = append(jpegs, p.JPEG)
	}
	again, err := back.Document(jpegs, logo)
	return canon, again, err
}
