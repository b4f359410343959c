package document

import (
	"bytes"
	"compress/zlib"
	"crypto/sha256"
	"errors"
	"image"
	"image/color"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/johnfercher/maroto/v2"
	"github.com/johnfercher/maroto/v2/pkg/components/col"
	"github.com/johnfercher/maroto/v2/pkg/components/row"

	"proveout/report/content"
	"proveout/report/internal/sample"
	"proveout/scoring/conformity"
)

func printed(t testing.TB, d *content.Document, paper Paper) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := laidOut(&buf, d, paper); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

func laidOut(w io.Writer, d *content.Document, paper Paper) error {
	c, err := content.Build(d)
	if err != nil {
		return err
	}
	return Write(w, d, c, paper)
}

// smaller keeps a document quick to print: one small photo.
func smaller(d *content.Document) *content.Document {
	d.Photos = []content.Photo{{Image: sample.Board(200, 150, 1), Caption: "front", SHA256: "00"}}
	return d
}

// keep returns a folder for what a test makes; with PROVEOUT_KEEP set to a
// folder it stays there to be looked at.
func keep(t *testing.T) string {
	if dir := os.Getenv("PROVEOUT_KEEP"); dir != "" {
		return dir
	}
	return t.TempDir()
}

func saved(t *testing.T, name string, pdf []byte) string {
	t.Helper()
	path := filepath.Join(keep(t), name+".pdf")
	if err := os.WriteFile(path, pdf, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// The private field that vector figures hang on is there in the pinned version
// of maroto.
func TestNativeWriterIsReached(t *testing.T) {
	m := maroto.New()
	p := &block{h: 1}
	m.AddRows(row.New().Add(col.New().Add(p)))
	pdf, err := native(p.provider)
	if err != nil || pdf.PageNo() != 1 {
		t.Fatalf("maroto keeps its writer elsewhere: %v", err)
	}
	for _, v := range []any{nil, 7, struct{ fpdf int }{}, &struct{ fpdf int }{}, "text"} {
		if _, err := native(asProvider(v)); err == nil {
			t.Errorf("native(%T) found a writer", v)
		}
	}
}

func TestSamplesUnderTwoMegabytes(t *testing.T) {
	for name, d := range map[string]*content.Document{"accepted": sample.FullPhotos(sample.Accepted()), "failed": sample.Failed(), "inconclusive": sample.Inconclusive()} {
		pdf := printed(t, d, A4)
		saved(t, name, pdf)
		if len(pdf) > 2<<20 || len(pdf) < 50<<10 {
			t.Errorf("%s: %d bytes", name, len(pdf))
		}
	}
}

func TestCertificateNeedsAnAcceptedOutcome(t *testing.T) {
	for name, spoil := range map[string]func(*content.Document){
		"not accepted":  func(d *content.Document) { d.Outcome.Accepted = false },
		"not passed":    func(d *content.Document) { d.Outcome.Verdict = conformity.Inconclusive },
		"no number":     func(d *content.Document) { d.Number = "" },
		"no authoriser": func(d *content.Document) { d.AuthorisedBy = "" },
		"no outcome":    func(d *content.Document) { d.Outcome = nil },
	} {
		d := smaller(sample.Accepted())
		spoil(d)
		var buf bytes.Buffer
		if err := laidOut(&buf, d, A4); err == nil || buf.Len() != 0 {
			t.Errorf("%s: err = %v, %d bytes", name, err, buf.Len())
		}
	}
	d := sample.Failed()
	d.Kind, d.AuthorisedBy = content.Certificate, "Marit Osk"
	if err := laidOut(io.Discard, d, A4); !errors.Is(err, content.ErrNotAccepted) {
		t.Errorf("a failed job: %v", err)
	}
}

func TestBytesRepeat(t *testing.T) {
	d := sample.Accepted()
	d.Photos = nil
	for i := range 4 { // pictures of one size, in which the writer has no order of its own
		d.Photos = append(d.Photos, content.Photo{Image: sample.Board(160, 120, uint64(i)), Caption: "photo"})
	}
	d.Logo = image.NewGray16(image.Rect(0, 0, 160, 40))
	first := sha256.Sum256(printed(t, d, A4))
	for i := 1; i < 30; i++ {
		if sha256.Sum256(printed(t, d, A4)) != first {
			t.Fatalf("run %d gave other bytes", i+1)
		}
	}
	// Photos prepared anew give the same bytes as well.
	e := sample.Accepted()
	e.Photos, e.Logo = nil, d.Logo
	for i := range 4 {
		e.Photos = append(e.Photos, content.Photo{Image: sample.Board(160, 120, uint64(i)), Caption: "photo"})
	}
	if !bytes.Equal(printed(t, d, A4), printed(t, e, A4)) {
		t.Error("photos prepared again gave other bytes")
	}
}

func TestAwkwardTextPrints(t *testing.T) {
	for _, paper := range []Paper{A4, Letter} {
		pdf := printed(t, smaller(sample.Awkward()), paper)
		saved(t, []string{"awkward-a4", "awkward-letter"}[paper], pdf)
	}
	d := smaller(sample.Awkward())
	d.Language = "de"
	saved(t, "awkward-de", printed(t, d, A4))
	d.Language = "fr"
	saved(t, "awkward-fr", printed(t, d, A4))
	d.Language = "tlh"
	if err := laidOut(io.Discard, d, A4); err == nil || !strings.Contains(err.Error(), "de, en, fr") {
		t.Errorf("unknown language: %v", err)
	}
}

// Pictures that the PDF writer refuses as files are drawn anew.
func TestPicturesOfEveryKind(t *testing.T) {
	r := image.Rect(0, 0, 40, 30)
	cmyk := image.NewCMYK(r)
	pal := image.NewPaletted(r, color.Palette{color.Black, color.White, color.Transparent})
	deep := image.NewNRGBA64(r)
	offset := sample.Board(64, 48, 3).SubImage(image.Rect(7, 5, 40, 41)).(*image.YCbCr)
	d := smaller(sample.Accepted())
	d.Photos = nil
	for _, img := range []image.Image{cmyk, pal, deep, offset, image.NewAlpha16(r), image.NewGray16(image.Rect(-5, -5, 1, 1)), image.NewRGBA(image.Rect(0, 0, 5000, 2)), image.NewRGBA(image.Rect(0, 0, 1, 3000))} {
		d.Photos = append(d.Photos, content.Photo{Image: img, Caption: "kind"})
	}
	d.Logo = deep
	pdf := printed(t, d, A4)
	if n := bytes.Count(pdf, []byte("/Subtype /Image")); n != len(d.Photos)+1 {
		t.Errorf("%d pictures in the file, want %d", n, len(d.Photos)+1)
	}
	d.Photos = []content.Photo{{Image: image.NewRGBA(image.Rect(0, 0, 0, 0)), Caption: "empty"}}
	if err := laidOut(io.Discard, d, A4); err == nil || !strings.Contains(err.Error(), "empty") {
		t.Errorf("a picture without pixels: %v", err)
	}
}

// The catalog carries the language, and the cross-reference table is where the
// file says.
func TestFinish(t *testing.T) {
	pdf := printed(t, smaller(sample.Accepted()), A4)
	if !bytes.Contains(pdf, []byte("/Lang (en)")) || !bytes.Contains(pdf, []byte("/DisplayDocTitle true")) {
		t.Error("the catalog lacks language or title preference")
	}
	m := regexp.MustCompile(`startxref\n(\d+)\n%%EOF\n$`).FindSubmatch(pdf)
	if m == nil {
		t.Fatal("no end of file")
	}
	at := 0
	for _, c := range m[1] {
		at = at*10 + int(c-'0')
	}
	if !bytes.HasPrefix(pdf[at:], []byte("xref\n")) {
		t.Errorf("startxref %d points at %q", at, pdf[at:at+8])
	}
	for _, s := range []string{"", "%PDF-1.3", "/Type /Catalog\n\nstartxref\nx\n"} {
		if got, err := finish([]byte(s), "en", nil); err == nil {
			t.Errorf("finish(%q) = %q", s, got)
		}
	}
}

// streams returns all content of the file, inflated where it can be.
func streams(pdf []byte) string {
	var out strings.Builder
	for {
		i := bytes.Index(pdf, []byte("stream\n"))
		if i < 0 {
			return out.String()
		}
		pdf = pdf[i+7:]
		if r, err := zlib.NewReader(bytes.NewReader(pdf)); err == nil {
			if b, err := io.ReadAll(r); err == nil {
				out.Write(b)
			}
		}
	}
}

// utf16be is text as the writer puts it into a page, with ( ) and \ escaped.
func utf16be(s string) string {
	var b strings.Builder
	for _, r := range s {
		for _, c := range []byte{byte(r >> 8), byte(r)} {
			if c == '(' || c == ')' || c == '\\' {
				b.WriteByte('\\')
			}
			b.WriteByte(c)
		}
	}
	return b.String()
}

// Read back in Go alone: the words are on the pages, every page of a report is
// marked, and a certificate bears no such mark.
func TestReadBack(t *testing.T) {
	pages := regexp.MustCompile(`/Type /Page\n`)
	for name, tt := range map[string]struct {
		d       *content.Document
		has     []string
		hasNone []string
	}{
		"accepted": {smaller(sample.Accepted()), []string{
			"ACCEPTED", "Acceptance certificate", "QV24-0773-4410", "End of certificate HW-2026-0042",
			"where the next good card is expected (95 %)", "96\u00a0ms", "temperature, °C",
		}, []string{"NOT A CERTIFICATE"}},
		"failed": {smaller(sample.Failed()), []string{
			"NOT ACCEPTED – FAILED", "Test report", "End of test report HW-2026-0043",
		}, []string{"Acceptance certificate"}},
	} {
		pdf := printed(t, tt.d, A4)
		text := streams(pdf)
		for _, s := range tt.has {
			if !strings.Contains(text, utf16be(s)) {
				t.Errorf("%s: no %q on any page", name, s)
			}
		}
		for _, s := range tt.hasNone {
			if strings.Contains(text, utf16be(s)) {
				t.Errorf("%s: %q is on a page", name, s)
			}
		}
		n := len(pages.FindAll(pdf, -1))
		if banners := strings.Count(text, utf16be("TEST REPORT – NOT A CERTIFICATE")); name == "failed" && (banners != n || n < 3) {
			t.Errorf("%s: %d banners on %d pages", name, banners, n)
		}
	}
}

func BenchmarkWrite(b *testing.B) {
	d := sample.FullPhotos(sample.Accepted())
	for b.Loop() {
		for i := range d.Photos {
			d.Photos[i].JPEG = nil // scaling and encoding is part of the work
		}
		if err := laidOut(io.Discard, d, A4); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkWritePrepared(b *testing.B) {
	d := sample.FullPhotos(sample.Accepted())
	for b.Loop() {
		if err := laidOut(io.Discard, d, A4); err != nil {
			b.Fatal(err)
		}
	}
}
