package seal

import (
	"bytes"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
)

// tool runs a program that others wrote and returns what it printed. The
// long checks need them all; a usual run does not look for them.
func tool(t *testing.T, dir, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "HOME="+dir)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

func needTools(t *testing.T, names ...string) {
	t.Helper()
	if !allChecks() {
		t.Skip("set PROVEOUT_ALL_CHECKS=1 to compare with other programs")
	}
	for _, n := range names {
		if _, err := exec.LookPath(n); err != nil {
			t.Fatalf("%v: the long checks need it", err)
		}
	}
}

func write(t *testing.T, dir, name string, data []byte) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
		t.Fatal(err)
	}
}

// parts writes the bytes that a signature covers, and its value, for openssl.
func parts(t *testing.T, dir string, pdf []byte) {
	t.Helper()
	f, err := pdffile.Read(pdf)
	if err != nil {
		t.Fatal(err)
	}
	s, err := f.Certification()
	if err != nil {
		t.Fatal(err)
	}
	write(t, dir, "covered.bin", append(bytes.Clone(pdf[:s.Hole.Start]), pdf[s.Hole.End:]...))
	raw, err := hex.DecodeString(string(pdf[s.Hole.Start+1 : s.Hole.End-1]))
	if err != nil {
		t.Fatal(err)
	}
	write(t, dir, "value.der", raw[:4+int(raw[2])<<8+int(raw[3])])
}

// What other programs say of certificates: poppler (pdfsig, pdfdetach,
// pdftotext), qpdf, openssl.
func TestOtherProgramsAgree(t *testing.T) {
	needTools(t, "pdfsig", "pdfdetach", "pdftotext", "qpdf", "openssl")
	rsaID, root := issued(t)
	stampRoot := newAuthority(t, "Stamp Root", nil, ecKey(t), ca)
	tsa := newAuthority(t, "Sample Time Stamps", &stampRoot, rsaKey(), stamping)
	withStamp, err := stamped(t, stampServer(t, tsa, day, nil))
	if err != nil {
		t.Fatal(err)
	}
	widePages := unicodePages(t, "Prüfling: 71 °C ± 2 °C", "Привет")
	wide, err := Seal(widePages, canon(sampleRecord("3")), []pdffile.Attachment{
		{Name: "Журнал.csv", Type: "text/csv", Relation: "Data", Data: []byte("1,2\n")},
		{Name: "A.csv", Type: "text/csv", Relation: "Data", Data: []byte("3,4\n")},
	}, mustIdentity("Мастерская"), terms())
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name, signer string
		pdf          []byte
		ca           *x509.Certificate
		files        int
	}{
		{"own", "Werkstatt am Kanal", sealed(t, shop(), "1"), shop().Cert(), 2},
		{"issued", "Atelier du Pont", sealed(t, rsaID, "2"), root, 2},
		{"stamped", "Werkstatt am Kanal", withStamp, shop().Cert(), 1},
		{"wide", "Мастерская", wide, nil, 3},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			write(t, dir, "c.pdf", tt.pdf)
			sig := tool(t, dir, "pdfsig", "c.pdf")
			for _, want := range []string{
				"Signature is Valid.",
				"Total document signed",
				"Signer Certificate Common Name: " + tt.signer,
				"Signing Hash Algorithm: SHA-256",
			} {
				if !strings.Contains(sig, want) {
					t.Errorf("pdfsig does not say %q:\n%s", want, sig)
				}
			}
			if strings.Count(sig, "Signature #") != 1 {
				t.Errorf("pdfsig sees another number of signatures:\n%s", sig)
			}
			out := tool(t, dir, "qpdf", "--check", "c.pdf")
			if !strings.Contains(out, "No syntax or stream encoding errors found") || strings.Contains(out, "WARNING") {
				t.Errorf("qpdf: %s", out)
			}
			r := check.Verify(tt.pdf, check.Options{})
			out = tool(t, dir, "pdfdetach", "-list", "c.pdf")
			if !strings.Contains(out, fmt.Sprintf("%d embedded files", tt.files)) {
				t.Errorf("pdfdetach: %s", out)
			}
			var ours, theirs []string
			for i, a := range r.Attachments {
				ours = append(ours, string(a.Data))
				tool(t, dir, "pdfdetach", "-save", fmt.Sprint(i+1), "-o", "out", "c.pdf")
				got, err := os.ReadFile(filepath.Join(dir, "out"))
				if err != nil {
					t.Error(err)
				}
				theirs = append(theirs, string(got))
			}
			slices.Sort(ours) // pdfdetach goes by name, we by the order of attaching
			slices.Sort(theirs)
			if !slices.Equal(ours, theirs) {
				t.Errorf("pdfdetach reads %q, we %q", theirs, ours)
			}
			if tt.ca != nil {
				parts(t, dir, tt.pdf)
				write(t, dir, "ca.pem", pem.EncodeToMemory(&pem.Block{Type: certBlock, Bytes: tt.ca.Raw}))
				out := tool(t, dir, "openssl", "cms", "-verify", "-binary", "-inform", "DER",
					"-in", "value.der", "-content", "covered.bin",
					"-CAfile", "ca.pem", "-purpose", "any", "-attime", fmt.Sprint(day.Unix()), "-out", os.DevNull)
				if !strings.Contains(out, "CMS Verification successful") {
					t.Errorf("openssl: %s", out)
				}
			}
			if tt.name == "wide" { // its font is embedded, as on certificates
				read, err := pdffile.PageText(r.Pages)
				if err != nil {
					t.Error(err)
				}
				for line := range strings.Lines(tool(t, dir, "pdftotext", "c.pdf", "-")) {
					if !read.Contains(line) {
						t.Errorf("pdftotext reads %q, and we do not", line)
					}
				}
			}
			tampered := bytes.Replace(tt.pdf, []byte("/Reason (Acc"), []byte("/Reason (Abc"), 1)
			write(t, dir, "c.pdf", tampered)
			if out := tool(t, dir, "pdfsig", "c.pdf"); strings.Contains(out, "Signature is Valid") {
				t.Errorf("pdfsig takes a changed file:\n%s", out)
			}
		})
	}
}

// What a stranger does who has the file and no program of ours.
func TestStrangersCheck(t *testing.T) {
	needTools(t, "sh", "grep", "head", "tail", "xxd", "openssl", "pdfdetach", "sha256sum")
	recipe, err := os.ReadFile("testdata/stranger.sh")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	pdf := sealed(t, shop(), "2026-0042")
	write(t, dir, "c.pdf", pdf)
	write(t, dir, "stranger.sh", recipe)
	out := tool(t, dir, "sh", "stranger.sh", "c.pdf")
	record := check.Verify(pdf, check.Options{}).Record
	for _, want := range []string{
		"CN = Werkstatt am Kanal",
		shop().Fingerprint().Colons(),
		"CMS Verification successful",
		"signed to the last byte",
		fmt.Sprintf("%x  record.json", sha256.Sum256(record)),
	} {
		if !strings.Contains(out, want) {
			t.Errorf("does not print %q:\n%s", want, out)
		}
	}
	pdf[len(pdf)/4] ^= 1
	write(t, dir, "c.pdf", pdf)
	cmd := exec.Command("sh", "stranger.sh", "c.pdf")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err == nil {
		t.Errorf("a changed file is taken:\n%s", out)
	}
}

// Keys and certificates open with openssl, and openssl's with us.
func TestOpenSSLOpensKeys(t *testing.T) {
	needTools(t, "openssl")
	dir := t.TempDir()
	key, err := shop().keyPEM([]byte("geheim"))
	if err != nil {
		t.Fatal(err)
	}
	write(t, dir, "key.pem", key)
	write(t, dir, "cert.pem", shop().CertPEM())
	pub := tool(t, dir, "openssl", "pkey", "-in", "key.pem", "-passin", "pass:geheim", "-pubout")
	if pub != tool(t, dir, "openssl", "x509", "-in", "cert.pem", "-noout", "-pubkey") {
		t.Error("openssl reads another key")
	}
	out := tool(t, dir, "openssl", "x509", "-in", "cert.pem", "-noout", "-fingerprint", "-sha256")
	if _, hex, _ := strings.Cut(strings.TrimSpace(out), "="); hex != shop().Fingerprint().Colons() {
		t.Errorf("openssl's fingerprint is %s, ours %s", hex, shop().Fingerprint().Colons())
	}
	p12, err := shop().ExportPKCS12("Kolophonium")
	if err != nil {
		t.Fatal(err)
	}
	write(t, dir, "out.p12", p12)
	got := tool(t, dir, "openssl", "pkcs12", "-in", "out.p12", "-passin", "pass:Kolophonium", "-nodes")
	if !strings.Contains(got, "PRIVATE KEY") {
		t.Errorf("openssl: %s", got)
	}
	tool(t, dir, "openssl", "pkcs12", "-export", "-inkey", "key.pem", "-passin", "pass:geheim", "-in", "cert.pem",
		"-out", "in.p12", "-passout", "pass:Zinn")
	in, err := os.ReadFile(filepath.Join(dir, "in.p12"))
	if err != nil {
		t.Fatal(err)
	}
	id, err := ImportPKCS12(in, "Zinn")
	if err != nil || !sameKey(id, shop()) {
		t.Errorf("openssl's file: %v", err)
	}
	// the text in front of a retired certificate does not stop openssl
	k := Keys(filepath.Join(dir, "keys"))
	if err := k.Save(shop(), nil); err != nil {
		t.Fatal(err)
	}
	fp, err := k.Retire(day, check.Replaced, EraseKey)
	if err != nil {
		t.Fatal(err)
	}
	tool(t, dir, "openssl", "x509", "-in", filepath.Join("keys", "retired", fp.Hex()[:16]+".cert.pem"), "-noout")
}

func BenchmarkSeal(b *testing.B) {
	page := pages(b, "Certificate")
	id := shop()
	b.Run("sign", func(b *testing.B) {
		for range b.N {
			if _, err := Seal(page, canon(sampleRecord("1")), nil, id, terms()); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("pages", func(b *testing.B) {
		for range b.N {
			pages(b, "Certificate")
		}
	})
}
