package seal

import (
	"bytes"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"proveout/plans/fact"
	"proveout/report/seal/check"
	"proveout/report/seal/cms"
	"proveout/report/seal/pdffile"
)

// allChecks tells whether the long checks were asked for.
func allChecks() bool { return os.Getenv("PROVEOUT_ALL_CHECKS") == "1" }

// fewer is the distance of the bytes that a long file has flipped in a usual run.
func fewer(usual int) int {
	if allChecks() {
		return 1
	}
	return usual
}

// bad fails unless a file is found bad, even by somebody who expects no one.
func bad(t *testing.T, what string, pdf []byte, o check.Options) check.Report {
	t.Helper()
	r := check.Verify(pdf, o)
	if r.Verdict != check.Bad || r.Valid || r.Record != nil {
		t.Errorf("%s: verdict %v, valid %v", what, r.Verdict, r.Valid)
	}
	return r
}

// why is the first answer that speaks against a file.
func why(r check.Report) string {
	for _, a := range r.Answers {
		if a.State == check.No {
			return a.Key + ": " + a.Words.Err().Error()
		}
	}
	return ""
}

func TestEveryByteFlipped(t *testing.T) {
	pdf := sealed(t, shop(), "2026-0042")
	masks := []byte{0x01}
	if allChecks() {
		masks = []byte{0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x40, 0x80, 0xff}
	}
	flips(t, pdf, masks, fewer(5), shop())
}

// A certificate of the usual size, with an embedded font and a chart's worth of text.
func TestEveryByteFlippedBig(t *testing.T) {
	if !allChecks() {
		t.Skip("set PROVEOUT_ALL_CHECKS=1 for the certificate of usual size")
	}
	var lines []string
	for i := range 60 {
		lines = append(lines, fmt.Sprintf("Schritt %d: 137,4 MHz ± 0,2 MHz", i))
	}
	pdf, err := Seal(unicodePages(t, lines...), canon(sampleRecord("7")), nil, shop(), terms())
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d bytes", len(pdf))
	flips(t, pdf, []byte{0x01}, 1, shop())
}

// flips changes every step-th byte in turn.
func flips(t *testing.T, pdf []byte, masks []byte, step int, id Identity) {
	t.Helper()
	for _, m := range masks {
		for i := 0; i < len(pdf); i += step {
			pdf[i] ^= m
			if r := check.Verify(pdf, check.Options{}); r.Verdict != check.Bad {
				t.Errorf("byte %d of %d flipped by %#02x: verdict %v", i, len(pdf), m, r.Verdict)
			}
			pdf[i] ^= m
		}
	}
	if r := check.Verify(pdf, expect(id)); !r.Valid {
		t.Error("the file was not put back")
	}
}

func TestTruncatedAndAppended(t *testing.T) {
	pdf := sealed(t, shop(), "2026-0042")
	for n := 0; n < len(pdf); n += 1024 {
		bad(t, fmt.Sprintf("cut to %d bytes", n), pdf[:n], check.Options{})
	}
	for n := range 64 {
		bad(t, fmt.Sprintf("cut by %d bytes", n+1), pdf[:len(pdf)-n-1], check.Options{})
	}
	for _, s := range []string{
		"\n", " ", "\x00", "%%EOF\n", "% a remark\n", strings.Repeat("\n", 100), "\r", "startxref\n0\n%%EOF\n",
	} {
		bad(t, fmt.Sprintf("%.20q appended", s), append(bytes.Clone(pdf), s...), check.Options{})
	}
	bad(t, "doubled", append(bytes.Clone(pdf), pdf...), check.Options{})
	bad(t, "something in front", append([]byte("\n"), pdf...), check.Options{})
}

func TestHalvesJoined(t *testing.T) {
	a, b := sealed(t, shop(), "2026-0042"), sealed(t, shop(), "2026-0043")
	if len(a) != len(b) {
		t.Logf("%d and %d bytes", len(a), len(b))
	}
	for i := 16; i < min(len(a), len(b)); i += 37 {
		for _, j := range []*[2][]byte{{a[:i], b[i:]}, {b[:i], a[i:]}} {
			joined := append(bytes.Clone(j[0]), j[1]...)
			if bytes.Equal(joined, a) || bytes.Equal(joined, b) {
				continue
			}
			bad(t, fmt.Sprintf("joined at %d", i), joined, check.Options{})
		}
	}
}

func TestAttachmentSwapped(t *testing.T) {
	pdf := sealed(t, shop(), "2026-0042")
	other := sealed(t, shop(), "2026-0043")

	// the stream of one certificate put into another of equal shape
	f, err := pdffile.Read(pdf)
	if err != nil {
		t.Fatal(err)
	}
	from, to := f.Revisions[len(f.Revisions)-3].End, f.Revisions[len(f.Revisions)-2].End
	swapped := bytes.Clone(pdf)
	copy(swapped[from:to], other[from:min(to, len(other))])
	bad(t, "attachments of another", swapped, check.Options{})

	// taken out and signed again by somebody with the same name
	pages := pdf[:from]
	edited := sampleRecord("2026-0042")
	edited.Clock = 180e6
	forged, err := Seal(pages, canon(edited), nil, thief(), terms())
	if err != nil {
		t.Fatal(err)
	}
	r := bad(t, "signed again, fingerprint asked for", forged, expect(shop()))
	if r.Signer.Standing != check.NotExpected {
		t.Errorf("standing %q: %s", r.Signer.Standing, why(r))
	}
	r = bad(t, "signed again, shop known", forged, check.Options{Known: []*x509.Certificate{shop().Cert()}})
	if r.Signer.Standing != check.OtherKey {
		t.Errorf("standing %q: %s", r.Signer.Standing, why(r))
	}
	r = check.Verify(forged, check.Options{})
	if r.Valid || r.Verdict != check.Unconfirmed {
		t.Errorf("signed by an unknown key: verdict %v", r.Verdict)
	}
	r = check.Verify(forged, check.Options{Known: []*x509.Certificate{mustIdentity("Somebody else").Cert()}})
	if r.Valid || r.Verdict != check.Unconfirmed {
		t.Errorf("signed by an unknown key, another shop known: verdict %v", r.Verdict)
	}
}

// A name in other capitals and spaces is the same name to a reader.
func TestNameInOtherCapitals(t *testing.T) {
	id := mustIdentity("WERKSTATT  am Kanal")
	r := bad(t, "capitals", sealed(t, id, "1"), check.Options{Known: []*x509.Certificate{shop().Cert()}})
	if r.Signer.Standing != check.OtherKey {
		t.Errorf("standing %q", r.Signer.Standing)
	}
}

// resign fills the hole of a file anew with a signature over whatever the file
// says its byte range is.
func resign(t *testing.T, pdf []byte, id Identity) []byte {
	t.Helper()
	f, err := pdffile.Read(pdf)
	if err != nil {
		t.Fatal(err)
	}
	found, err := f.Certification()
	if err != nil {
		t.Fatal(err)
	}
	out := bytes.Clone(pdf)
	b := found.ByteRange
	d := sha256.New()
	d.Write(out[b[0] : b[0]+b[1]])
	d.Write(out[b[2] : b[2]+b[3]])
	s, err := cms.Sign(id.Key, id.Chain, [32]byte(d.Sum(nil)), found.Time)
	if err != nil {
		t.Fatal(err)
	}
	der, err := s.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	hole := out[found.Hole.Start+1 : found.Hole.End-1]
	copy(hole, bytes.Repeat([]byte("0"), len(hole)))
	hex.Encode(hole, der)
	return out
}

// replace changes bytes without moving any.
func replace(t *testing.T, pdf []byte, from, to string) []byte {
	t.Helper()
	if len(from) != len(to) || bytes.Count(pdf, []byte(from)) != 1 {
		t.Fatalf("%q cannot be replaced by %q", from, to)
	}
	return bytes.ReplaceAll(pdf, []byte(from), []byte(to))
}

// last changes the last of several places without moving any byte.
func last(pdf []byte, from, to string) []byte {
	i := bytes.LastIndex(pdf, []byte(from))
	return append(append(bytes.Clone(pdf[:i]), to...), pdf[i+len(from):]...)
}

// What the right key signed, but not as a certificate is signed.
func TestSignedOtherwise(t *testing.T) {
	pdf := sealed(t, shop(), "2026-0042")
	f, err := pdffile.Read(pdf)
	if err != nil {
		t.Fatal(err)
	}
	found, err := f.Certification()
	if err != nil {
		t.Fatal(err)
	}
	if r := check.Verify(resign(t, pdf, shop()), expect(shop())); !r.Valid {
		t.Fatalf("signed again as it was: %s", why(r))
	}
	b := found.ByteRange
	span := func(r [4]int64) string { return fmt.Sprintf("[%d %d %d %d]", r[0], r[1], r[2], r[3]) }
	pad := func(s string, n int) string { return s + strings.Repeat(" ", n-len(s)) }
	was := pad(span(b), 36)
	ranged := func(r ...int64) []byte { return resign(t, replace(t, pdf, was, pad(span([4]int64(r)), 36)), shop()) }
	changed := func(from, to string) []byte { return resign(t, replace(t, pdf, from, to), shop()) }
	tree := regexp.MustCompile(`\(soak.csv\) \d+ 0 R\]`).FindString(string(pdf))
	unlisted := strings.Replace(tree, "soak.csv", "soap.csv", 1)
	for _, tt := range []struct {
		name string
		pdf  []byte
		want string
	}{
		{"hole larger than the value", ranged(0, b[1], b[2]+40, b[3]-40), "covers: "},
		{"hole begins earlier", ranged(0, b[1]-40, b[2], b[3]), "covers: "},
		{"ends before the end", ranged(0, b[1], b[2], b[3]-1), "covers: "},
		{"first byte left out", ranged(1, b[1]-1, b[2], b[3]), "covers: "},
		{"changes allowed", changed("/P 1 /V", "/P 2 /V"), "covers: "},
		{"approval signature", replace(t, pdf, "/TransformMethod /DocMDP", "/TransformMethod /FieldX"), "signed: "},
		{"another name shown", changed("/Name (Werkstatt am Kanal)", "/Name (Werkstatt am Rhein)"), "signed: "},
		{"another time shown", replace(t, pdf, "/M (D:20261102103000", "/M (D:20261103103000"), "untouched: "},
		{"odd spacing", changed("/Type /Sig\n", "/Type /Sig "), "form: "},
		{"attachment with another relation", changed("/AFRelationship /Source", "/AFRelationship /Sourcf"), "form: "},
		{"attachment not listed", resign(t, last(pdf, tree, unlisted), shop()), "form: "},
	} {
		r := bad(t, tt.name, tt.pdf, expect(shop()))
		if !strings.HasPrefix(why(r), tt.want) {
			t.Errorf("%s: %q, want an answer to %q", tt.name, why(r), tt.want)
		}
	}
}

// The hole holds one exact value and zeros.
func TestHoleIsExact(t *testing.T) {
	pdf := sealed(t, shop(), "2026-0042")
	f, err := pdffile.Read(pdf)
	if err != nil {
		t.Fatal(err)
	}
	found, err := f.Certification()
	if err != nil {
		t.Fatal(err)
	}
	h := found.Hole
	in := func(change func(hole []byte)) []byte {
		out := bytes.Clone(pdf)
		change(out[h.Start+1 : h.End-1])
		return out
	}
	bad(t, "capital digits", in(func(b []byte) { copy(b, bytes.ToUpper(b)) }), check.Options{})
	bad(t, "something behind the value", in(func(b []byte) { b[len(b)-1] = '1' }), check.Options{})
	bad(t, "white space behind the value", in(func(b []byte) { b[len(b)-1] = ' ' }), check.Options{})
	bad(t, "hole closed early", in(func(b []byte) { b[len(b)-1] = '>' }), check.Options{})
	bad(t, "no value", in(func(b []byte) { copy(b, bytes.Repeat([]byte("0"), len(b))) }), check.Options{})
	bad(t, "text in the hole", in(func(b []byte) { copy(b[len(b)-20:], "> /Other <") }), check.Options{})
}

// A file that readers would open in another way than this program is not good,
// even when the right key signed it.
func TestSecondCatalogSigned(t *testing.T) {
	pdf := sealed(t, shop(), "2026-0042")
	f, err := pdffile.Read(pdf)
	if err != nil {
		t.Fatal(err)
	}
	attached := pdf[:f.Revisions[len(f.Revisions)-2].End]
	// one more update between attachments and signature, with another record
	packed := "{}"
	at := len(attached)
	more := fmt.Sprintf("8 0 obj\n<< /Type /EmbeddedFile /Length %d >>\nstream\n%s\nendstream\nendobj\n",
		len(packed), packed)
	table := at + len(more)
	more += fmt.Sprintf("xref\n8 1\n%010d 00000 n \n"+
		"trailer\n<< /Size 12 /Root %d 0 R /Prev %d >>\nstartxref\n%d\n%%%%EOF\n",
		at, f.Trailer.Get("Root").Int, f.Revisions[len(f.Revisions)-2].XRef, table)
	tampered := append(bytes.Clone(attached), more...)
	resigned, err := Sign(tampered, shop(), terms())
	if err != nil {
		t.Fatal(err)
	}
	r := bad(t, "attachment replaced before signing", resigned, expect(shop()))
	if !strings.HasPrefix(why(r), "form: ") {
		t.Error(why(r))
	}
	bare, err := Sign(pdf[:f.Revisions[len(f.Revisions)-3].End], shop(), terms())
	if err != nil {
		t.Fatal(err)
	}
	bad(t, "no record", bare, expect(shop()))
	if _, err := Sign(pdf, shop(), terms()); err == nil {
		t.Error("a signed file was signed again")
	}
}

// What the record does not bear out is caught by the functions that the caller gives.
func TestRecordEditedAndSignedAgain(t *testing.T) {
	said := fact.New("check.bad")
	rescore := func(c check.Contents) (check.State, fact.Fact) {
		if bytes.Contains(c.Record, []byte(`"core_clock_hz":1`)) == bytes.Contains(c.Record, []byte(`"verdict":"pass"`)) {
			return check.Yes, said
		}
		return check.No, said
	}
	page := unicodePages(t, "Certificate 2026-0042")
	remake := func(c check.Contents) ([]byte, error) {
		if bytes.Contains(c.Record, []byte(`"number":"2026-0042"`)) {
			return page, nil
		}
		return pages(t, "Certificate of another number"), nil
	}
	ask := func(key string, ask func(check.Contents) (check.State, fact.Fact)) check.Options {
		o := expect(shop())
		o.Further = []check.Question{{Key: key, Ask: ask}}
		return o
	}
	o := ask("scores", rescore)
	o.Further = append(o.Further, check.Pages(remake))
	make := func(change func(*record)) []byte {
		rec := sampleRecord("2026-0042")
		change(&rec)
		pdf, err := Seal(page, canon(rec), nil, shop(), terms())
		if err != nil {
			t.Fatal(err)
		}
		return pdf
	}
	if r := check.Verify(make(func(*record) {}), o); !r.Valid {
		t.Fatalf("honest record: %s", why(r))
	}
	r := bad(t, "reading edited", make(func(r *record) { r.Clock = 250e6 }), o)
	if !strings.HasPrefix(why(r), "scores: ") {
		t.Error(why(r))
	}
	r = bad(t, "number edited", make(func(r *record) { r.Number = "2026-0099" }), o)
	if !strings.HasPrefix(why(r), "pages: ") {
		t.Error(why(r))
	}
	other := func(err error) check.Options {
		pages := check.Pages(func(check.Contents) ([]byte, error) { return nil, err })
		return ask("pages", pages.Ask)
	}
	o = other(check.OtherVersion{Version: "0.9", Values: []string{"2026-0042", "Certificate\n2026"}})
	if r := check.Verify(make(func(*record) {}), o); !r.Valid {
		t.Errorf("values on the pages: %s", why(r))
	}
	o = other(fmt.Errorf("pages: %w", check.OtherVersion{Version: "0.9", Values: []string{"2026-0042", "167 MHz"}}))
	bad(t, "value not on the pages", make(func(*record) {}), o)
	for _, state := range []check.State{check.No, "", "perhaps"} {
		o = ask("evidence", func(check.Contents) (check.State, fact.Fact) { return state, said })
		bad(t, "evidence", make(func(*record) {}), o)
	}
	o = ask("scores", func(check.Contents) (check.State, fact.Fact) { panic("a fault of the caller") })
	bad(t, "caller's fault", make(func(*record) {}), o)
}
