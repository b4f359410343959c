package report

import (
	"bytes"
	"errors"
	"os"
	"strings"
	"testing"

	"proveout/report/internal/sample"
)

// Both forms only read what is laid out, so they may be written at once.
func TestWrite(t *testing.T) {
	p, err := LayOut(sample.Accepted())
	if err != nil {
		t.Fatal(err)
	}
	var pdf, page bytes.Buffer
	done := make(chan error, 1)
	go func() { done <- p.WritePage(&page) }()
	if err := errors.Join(p.WritePDF(&pdf, Letter), <-done); err != nil {
		t.Fatal(err)
	}
	if !bytes.HasPrefix(pdf.Bytes(), []byte("%PDF-1.")) || !strings.HasPrefix(page.String(), "<!DOCTYPE html>") {
		t.Error("not what was asked for")
	}
}

func TestErrorsNameTheDocument(t *testing.T) {
	d := sample.Failed()
	d.Kind, d.AuthorisedBy = Certificate, "Marit Osk"
	if _, err := LayOut(d); !errors.Is(err, ErrNotAccepted) || !strings.Contains(err.Error(), "HW-2026-0043") {
		t.Errorf("%v", err)
	}
	if _, err := LayOut(&Document{}); err == nil {
		t.Error("an empty document was laid out")
	}
}

// missing are the characters of a document that cannot be drawn.
func missing(t *testing.T, d *Document) []Glyph {
	t.Helper()
	p, err := LayOut(d)
	if err != nil {
		t.Fatal(err)
	}
	return p.Missing()
}

func TestMissingGlyphs(t *testing.T) {
	got := missing(t, sample.Awkward())
	var runes []rune
	for _, g := range got {
		runes = append(runes, g.Rune)
	}
	for _, r := range "\U0001F527漢字ע" {
		if !strings.ContainsRune(string(runes), r) {
			t.Errorf("%U is not reported", r)
		}
	}
	for _, r := range "Ω±≤µ№¼ΕлКи“”–°" {
		if strings.ContainsRune(string(runes), r) {
			t.Errorf("%U is reported", r)
		}
	}
	if got = missing(t, sample.Accepted()); len(got) != 0 {
		t.Errorf("a plain document: %v", got)
	}
}

// Every text of the catalogues can be printed.
func TestLanguagesPrint(t *testing.T) {
	for _, l := range []string{"en", "de", "fr"} {
		d := sample.Failed()
		d.Language = l
		if got := missing(t, d); len(got) != 0 {
			t.Errorf("%s: %v", l, got)
		}
	}
}

// The licences of the files inside the documents lie beside them.
func TestLicences(t *testing.T) {
	for file, want := range map[string]string{
		"typeface/LICENSE-OFL.txt":        "SIL OPEN FONT LICENSE",
		"page/assets/LICENSE-echarts.txt": "Apache License",
		"page/assets/NOTICE-echarts.txt":  "The Apache Software Foundation",
		"page/assets/LICENSE-d3.txt":      "Mike Bostock",
	} {
		if text, err := os.ReadFile(file); err != nil || !strings.Contains(string(text), want) {
			t.Errorf("%s: no %q, %v", file, want, err)
		}
	}
}
