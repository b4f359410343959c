package workflow

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

	"proveout/harness/reading"
	"proveout/plans/fact"
	"proveout/report/content"
	"proveout/report/document"
	"proveout/report/page"
	"proveout/report/record"
	"proveout/report/seal"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
)

// openKey opens the shop's key for a certificate, and tells what is odd about it.
func (is *issuing) openKey(d *content.Document) error {
	keys := Keys(is.home.Dir)
	id, locked, err := OpenKey(keys, is.Passphrase)
	if errors.Is(err, seal.ErrNone) {
		is.note(fact.New("issuing.no-key"))
		return nil
	}
	if err != nil {
		return err
	}
	if !locked && keys.OpenToOthers() {
		is.note(fact.New("issuing.key-open", "file", keys.File()))
	}
	if id.Name() != is.Shop.Name {
		is.note(fact.New("issuing.key-name", "key", id.Name(), "shop", is.Shop.Name))
	}
	is.identity = &id
	d.Seal = &content.Seal{Name: id.Name(), Fingerprint: id.Fingerprint()}
	return nil
}

// made makes the files of a document. A certificate is made from its record,
// so that it can be made again from it.
func (is *issuing) made(d *content.Document) (pdf, page []byte, err error) {
	var files []pdffile.Attachment
	var canon []byte
	if is.certificate() {
		var logo []byte
		if d.Logo != nil {
			if logo, err = content.EncodeLogo(d.Logo); err != nil {
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
		var logFiles []pdffile.Attachment
		if !is.NoLogs {
			logFiles = attachedLogs(d, is.Files)
		}
		files = append(files, logFiles...)
		if canon, d, err = is.fromRecord(d, logo, logFiles); err != nil {
			return nil, nil, err
		}
	}
	pages, err := content.Build(d)
	if err != nil {
		return nil, nil, err
	}
	if err := is.refuseMissing(pages); err != nil {
		return nil, nil, err
	}
	if pdf, page, err = written(d, pages, is.paper); err != nil {
		return nil, nil, err
	}
	switch {
	case !is.certificate():
	case is.identity == nil:
		pdf, err = pdffile.Attach(pdf, append([]pdffile.Attachment{seal.RecordAttachment(canon)}, files...))
	default:
		pdf, err = is.signed(pdf, canon, files, d)
	}
	return pdf, page, err
}

// written writes both forms of a document.
func written(d *content.Document, c *content.Content, paper document.Paper) (pdf, html []byte, err error) {
	var b, h bytes.Buffer
	if err := document.Write(&b, d, c, paper); err != nil {
		return nil, nil, err
	}
	err = page.Write(&h, c)
	return b.Bytes(), h.Bytes(), err
}

// fromRecord writes the record of a document and reads the document back from
// it. What does not follow from its own record is not issued.
func (is *issuing) fromRecord(
	d *content.Document, logo []byte, attached []pdffile.Attachment,
) ([]byte, *content.Document, error) {
	r, err := record.Travelling(d, is.Input, is.paper.String(), logo)
	if err != nil {
		return nil, nil, err
	}
	canon, err := check.Canonical(r)
	if err != nil {
		return nil, nil, fmt.Errorf("writing the record: %w", err)
	}
	back, err := record.Decode(canon)
	if err != nil {
		return nil, nil, err
	}
	if _, err := judging.Rescore(back, judging.InMemory(attached), Tool); err != nil {
		return nil, nil, fmt.Errorf("the record does not give the same verdicts again: %w", err)
	}
	jpegs := [][]byte{}
	for _, p := range d.Photos {
		jpegs = append(jpegs, p.JPEG)
	}
	again, err := record.Document(back, jpegs, logo)
	return canon, again, err
}

// stampWait is how long a time stamp server may take to answer.
const stampWait = 15 * time.Second

// signed signs a certificate, with a time stamp when the shop names a server.
// One that does not answer is told, and the certificate says that the time is
// the shop's own.
func (is *issuing) signed(pdf, canon []byte, files []pdffile.Attachment, d *content.Document) ([]byte, error) {
	terms := seal.Terms{
		Time:     d.IssuedAt,
		Reason:   "Acceptance test passed",
		Location: strings.Join(d.Shop.Address, ", "),
		Contact:  d.Shop.Contact,
	}
	if server := is.Shop.TimeStamp; server != "" {
		ctx, stop := context.WithTimeout(is.ctx, stampWait)
		defer stop()
		var err error
		if terms.TimeStamp, err = seal.TimeStampServer(ctx, &http.Client{}, server); err != nil {
			return nil, err
		}
	}
	out, err := seal.Seal(pdf, canon, files, *is.identity, terms)
	if errors.Is(err, seal.ErrTimeStamp) && is.ctx.Err() == nil {
		is.note(fact.New("issuing.no-stamp", "why", fact.Why(err)))
		terms.TimeStamp = nil
		out, err = seal.Seal(pdf, canon, files, *is.identity, terms)
	}
	return out, err
}

// Bounds of the log files inside a certificate, which stays below 2 MB.
const (
	mostLogs    = 40
	mostLogSize = 8 << 20   // bytes of one file
	mostPacked  = 500 << 10 // bytes of all of them, packed
)

// attachedLogs are the job's log files as far as they fit, the smallest first.
func attachedLogs(d *content.Document, files reading.Files) []pdffile.Attachment {
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
				if err != nil || content.Digest(data) != l.SHA256 {
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
