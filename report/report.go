// Package report writes what leaves the bench: the acceptance certificate and
// the test report, as PDF and as a page that opens in any browser.
//
// A [Document] with the judged job comes in; bytes go out, the same for the
// same document and time of issue. The package and those below it recompute no
// verdict and compare no measurements. Texts come from the catalogue of package
// words, the order of what is said from package content; document prints it,
// page shows it, chart draws the figures.
package report

import (
	"fmt"
	"image"
	"io"

	"proveout/report/content"
	"proveout/report/document"
	"proveout/report/page"
	"proveout/report/record"
)

// A Document is everything that stands on a certificate or a test report.
type Document = record.Document

// A Photo is a picture of the card.
type Photo = record.Photo

// A Kind says what a document is.
type Kind = record.Kind

// The kinds of document.
const (
	TestReport  = record.TestReport
	Certificate = record.Certificate
)

// ErrNotAccepted is wrapped by the error for a certificate whose outcome is not
// accepted.
var ErrNotAccepted = record.ErrNotAccepted

// ReadPhoto decodes a photo for [Photo.Image] and turns it the way the camera
// was held.
func ReadPhoto(data []byte) (image.Image, error) { return record.ReadPhoto(data) }

// PrintVersion makes of a photo what documents show of it; n counts the photos of
// a job from 0.
func PrintVersion(img image.Image, n int) ([]byte, error) { return record.PrintVersion(img, n) }

// PaperNamed returns the paper of a name as shops write it: "A4", "Letter".
func PaperNamed(name string) (Paper, error) { return document.PaperNamed(name) }

// Paper is the size of printed pages.
type Paper = document.Paper

// The paper sizes.
const (
	A4     = document.A4
	Letter = document.Letter
)

// Pages is a document laid out: what its PDF and its page say, in words and in
// order, made once for both.
type Pages struct {
	document *Document
	content  *content.Content
}

// LayOut lays a document out and prepares its photos. The errors are those of
// [record.Document.Check], of an unknown language, and of pictures that cannot
// be encoded.
func LayOut(d *Document) (*Pages, error) {
	c, err := content.Build(d)
	if err != nil {
		return nil, fmt.Errorf("laying out %s: %w", name(d), err)
	}
	return &Pages{d, c}, nil
}

// Content is what the document says.
func (p *Pages) Content() *content.Content { return p.content }

// WritePDF writes the document as PDF.
func (p *Pages) WritePDF(w io.Writer, paper Paper) error {
	if err := document.Write(w, p.document, p.content, paper); err != nil {
		return fmt.Errorf("printing %s: %w", name(p.document), err)
	}
	return nil
}

// WritePage writes the document as one self-contained HTML file.
func (p *Pages) WritePage(w io.Writer) error {
	if err := page.Write(w, p.content); err != nil {
		return fmt.Errorf("writing the page of %s: %w", name(p.document), err)
	}
	return nil
}

// A Glyph is a character the printed document cannot draw.
type Glyph = content.Glyph

// Missing returns every character of the document that its fonts cannot draw,
// with a text it stands in. On paper each is replaced by its code point in
// brackets; ask before issuing.
func (p *Pages) Missing() []Glyph { return content.Missing(p.content, document.Drawable) }

func name(d *Document) string {
	switch {
	case d.Number != "":
		return d.Number
	case d.Job != nil:
		return "job " + d.Job.Number
	}
	return "the document"
}
