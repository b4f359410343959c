package seal

import (
	"bytes"
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"io"
	"math/big"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/digitorus/timestamp"

	"proveout/plans/fact"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
)

// The same input gives the same bytes: ECDSA signatures are made by RFC 6979.
func TestSealIsStable(t *testing.T) {
	page := pages(t, "Certificate")
	seal := func(id Identity) []byte {
		pdf, err := Seal(page, canon(sampleRecord("1")), nil, id, terms())
		if err != nil {
			t.Fatal(err)
		}
		return pdf
	}
	first := seal(shop())
	for range 5 {
		if !bytes.Equal(seal(shop()), first) {
			t.Fatal("sealing twice gives different bytes")
		}
	}
	loaded := reload(t, shop())
	if !bytes.Equal(seal(loaded), first) {
		t.Error("the key read from its file gives different bytes")
	}
	if !bytes.HasPrefix(first, page) {
		t.Error("the pages are not in front, as they were")
	}
}

// authority is a certificate authority made up for a test.
type authority struct {
	cert *x509.Certificate
	key  crypto.Signer
}

func newAuthority(
	t *testing.T, name string, issuer *authority, key crypto.Signer, change func(*x509.Certificate),
) authority {
	t.Helper()
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: name},
		NotBefore: day.AddDate(-1, 0, 0), NotAfter: day.AddDate(5, 0, 0),
		KeyUsage: x509.KeyUsageDigitalSignature, BasicConstraintsValid: true,
	}
	change(tmpl)
	parent := authority{tmpl, key}
	if issuer != nil {
		parent = *issuer
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, parent.cert, key.Public(), parent.key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return authority{cert, key}
}

func ecKey(t *testing.T) crypto.Signer {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// rsaKey is one RSA key for all tests: making one takes long.
var rsaKey = sync.OnceValue(func() crypto.Signer {
	k, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		panic(err)
	}
	return k
})

func ca(c *x509.Certificate) { c.IsCA, c.KeyUsage = true, x509.KeyUsageCertSign }

// issued is an identity from an authority, with an RSA key and an issuer in between.
func issued(t *testing.T) (Identity, *x509.Certificate) {
	t.Helper()
	root := newAuthority(t, "Sample Root", nil, ecKey(t), ca)
	mid := newAuthority(t, "Sample Issuer", &root, ecKey(t), ca)
	leaf := newAuthority(t, "Atelier du Pont", &mid, rsaKey(), func(*x509.Certificate) {})
	return Identity{leaf.key, []*x509.Certificate{leaf.cert, mid.cert}}, root.cert
}

func TestIssuedByAuthority(t *testing.T) {
	id, _ := issued(t)
	pdf := sealed(t, id, "1")
	r := check.Verify(pdf, expect(id))
	if !r.Valid || r.Signer.Name != "Atelier du Pont" {
		t.Fatalf("verdict %v: %s", r.Verdict, why(r))
	}
	flips(t, pdf, []byte{0x01}, fewer(61), id)
}

// stampServer is a time stamp server on this computer, made with a library
// that others wrote.
func stampServer(t *testing.T, tsa authority, at time.Time, change func(*timestamp.Timestamp)) *httptest.Server {
	t.Helper()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		req, err := timestamp.ParseRequest(body)
		if err != nil {
			t.Errorf("request: %v", err)
			return
		}
		ts := timestamp.Timestamp{
			HashAlgorithm: req.HashAlgorithm, HashedMessage: req.HashedMessage, Time: at.UTC(), Nonce: req.Nonce,
			Policy: asn1.ObjectIdentifier{2, 4, 5, 6}, Accuracy: time.Second, AddTSACertificate: req.Certificates,
		}
		if change != nil {
			change(&ts)
		}
		resp, err := ts.CreateResponseWithOpts(tsa.cert, tsa.key, crypto.SHA512)
		if err != nil {
			t.Error(err)
		}
		w.Header().Set("Content-Type", "application/timestamp-reply")
		w.Write(resp)
	}))
	t.Cleanup(s.Close)
	return s
}

func stamping(c *x509.Certificate) {
	// critical extended key usage, time stamping (RFC 3161, 2.3)
	value, _ := asn1.Marshal([]asn1.ObjectIdentifier{{1, 3, 6, 1, 5, 5, 7, 3, 8}})
	c.ExtraExtensions = []pkix.Extension{{Id: asn1.ObjectIdentifier{2, 5, 29, 37}, Critical: true, Value: value}}
}

func stamped(t *testing.T, s *httptest.Server) ([]byte, error) {
	t.Helper()
	ask, err := TimeStampServer(context.Background(), s.Client(), s.URL)
	if err != nil {
		t.Fatal(err)
	}
	tm := terms()
	tm.TimeStamp = ask
	return Seal(pages(t, "Certificate"), canon(sampleRecord("1")), nil, shop(), tm)
}

func TestTimeStamp(t *testing.T) {
	root := newAuthority(t, "Stamp Root", nil, ecKey(t), ca)
	tsa := newAuthority(t, "Sample Time Stamps", &root, rsaKey(), stamping)
	at := day.Add(3 * time.Second).UTC().Truncate(time.Second)
	pdf, err := stamped(t, stampServer(t, tsa, at, nil))
	if err != nil {
		t.Fatal(err)
	}
	r := check.Verify(pdf, expect(shop()))
	told := slices.ContainsFunc(r.Answers, func(a check.Answer) bool {
		return a.Words.Key == "check.time-stamp-unknown" && a.Words.Args["stamped"] == fact.Moment(at)
	})
	if !r.Valid || !told {
		t.Errorf("verdict %v, stamp told %v: %s", r.Verdict, told, why(r))
	}
	flips(t, pdf, []byte{0x01}, fewer(61), shop())

	// a key that was given up because somebody else may have it
	for _, tt := range []struct {
		when time.Time
		why  check.Why
		want check.Verdict
	}{
		{day.AddDate(0, 1, 0), check.Compromised, check.Bad},
		{day.AddDate(0, -1, 0), check.Compromised, check.Bad},
		{day.AddDate(0, 1, 0), check.Replaced, check.Good},
		{day.AddDate(0, -1, 0), check.Replaced, check.Bad},
	} {
		lapsed := check.Lapsed{Cert: shop().Cert(), When: tt.when, Why: tt.why}
		r := check.Verify(pdf, check.Options{Retired: []check.Lapsed{lapsed}})
		if r.Verdict != tt.want || r.Signer.Standing != check.Retired {
			t.Errorf("%s on %v: verdict %v, want %v", tt.why, tt.when, r.Verdict, tt.want)
		}
	}
}

func TestTimeStampRefused(t *testing.T) {
	root := newAuthority(t, "Stamp Root", nil, ecKey(t), ca)
	tsa := newAuthority(t, "Sample Time Stamps", &root, rsaKey(), stamping)
	plain := newAuthority(t, "No Time Stamps", &root, rsaKey(), func(*x509.Certificate) {})
	other := bytes.Repeat([]byte{1}, 32)
	for _, tt := range []struct {
		name   string
		tsa    authority
		at     time.Time
		change func(*timestamp.Timestamp)
		want   string
	}{
		{"not made for it", plain, day, nil, "cms.stamp-purpose"},
		{"over something else", tsa, day, func(s *timestamp.Timestamp) { s.HashedMessage = other }, "cms.stamp-foreign"},
		{"to another request", tsa, day, func(s *timestamp.Timestamp) { s.Nonce = big.NewInt(1) }, "another request"},
		{"without certificate", tsa, day, func(s *timestamp.Timestamp) { s.AddTSACertificate = false }, "cms.no-signer"},
		{"before the authority was", tsa, day.AddDate(-2, 0, 0), nil, "cms.stamp-validity"},
	} {
		_, err := stamped(t, stampServer(t, tt.tsa, tt.at, tt.change))
		if !errors.Is(err, ErrTimeStamp) || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want one about %q", tt.name, err, tt.want)
		}
	}
	for _, answer := range []string{"", "no", strings.Repeat("x", 100_000), "\x30\x05\x30\x03\x02\x01\x02"} {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, answer) }))
		if _, err := stamped(t, s); !errors.Is(err, ErrTimeStamp) {
			t.Errorf("answer %.10q: error %v", answer, err)
		}
		s.Close()
		if _, err := stamped(t, s); !errors.Is(err, ErrTimeStamp) {
			t.Errorf("no server: error %v", err)
		}
	}
	for _, a := range []string{"", "time.example.org", "ftp://time.example.org", "file:///etc/hosts"} {
		if _, err := TimeStampServer(context.Background(), http.DefaultClient, a); err == nil {
			t.Errorf("address %q was taken", a)
		}
	}
	// a time stamp that disagrees by days with the shop's clock
	_, err := stamped(t, stampServer(t, tsa, day.AddDate(0, 0, 3), nil))
	if !errors.Is(err, fact.New("check.time-stamp-apart").Err()) {
		t.Errorf("clock off by days: %v", err)
	}
}

func TestSignRefuses(t *testing.T) {
	page := pages(t, "Certificate")
	early := terms()
	early.Time = day.AddDate(-5, 0, 0)
	if _, err := Seal(page, canon(sampleRecord("1")), nil, shop(), early); err == nil {
		t.Error("signed before the identity was made")
	}
	if _, err := Seal(page, canon(sampleRecord("1")), nil, Identity{thief().Key, shop().Chain}, terms()); err == nil {
		t.Error("signed with a key that is not the certificate's")
	}
	for _, files := range [][]pdffile.Attachment{
		{{Name: "record.json", Type: "application/json", Relation: "Data"}},
		{{Name: "../x", Type: "text/csv", Relation: "Data"}},
		{{Name: "x", Type: "CSV", Relation: "Data"}},
		{{Name: "x", Type: "text/csv", Relation: "Other"}},
	} {
		if _, err := Seal(page, canon(sampleRecord("1")), files, shop(), terms()); err == nil {
			t.Errorf("attachment %q was taken", files[0].Name)
		}
	}
}

// Names in other scripts, and brackets in text, come through.
func TestNamesInOtherScripts(t *testing.T) {
	for _, name := range []string{"Žluťoučký kůň", "Мастерская (у реки)", "修理工房 𝔄", `Back\slash )(`} {
		id := mustIdentity(name)
		tm := terms()
		tm.Reason, tm.Location, tm.Contact = name, "„"+name+"“", ""
		file := pdffile.Attachment{Type: "text/csv", Relation: "Data", Description: name}
		file.Name = strings.ReplaceAll(name, `\`, "") + " ß №.csv"
		pdf, err := Seal(pages(t, "x"), canon(sampleRecord("1")), []pdffile.Attachment{file}, id, tm)
		if err != nil {
			t.Error(err)
			continue
		}
		r := check.Verify(pdf, check.Options{Signer: check.Exactly(id.Fingerprint())})
		if !r.Valid || r.Reason != name || r.Location != "„"+name+"“" {
			t.Errorf("%q: verdict %v, reason %q: %s", name, r.Verdict, r.Reason, why(r))
			continue
		}
		if a := r.Attachments[1]; a.Description != name || a.Name != file.Name {
			t.Errorf("%q: attachment %q, %q", name, a.Name, a.Description)
		}
	}
}
