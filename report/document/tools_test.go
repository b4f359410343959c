package document

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"proveout/report/content"
	"proveout/report/internal/sample"
)

// tool returns the output of a program of the poppler or qpdf tools. Where it
// is missing the test is skipped, unless all checks are asked for.
func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("PROVEOUT_ALL_CHECKS") == "1" {
			t.Fatalf("%s is not installed, and all checks are asked for", name)
		}
		t.Skipf("%s is not installed", name)
	}
	out, err := exec.Command(path, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

func TestToolsReadThePages(t *testing.T) {
	for name, tt := range map[string]struct {
		d     *content.Document
		paper Paper
		size  string
		lang  string
		has   []string
	}{
		"certificate": {smaller(sample.Accepted()), A4, "595.28 x 841.89", "en", []string{
			"Acceptance certificate", "Quellan Vantor 24 AGP", "QV24-0773-4410", "ACCEPTED", "What this document is not",
			"131.0120 ± 0.0030 MHz", "70.8 ± 1.7 °C", "at most 85 °C", "> 99.9 %", "Guarded acceptance", "JCGM 106:2012", "End of certificate HW-2026-0042",
			"Authorised by", "Figure 4", "95 % of readings expected here", "known-good cards", "Uncertainty budget"}},
		"report": {smaller(sample.Failed()), Letter, "612 x 792", "en", []string{
			"NOT ACCEPTED – FAILED", "What is probably wrong", "Measure chip select", "50 %", "Attempt 2 of 2", "End of test report HW-2026-0043"}},
		"inconclusive": {smaller(sample.Inconclusive()), A4, "595.28 x 841.89", "en", []string{
			"NOT ACCEPTED – INCONCLUSIVE", "148.0 ± 1.4 MHz", "76.0 %", "To settle it: A repeat that shows"}},
		"awkward": {smaller(sample.Awkward()), A4, "595.28 x 841.89", "en", []string{
			"[U+1F527]", "Row 119 of the scan", "</script><script>alert(3)</script>", "Кириллица", "__f__"}},
	} {
		t.Run(name, func(t *testing.T) {
			pdf := printed(t, tt.d, tt.paper)
			path := filepath.Join(t.TempDir(), name+".pdf")
			if err := os.WriteFile(path, pdf, 0o644); err != nil {
				t.Fatal(err)
			}
			if out := tool(t, "qpdf", "--check", path); !strings.Contains(out, "No syntax or stream encoding errors") {
				t.Errorf("qpdf: %s", out)
			}
			info := tool(t, "pdfinfo", path)
			m := regexp.MustCompile(`Pages: +(\d+)`).FindStringSubmatch(info)
			if m == nil || !strings.Contains(info, tt.size) || !strings.Contains(info, "2026") {
				t.Fatalf("pdfinfo: %s", info)
			}
			n, err := strconv.Atoi(m[1])
			if err != nil {
				t.Fatal(err)
			}
			text := tool(t, "pdftotext", "-layout", path, "-")
			for _, s := range tt.has {
				if !strings.Contains(text, s) {
					t.Errorf("no %q in the text", s)
				}
			}
			pages := strings.Split(strings.TrimSuffix(text, "\f"), "\f")
			if len(pages) != n {
				t.Fatalf("%d pages of text, %d pages", len(pages), n)
			}
			for i, p := range pages {
				if want := "page " + strconv.Itoa(i+1) + " of " + m[1]; !strings.Contains(p, want) {
					t.Errorf("page %d does not say %q", i+1, want)
				}
				if marked := strings.Contains(p, "TEST REPORT – NOT A CERTIFICATE"); marked != (tt.d.Kind == content.TestReport) {
					t.Errorf("page %d: marked as a report: %v", i+1, marked)
				}
			}
			if fonts := tool(t, "pdffonts", path); strings.Contains(fonts, " no  no  no ") || strings.Count(fonts, "yes") < 2 {
				t.Errorf("fonts not embedded or without characters: %s", fonts)
			}
		})
	}
}

// Every page over which the results run has their head, and a heading row is
// not left at the foot of one.
func TestResultsHeadIsRepeated(t *testing.T) {
	path := filepath.Join(t.TempDir(), "awkward.pdf")
	if err := os.WriteFile(path, printed(t, smaller(sample.Awkward()), A4), 0o644); err != nil {
		t.Fatal(err)
	}
	text := tool(t, "pdftotext", "-layout", path, "-")
	runs := 0
	for i, p := range strings.Split(text, "\f") {
		at := strings.Index(p, " of the scan")
		if at < 0 {
			continue
		}
		runs++
		head := strings.Index(p, "Value ± U")
		if head < 0 || head > at {
			t.Errorf("page %d: rows without their head", i+1)
		}
	}
	if runs < 3 {
		t.Errorf("the results run over %d pages only; the sample no longer tests this", runs)
	}
}

// The outline names the sections.
func TestBookmarks(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.pdf")
	if err := os.WriteFile(path, printed(t, smaller(sample.Accepted()), A4), 0o644); err != nil {
		t.Fatal(err)
	}
	out := tool(t, "qpdf", "--json", "--json-key=outlines", path)
	for _, s := range []string{"Results", "Decision rule and uncertainty", "Evidence"} {
		if !strings.Contains(out, `"`+s+`"`) {
			t.Errorf("no bookmark %q", s)
		}
	}
}
