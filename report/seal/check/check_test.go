package check_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"proveout/report/seal"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
)

var day = time.Date(2026, 11, 2, 10, 30, 0, 0, time.UTC)

// plainPDF is the smallest file with one page.
func plainPDF() []byte {
	const content = "BT /F 12 Tf 10 10 Td (Certificate) Tj ET"
	var b bytes.Buffer
	var at []int
	b.WriteString("%PDF-1.4\n")
	for i, o := range []string{
		"<< /Type /Catalog /Pages 2 0 R >>",
		"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
		"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 100 100] /Resources << /Font << /F 5 0 R >> >> /Contents 4 0 R >>",
		fmt.Sprintf("<< /Length %d >>\nstream\n%s\nendstream", len(content), content),
		"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
	} {
		at = append(at, b.Len())
		fmt.Fprintf(&b, "%d 0 obj\n%s\nendobj\n", i+1, o)
	}
	table := b.Len()
	fmt.Fprintf(&b, "xref\n0 %d\n0000000000 65535 f \n", len(at)+1)
	for _, o := range at {
		fmt.Fprintf(&b, "%010d 00000 n \n", o)
	}
	fmt.Fprintf(&b, "trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n", len(at)+1, table)
	return b.Bytes()
}

func identity(t testing.TB) seal.Identity {
	t.Helper()
	id, err := seal.NewIdentity("Werkstatt", day.AddDate(-1, 0, 0))
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// A certificate is sealed, looked at without and with the fingerprint that the
// workshop gave, and once more with one bit changed.
func ExampleVerify() {
	id, err := seal.NewIdentity("Werkstatt", day.AddDate(-1, 0, 0))
	if err != nil {
		fmt.Println(err)
		return
	}
	pdf, err := seal.Seal(plainPDF(), []byte(`{"verdict":"pass"}`), nil, id, seal.Terms{Time: day})
	if err != nil {
		fmt.Println(err)
		return
	}
	given := check.Options{Signer: check.Exactly(id.Fingerprint())}
	fmt.Println(check.Verify(pdf, check.Options{}).Verdict)
	fmt.Println(check.Verify(pdf, given).Verdict)
	pdf[len(pdf)/2] ^= 1
	fmt.Println(check.Verify(pdf, given).Verdict)
	// Output:
	// unconfirmed
	// good
	// bad
}

func FuzzVerify(f *testing.F) {
	id := identity(f)
	pdf, err := seal.Seal(plainPDF(), []byte(`{"a":1}`), nil, id, seal.Terms{Time: day})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(pdf)
	f.Add(plainPDF())
	f.Add([]byte("%PDF-1.4\nxref\n0 1\ntrailer\n<<>>\nstartxref\n9\n%%EOF"))
	f.Fuzz(func(t *testing.T, data []byte) {
		// only this signer: each process of the fuzzer makes a key of its own
		r := check.VerifyUnguarded(data, check.Options{Signer: check.Exactly(id.Fingerprint())})
		if r.Verdict != check.Bad && !bytes.Equal(data, pdf) {
			t.Errorf("verdict %v", r.Verdict)
		}
	})
}

// Whatever can be signed at all must be answered, and what was signed in
// another form than a certificate's must not be good.
func FuzzSignedAnything(f *testing.F) {
	id := identity(f)
	attached, err := pdffile.Attach(plainPDF(), []pdffile.Attachment{seal.RecordAttachment([]byte(`{"a":1}`))})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(attached)
	f.Add(plainPDF())
	f.Fuzz(func(t *testing.T, data []byte) {
		pdf, err := seal.Sign(data, id, seal.Terms{Time: day})
		if err != nil {
			return
		}
		r := check.VerifyUnguarded(pdf, check.Options{})
		if r.Verdict == check.Unconfirmed && string(r.Record) == "" {
			t.Error("whole, but without a record")
		}
		pdffile.PageText(data)
	})
}

func binary(name string, data []byte) pdffile.Attachment {
	return pdffile.Attachment{Name: name, Type: "application/octet-stream", Relation: pdffile.Data, Data: data}
}

// An attachment that unpacks to far more than it should is not unpacked.
func TestPackedTooMuch(t *testing.T) {
	id := identity(t)
	attached, err := pdffile.Attach(plainPDF(), []pdffile.Attachment{binary("zeros.bin", make([]byte, 33<<20))})
	if err != nil {
		t.Fatal(err)
	}
	pdf, err := seal.Sign(attached, id, seal.Terms{Time: day})
	if err != nil {
		t.Fatal(err)
	}
	r := check.VerifyUnguarded(pdf, check.Options{})
	if last := r.Answers[len(r.Answers)-1]; r.Verdict != check.Bad || last.Words.Key != "check.attachments-unreadable" {
		t.Errorf("verdict %v, %v", r.Verdict, last.Words.Err())
	}
}

// The largest file that is looked at, signed and with a text that unpacks to
// the most that is unpacked, is answered.
func TestLargestFile(t *testing.T) {
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("set PROVEOUT_ALL_CHECKS=1 for the largest file")
	}
	id := identity(t)
	noise := make([]byte, pdffile.MaxSize-100_000)
	rand.NewChaCha8([32]byte{}).Read(noise)
	text := bytes.Repeat([]byte("0,24.5\n"), (32<<20-len(noise))/7-10)
	pdf, err := seal.Seal(plainPDF(), []byte(`{"a":1}`), []pdffile.Attachment{
		binary("noise.bin", noise),
		{Name: "soak.csv", Type: "text/csv", Relation: pdffile.Data, Data: text},
	}, id, seal.Terms{Time: day})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d bytes", len(pdf))
	if r := check.Verify(pdf, check.Options{Signer: check.Exactly(id.Fingerprint())}); !r.Valid {
		t.Errorf("verdict %v", r.Verdict)
	}
}

// The package is meant for a page in a browser: it links what it needs, nothing
// else. How large the page gets with what it links besides is held where it is
// built.
func TestLinksLittle(t *testing.T) {
	cmd := exec.Command("go", "list", "-deps", "-f", "{{if not .Standard}}{{.ImportPath}}{{end}}", ".")
	cmd.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm")
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	linked := strings.Fields(string(out))
	slices.Sort(linked)
	want := []string{
		"github.com/gowebpki/jcs",
		"proveout/plans/fact",
		"proveout/report/seal/check",
		"proveout/report/seal/cms",
		"proveout/report/seal/pdffile",
	}
	if !slices.Equal(linked, want) {
		t.Errorf("it links %q, and should link %q", linked, want)
	}
}

func BenchmarkVerify(b *testing.B) {
	for _, size := range []int{0, 2 << 20} {
		page := plainPDF()
		var files []pdffile.Attachment
		if size > 0 {
			noise := make([]byte, size)
			rand.NewChaCha8([32]byte{}).Read(noise)
			files = append(files, binary("x.bin", noise))
		}
		pdf, err := seal.Seal(page, []byte(`{"a":1}`), files, identity(b), seal.Terms{Time: day})
		if err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("%dkB", len(pdf)>>10), func(b *testing.B) {
			b.SetBytes(int64(len(pdf)))
			for range b.N {
				if r := check.Verify(pdf, check.Options{}); r.Verdict != check.Unconfirmed {
					b.Fatal(r.Summary)
				}
			}
		})
	}
}
