package content_test

import (
	"slices"
	"strings"
	"testing"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/report/content"
	"proveout/report/internal/sample"
)

func all(t *testing.T, d *content.Document) string {
	t.Helper()
	c, err := content.Build(d)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	content.Texts(c, func(s string) { b.WriteString(s + "\n") })
	return b.String()
}

// What ISO/IEC 17025:2017 wants in a report, 7.8.2.1 a to p and 7.8.6.2, as far
// as it applies (clauses from memory).
func TestContentsOfTheStandard(t *testing.T) {
	text := all(t, sample.Accepted())
	for clause, want := range map[string]string{
		"a title":                        "Acceptance certificate",
		"b name and address":             "14 Tannery Lane",
		"c place of the tests":           "Hollow Willow Bench Works, 14 Tannery Lane, Eastmere",
		"d identification and end":       "End of certificate HW-2026-0042",
		"e customer":                     "C-2291",
		"f method":                       "Full acceptance · full-acceptance",
		"g item, condition":              "earlier repair visible at U4",
		"h receipt":                      "2 November 2026, 10:12",
		"i dates of the tests":           "4 November 2026 to 5 November 2026",
		"j date of issue":                "5 November 2026, 16:20 (UTC+01:00)",
		"l for the items tested":         "Results hold for the card described here",
		"m results with units":           "70.8\u00a0±\u00a01.7\u00a0°C",
		"n deviations":                   "No deviation from the plan was recorded.",
		"o authorised by":                "Marit Osk",
		"p external providers":           "No results come from other providers.",
		"7.8.6.2 a and b, what conforms": "Accepted: all 8 required steps passed",
		"7.8.6.2 c, decision rule":       "Guarded acceptance.",
		"7.8.3.1 c, uncertainty":         "coverage factor k = 2",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%s: no %q", clause, want)
		}
	}
	for _, never := range []string{"accredited laboratory", "is accredited"} {
		if strings.Contains(strings.ToLower(text), never) {
			t.Errorf("the document says %q", never)
		}
	}
}

func TestReportSaysWhatItIs(t *testing.T) {
	c, err := content.Build(sample.Failed())
	if err != nil {
		t.Fatal(err)
	}
	if c.Banner == "" || c.Watermark == "" || c.Title != "Test report" || !strings.HasPrefix(c.Front.Headline, "NOT ACCEPTED") {
		t.Errorf("banner %q, title %q, headline %q", c.Banner, c.Title, c.Front.Headline)
	}
	// A report of an accepted job is still a report.
	d := sample.Accepted()
	d.Kind = content.TestReport
	if c, err = content.Build(d); err != nil || c.Banner == "" || c.Front.Headline != "ACCEPTED" {
		t.Errorf("report of an accepted job: banner %q, headline %q, %v", c.Banner, c.Front.Headline, err)
	}
	if c, err = content.Build(sample.Accepted()); err != nil || c.Banner != "" || c.Watermark != "" {
		t.Errorf("certificate: banner %q, %v", c.Banner, err)
	}
	// A verdict that does not carry acceptance never reads as accepted.
	d = sample.Failed()
	d.Outcome.Verdict = 1 // pass, yet not accepted
	if c, err = content.Build(d); err != nil || c.Front.Headline != "NOT ACCEPTED" {
		t.Errorf("headline %q, %v", c.Front.Headline, err)
	}
}

func TestLongWayIsCutOnTheFrontOnly(t *testing.T) {
	d := sample.Failed()
	d.Outcome.Standing = append(slices.Repeat([]fact.Fact{fact.New("outcome.no-attempt")}, 12), fact.Text(fact.Name("the last")))
	c, err := content.Build(d)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(c.Front.Way); n != 5 || !strings.Contains(c.Front.Way[4], "9 more") {
		t.Errorf("front: %q", c.Front.Way)
	}
	if !strings.Contains(all(t, d), "the last") {
		t.Error("the whole list is nowhere")
	}
}

func TestRuleInWords(t *testing.T) {
	d := sample.Accepted()
	d.Plan.Rule = plans.Simple
	text := all(t, d)
	for _, want := range []string{"Simple acceptance", "judged by another rule", "Guarded acceptance"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q", want)
		}
	}
}

func TestMissing(t *testing.T) {
	c, err := content.Build(sample.Awkward())
	if err != nil {
		t.Fatal(err)
	}
	got := content.Missing(c, func(r rune) bool { return r <= 0xFFFF && r != '漢' })
	want := []rune{0x1F527, '漢', 0x1F600, 0x20BB7}
	if len(got) != len(want) {
		t.Fatalf("%d characters: %+v", len(got), got)
	}
	seen := map[rune]bool{}
	for _, g := range got {
		seen[g.Rune] = true
		if !strings.ContainsRune(g.Text, g.Rune) {
			t.Errorf("%U is not in %q", g.Rune, g.Text)
		}
	}
	for _, r := range want {
		if !seen[r] {
			t.Errorf("%U was not reported", r)
		}
	}
}

// Building the words changes nothing in the record.
func TestBuildLeavesTheRecordAlone(t *testing.T) {
	d := sample.Failed()
	before := len(d.Outcome.Causes)
	first, second := all(t, d), all(t, d)
	if first != second || len(d.Outcome.Causes) != before {
		t.Error("building twice gave two documents")
	}
}

// Of a translated document only what no translator can change is looked for on
// pages of another version.
func TestValuesOfATranslatedDocument(t *testing.T) {
	build := func(language string) map[string]bool {
		d := sample.Accepted()
		d.Language = language
		c, err := content.Build(d)
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]bool{}
		for _, v := range content.Values(c) {
			out[v] = true
		}
		return out
	}
	en, de := build("en"), build("de")
	for _, want := range []string{"70,8\u00a0±\u00a01,7\u00a0°C", "HW-2026-0042", "bestanden", "ABGENOMMEN"} {
		if !de[want] {
			t.Errorf("no %q", want)
		}
	}
	for _, never := range []string{"at most 85 °C", "höchstens 85\u00a0°C", "Thermal soak", "Speichergröße"} {
		if de[never] {
			t.Errorf("%q is looked for", never)
		}
	}
	if len(de) < len(en)/4 || len(de) >= len(en) {
		t.Errorf("%d values in English, %d in German", len(en), len(de))
	}
}
