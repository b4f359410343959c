package report

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/png"
	"time"

	"golang.org/x/image/draw"

	"proveout/report/archive"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
)

// EncodeLogo encodes a shop's logo as it is attached to a certificate: at most
// 600 px wide, without metadata.
func EncodeLogo(img image.Image) ([]byte, error) {
	const widest = 600
	b := img.Bounds()
	if b.Empty() {
		return nil, errors.New("the logo has no pixels")
	}
	w, h := b.Dx(), b.Dy()
	if w > widest {
		w, h = widest, max(1, h*widest/w)
	}
	out := image.NewNRGBA(image.Rect(0, 0, w, h))
	draw.ApproxBiLinear.Scale(out, out.Bounds(), img, b, draw.Src, nil)
	var buf bytes.Buffer
	err := png.Encode(&buf, out)
	return buf.Bytes(), err
}

// Remake makes the pages of a certificate again from its record, for a program
// of that name and version. Pages of another version, or of the same built by
// another compiler, are to be compared by their values.
func Remake(e *archive.Examiner, c check.Contents, tool string) ([]byte, error) {
	r, err := e.Record(c)
	if err != nil {
		return nil, err
	}
	if r.Tool != tool || r.Built != archive.Built() || r.Schema != archive.Schema {
		return e.Values(c)
	}
	jpegs, err := pdffile.JPEGs(c.Pages)
	if err != nil {
		return nil, err
	}
	if jpegs == nil {
		jpegs = [][]byte{}
	}
	d, err := e.Document(c, jpegs)
	if err != nil {
		return nil, err
	}
	paper, err := PaperNamed(r.Paper)
	if err != nil {
		return nil, err
	}
	var buf bytes.Buffer
	err = WritePDF(&buf, d, paper)
	return buf.Bytes(), err
}

// Verify looks at a certificate with all that this program can do: o says what
// is known of signers, e where log files are, tool what this program is. Made
// certificates take a fraction of a second; what takes longer than the limit is
// not good.
func Verify(pdf []byte, o check.Options, e *archive.Examiner, tool string, limit time.Duration) check.Report {
	e.Tool = tool
	o.Rescore, o.Further = e.Scores, append(e.Questions(), o.Further...)
	o.Remake = func(c check.Contents) ([]byte, error) { return Remake(e, c, tool) }
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	done := make(chan check.Report, 1)
	own := bytes.Clone(pdf) // a look that is given up on goes on reading
	go func() { done <- check.Verify(own, o) }()
	select {
	case r := <-done:
		return r
	case <-ctx.Done():
		return check.TookTooLong()
	}
}
