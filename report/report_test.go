package report

import (
	"bytes"
	"errors"
	"io"
	"os"
	"strings"
	"testing"

	"proveout/report/internal/sample"
)

func TestWrite(t *testing.T) {
	var pdf, page bytes.Buffer
	d := sample.Accepted()
	if err := errors.Join(WritePDF(&pdf, d, Letter), WritePage(&page, d)); err != nil {
		t.Fatal(err)
	}
	if !bytes.HasPrefix(pdf.Bytes(), []byte("%PDF-1.")) || !strings.HasPrefix(page.String(), "<!DOCTYPE html>") {
		t.Error("not what was asked for")
	}
}

func TestErrorsNameTheDocument(t *testing.T) {
	d := sample.Failed()
	d.Kind, d.AuthorisedBy = Certificate, "Marit Osk"
	for _, err := range []error{WritePDF(io.Discard, d, A4), WritePage(io.Discard, d)} {
		if !errors.Is(err, ErrNotAccepted) || !strings.Contains(err.Error(), "HW-2026-0043") {
			t.Errorf("%v", err)
		}
	}
	if err := WritePDF(io.Discard, &Document{}, A4); err == nil {
		t.Error("an empty document was printed")
	}
}

func TestMissingGlyphs(t *testing.T) {
	got, err := MissingGlyphs(sample.Awkward())
	if err != nil {
		t.Fatal(err)
	}
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
	if got, err = MissingGlyphs(sample.Accepted()); err != nil || len(got) != 0 {
		t.Errorf("a plain document: %v, %v", got, err)
	}
}

// Every text of the catalogues can be printed.
func TestLanguagesPrint(t *testing.T) {
	for _, l := range []string{"en", "de", "fr"} {
		d := sample.Failed()
		d.Language = l
		if got, err := MissingGlyphs(d); err != nil || len(got) != 0 {
			t.Errorf("%s: %v, %v", l, got, err)
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
