package command_test

import (
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"io"
	"math/big"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/digitorus/timestamp"

	"proveout/harness/command"
	"proveout/report/seal/check"
)

// stampDay is just after the time of the tests' console.
var stampDay = time.Date(2026, 3, 3, 12, 0, 5, 0, time.UTC)

// stampServer is a time stamp server on this computer (RFC 3161), made with a
// library that others wrote.
func stampServer(t *testing.T) *httptest.Server {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	usage, err := asn1.Marshal([]asn1.ObjectIdentifier{{1, 3, 6, 1, 5, 5, 7, 3, 8}})
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber:    big.NewInt(7),
		Subject:         pkix.Name{CommonName: "Sample Stamps"},
		NotBefore:       stampDay.AddDate(-1, 0, 0),
		NotAfter:        stampDay.AddDate(5, 0, 0),
		KeyUsage:        x509.KeyUsageDigitalSignature,
		ExtraExtensions: []pkix.Extension{{Id: asn1.ObjectIdentifier{2, 5, 29, 37}, Critical: true, Value: usage}},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		req, err := timestamp.ParseRequest(body)
		if err != nil {
			t.Errorf("request: %v", err)
			return
		}
		ts := timestamp.Timestamp{
			HashAlgorithm: req.HashAlgorithm, HashedMessage: req.HashedMessage, Time: stampDay, Nonce: req.Nonce,
			Policy: asn1.ObjectIdentifier{2, 4, 5, 6}, Accuracy: time.Second, AddTSACertificate: req.Certificates,
		}
		resp, err := ts.CreateResponseWithOpts(cert, key, crypto.SHA512)
		if err != nil {
			t.Error(err)
		}
		w.Header().Set("Content-Type", "application/timestamp-reply")
		w.Write(resp)
	}))
	t.Cleanup(s.Close)
	return s
}

// A shop that names a time stamp server gets stamped certificates; when it
// does not answer, that is told and the certificate is signed all the same.
func TestTimeStampServerOfTheShop(t *testing.T) {
	oneAtATime(t)
	t.Parallel()
	d := newSealedShop(t)
	file := filepath.Join(d.dir, "shop.toml")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	certify := func(server, replaces string) (pdf []byte, said string) {
		t.Helper()
		if err := os.WriteFile(file, []byte("time_stamp_server = \""+server+"\"\n"+string(text)), 0o644); err != nil {
			t.Fatal(err)
		}
		c, out := testConsole(repositoryRoot(t))
		args := []string{"proveout", "certify", "1", "--shop", d.dir, "--replaces", replaces, "--because", "another time"}
		if code := c.Run(context.Background(), args); code != command.ExitPassed {
			t.Fatalf("certify: exit code %d\n%s", code, out)
		}
		issued, err := filepath.Glob(filepath.Join(d.dir, "jobs", "*-0001", "issued", "*.pdf"))
		if err != nil || len(issued) == 0 {
			t.Fatal(issued, err)
		}
		pdf, err = os.ReadFile(issued[len(issued)-1])
		if err != nil {
			t.Fatal(err)
		}
		return pdf, out.String()
	}
	pdf, _ := certify(stampServer(t).URL, "QR-2026-0001")
	if r := d.examined(pdf); r.Verdict == check.Bad || !strings.Contains(answers(r), "check.time-stamp-unknown") {
		t.Errorf("with a server: verdict %v\n%s", r.Verdict, answers(r))
	}
	pdf, said := certify("http://127.0.0.1:1/", "QR-2026-0002")
	if r := d.examined(pdf); r.Verdict != check.Good || !strings.Contains(answers(r), "check.time-own-clock") {
		t.Errorf("without an answer: verdict %v\n%s", r.Verdict, answers(r))
	}
	if !strings.Contains(said, "signed with the shop's own time") {
		t.Errorf("without an answer it says %q", said)
	}
}

func answers(r check.Report) string {
	var b strings.Builder
	for _, a := range r.Answers {
		b.WriteString(a.Words.Err().Error() + "\n")
	}
	return b.String()
}
