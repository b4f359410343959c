package document

import (
	"os"
	"strings"
	"testing"

	"proveout/report/content"
	"proveout/report/internal/sample"
	"proveout/report/words"
)

// missing are the characters of a document that cannot be drawn.
func missing(t *testing.T, d *content.Document) []content.Glyph {
	t.Helper()
	c, err := content.Build(d)
	if err != nil {
		t.Fatal(err)
	}
	return content.Missing(c, Drawable)
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
	for _, l := range words.Languages() {
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
		"../chart/LICENSE-OFL.txt":           "SIL OPEN FONT LICENSE",
		"../page/assets/LICENSE-echarts.txt": "Apache License",
		"../page/assets/NOTICE-echarts.txt":  "The Apache Software Foundation",
		"../page/assets/LICENSE-d3.txt":      "Mike Bostock",
	} {
		if text, err := os.ReadFile(file); err != nil || !strings.Contains(string(text), want) {
			t.Errorf("%s: no %q, %v", file, want, err)
		}
	}
}
