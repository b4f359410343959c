package seal

import (
	"sync"
	"testing"
	"time"

	"bytes"

	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"github.com/johnfercher/maroto/v2"
	"github.com/johnfercher/maroto/v2/pkg/components/text"
	"github.com/johnfercher/maroto/v2/pkg/config"
	"github.com/johnfercher/maroto/v2/pkg/consts/fontstyle"
	"github.com/johnfercher/maroto/v2/pkg/consts/pagesize"
	"github.com/johnfercher/maroto/v2/pkg/props"
	"github.com/johnfercher/maroto/v2/pkg/repository"

	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
)

var day = time.Date(2026, 11, 2, 10, 30, 0, 0, time.FixedZone("", 3600))

// record is a small record in the manner of a job's.
type record struct {
	Number  string   `json:"number"`
	Verdict string   `json:"verdict"`
	Clock   float64  `json:"core_clock_hz"`
	Notes   []string `json:"notes"`
}

func sampleRecord(number string) record {
	return record{number, "pass", 137.4e6, []string{"fan replaced", "Prüfling wärmt auf 71 °C ± 2 °C"}}
}

func canon(r record) []byte {
	text, err := check.Canonical(r)
	if err != nil {
		panic(err)
	}
	return text
}

// pages draws a page a line of text each.
func pages(t testing.TB, lines ...string) []byte {
	t.Helper()
	b := config.NewBuilder().WithPageSize(pagesize.A4).WithCompression(true).
		WithCreationDate(day)
	return generate(t, b, lines)
}

// unicodePages does the same in an embedded font.
func unicodePages(t testing.TB, lines ...string) []byte {
	t.Helper()
	font := bytes.Clone(liberationsansregular.TTF)
	fonts, err := repository.New().AddUTF8FontFromBytes("body", fontstyle.Normal, font).Load()
	if err != nil {
		t.Fatal(err)
	}
	b := config.NewBuilder().WithPageSize(pagesize.A4).WithCustomFonts(fonts).
		WithDefaultFont(&props.Font{Family: "body", Size: 9}).WithCompression(true).WithCreationDate(day)
	return generate(t, b, lines)
}

func generate(t testing.TB, b config.Builder, lines []string) []byte {
	t.Helper()
	m := maroto.New(b.Build())
	for _, l := range lines {
		m.AddRow(10, text.NewCol(12, l))
	}
	doc, err := m.Generate()
	if err != nil {
		t.Fatal(err)
	}
	return doc.GetBytes()
}

// shop is the identity of most tests, and thief another key of the same name.
var (
	shop  = sync.OnceValue(func() Identity { return mustIdentity("Werkstatt am Kanal") })
	thief = sync.OnceValue(func() Identity { return mustIdentity("Werkstatt am Kanal") })
)

func mustIdentity(name string) Identity {
	id, err := NewIdentity(name, day.AddDate(-1, 0, 0))
	if err != nil {
		panic(err)
	}
	return id
}

func terms() Terms {
	return Terms{Time: day, Reason: "Acceptance test passed", Location: "Bench 2", Contact: "bench@example.org"}
}

func sealed(t testing.TB, id Identity, number string) []byte {
	t.Helper()
	files := []pdffile.Attachment{{
		Name:        "soak.csv",
		Description: "Wärmelauf",
		Type:        "text/csv",
		Relation:    pdffile.Data,
		Data:        []byte("time_s,temp_c\n0,24.5\n1200,71.0\n"),
	}}
	pdf, err := Seal(pages(t, "Certificate "+number), canon(sampleRecord(number)), files, id, terms())
	if err != nil {
		t.Fatal(err)
	}
	return pdf
}

// expect is the check of somebody who knows the shop's fingerprint.
func expect(id Identity) check.Options {
	return check.Options{Signer: check.Exactly(id.Fingerprint())}
}

func TestSealIsGood(t *testing.T) {
	pdf := sealed(t, shop(), "2026-0042")
	r := check.Verify(pdf, expect(shop()))
	for _, a := range r.Answers {
		t.Logf("%-10s %-5s %s", a.Key, a.State, a.Words)
	}
	if !r.Valid || r.Verdict != check.Good {
		t.Fatalf("verdict %v: %s", r.Verdict, r.Summary)
	}
	if want := canon(sampleRecord("2026-0042")); !bytes.Equal(r.Record, want) {
		t.Errorf("record %s, want %s", r.Record, want)
	}
	if len(r.Attachments) != 2 || r.Attachments[1].Name != "soak.csv" || r.Attachments[1].Description != "Wärmelauf" {
		t.Errorf("attachments %+v", r.Attachments)
	}
	if !r.SignTime.Equal(day) || r.Reason != "Acceptance test passed" || r.Location != "Bench 2" {
		t.Errorf("terms: %v %q %q", r.SignTime, r.Reason, r.Location)
	}
	s := r.Signer
	if s.Name != "Werkstatt am Kanal" || s.Standing != check.Expected || s.Fingerprint != shop().Fingerprint() {
		t.Errorf("signer %+v", s)
	}
}
