package document

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"proveout/report/content"
	"proveout/report/internal/sample"
)

// pageContents returns the content stream of each page, inflated.
func pageContents(t *testing.T, pdf []byte) []string {
	t.Helper()
	var out []string
	page := regexp.MustCompile(`(?s)<</Type /Page\n.*?/Contents (\d+) 0 R>>`)
	for _, m := range page.FindAllSubmatch(pdf, -1) {
		_, stream, ok := bytes.Cut(pdf, []byte("\n"+string(m[1])+" 0 obj\n"))
		if !ok {
			t.Fatalf("no object %s", m[1])
		}
		out = append(out, streams(stream[:bytes.Index(stream, []byte("endobj"))]))
	}
	return out
}

// Everything that leaves ink stands between marks: it is content of an element,
// or decoration. Marks are opened and closed in pairs and not inside each other,
// and each number is given once on a page (ISO 32000-1, 14.6.1 and 14.7.4.2).
func TestAllInkIsMarked(t *testing.T) {
	for name, d := range map[string]*content.Document{"certificate": smaller(sample.Accepted()), "report": smaller(sample.Failed()), "awkward": smaller(sample.Awkward())} {
		pdf := printed(t, d, A4)
		pages := pageContents(t, pdf)
		if len(pages) < 3 {
			t.Fatalf("%s: %d pages", name, len(pages))
		}
		tree := bytes.Count(pdf, []byte("/StructParents "))
		if tree != len(pages) || !bytes.Contains(pdf, []byte("/MarkInfo <</Marked true>>")) {
			t.Errorf("%s: %d of %d pages have a place in the structure", name, tree, len(pages))
		}
		number := regexp.MustCompile(`^/\w+ <</MCID (\d+)>> BDC$`)
		inkless := regexp.MustCompile(`^(BT /F\w+ [\d.]+ Tf ET|[\d.]+ [JjwgG]|[\d.]+ [\d.]+ [\d.]+ (rg|RG)|\[.*\] [\d.]+ d|)$`)
		for i, content := range pages {
			open, next := false, 0
			for n, l := range strings.Split(content, "\n") {
				m := number.FindStringSubmatch(l)
				switch {
				case m != nil || l == "/Artifact BMC":
					if open {
						t.Fatalf("%s, page %d, line %d: marks inside each other", name, i+1, n+1)
					}
					open = true
					if m != nil && m[1] != strconv.Itoa(next) {
						t.Fatalf("%s, page %d: content %s, want %d", name, i+1, m[1], next)
					} else if m != nil {
						next++
					}
				case l == "EMC":
					if !open {
						t.Fatalf("%s, page %d, line %d: a mark closed that is not open", name, i+1, n+1)
					}
					open = false
				case !open && !inkless.MatchString(l):
					t.Errorf("%s, page %d: %q is not marked", name, i+1, l)
				}
			}
			if open {
				t.Errorf("%s, page %d ends inside a mark", name, i+1)
			}
		}
	}
}

// Each figure and photo has words that stand for it, and says where it is.
func TestFiguresHaveWords(t *testing.T) {
	d := smaller(sample.Accepted())
	pdf := printed(t, d, A4)
	figure := regexp.MustCompile(`<</S /Figure [^\n]*`)
	found := figure.FindAll(pdf, -1)
	for _, f := range found {
		if !bytes.Contains(f, []byte("/Alt (")) && !bytes.Contains(f, []byte("/Alt <feff")) || bytes.Contains(f, []byte("/Alt ()")) || !bytes.Contains(f, []byte("/BBox [")) {
			t.Errorf("a figure without words or place: %s", f)
		}
	}
	want := len(d.Photos)
	for _, s := range d.Outcome.Steps {
		want += len(s.Figures)
	}
	if want < 5 || len(found) < want {
		t.Errorf("%d figures in the structure; the document has %d charts and photos", len(found), want)
	}
}

// The structure is what another program reads: poppler's pdfinfo.
func TestPopplerReadsTheStructure(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.pdf")
	if err := os.WriteFile(path, printed(t, smaller(sample.Accepted()), A4), 0o600); err != nil {
		t.Fatal(err)
	}
	if info := tool(t, "pdfinfo", path); !regexp.MustCompile(`Tagged: +yes`).MatchString(info) {
		t.Errorf("pdfinfo: %s", info)
	}
	// Indentation and the notes that pdfinfo puts behind a type are left out.
	var lines []string
	for _, l := range strings.Split(tool(t, "pdfinfo", "-struct-text", path), "\n") {
		l = strings.TrimSpace(l)
		if l, _, _ = strings.Cut(l, " ("); l != "" && !strings.HasPrefix(l, "/BBox") && !strings.HasPrefix(l, "/Placement") {
			lines = append(lines, strings.TrimSuffix(l, ":"))
		}
	}
	got := strings.Join(lines, "\n")
	at := 0
	for _, s := range []string{
		"Document\nSect\nH1\n\"Acceptance certificate\"\nP\n\"HW-2026-0042\"", // in the order in which a person reads
		"H2\n\"Quellan Vantor 24 AGP\"",
		"Lbl\n\"Serial number\"\nLBody\n\"QV24-0773-4410\"",
		"H2\n\"ACCEPTED\"\nP\n",
		"H2\n\"What was tested\"\nL\nLI\nLbl\n",
		"Sect\nH2\n\"Results\"",
		"Table\nTHead\nTR\nTH\n/Scope /Column\n\"Check\"\nTH\n/Scope /Column\n\"Value ± U\"",
		"TBody\nTR\nTH\n/Scope /Row\n/ColSpan 4\n",
		"TR\nTD\n",
		"Sect\nH2\n\"Figures\"",
		"Figure\n",
		"Sect\nH2\n\"Decision rule and uncertainty\"",
		"\"End of certificate HW-2026-0042\"",
	} {
		i := strings.Index(got[at:], s)
		if i < 0 {
			t.Fatalf("not in its place: %q\n%s", s, got)
		}
		at += i + len(s)
	}
	// What stands on every page is not read on each, nor is the head of a table
	// that goes on.
	if n := strings.Count(got, "\"Value ± U\""); n != 1 {
		t.Errorf("the head of the results is read %d times", n)
	}
	if strings.Contains(got, "page 2 of") {
		t.Error("the numbers of the pages are read")
	}
}

// Lines that are broken between words are read as words, and those that are
// broken inside one as that word.
func TestLinesKeepWordsApart(t *testing.T) {
	for _, text := range []string{"one two three four five", "a  b   c", "one\ntwo", "abcdefghijklmnopqrstuvwxyz0123456789", "see abcdefghijklmnopqrstuvwxyz", "x"} {
		for _, width := range []float64{8, 12, 20, 100} {
			got := strings.Join(face{size: 9}.wrap(text, width), "")
			if want := strings.Join(strings.Fields(text), " "); got != want {
				t.Errorf("%q at %v mm: %q", text, width, got)
			}
		}
	}
}
