package sample

import (
	"fmt"
	"strings"

	"proveout/harness/reading"
	"proveout/plans/fact"
	"proveout/report/content"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// Awkward is a test report with everything that has broken a printed page
// before: emoji, line ends of all kinds, words wider than a column, markup,
// template marks, scripts the fonts lack, results over several pages, and a
// reason longer than a page.
func Awkward() *content.Document {
	d := Failed()
	d.Number = "HW-2026-0099</script><script>alert(1)</script>"
	d.Shop.Name = "Hollow Willow Bench Works & Sons, Formerly the Lower Tannery Lane Radio Repair and Winding Shop"
	d.Outcome.Warnings = []fact.Fact{
		said("__f__function(){alert(2)}__f__"), said("</script><script>alert(3)</script>"),
		said("\U0001F600 smile, \U00020BB7 rare"),
	}
	job := d.Job
	job.Card.Title = "Quellan Vantor 24 AGP, “deluxe” edition with a very long name " +
		"that the maker printed over two stickers & a sleeve"
	job.Card.Serial = strings.Repeat("QV24-0773-4410/", 8)
	job.Card.Marks = append(job.Card.Marks, reading.Mark{Name: "Mark\u202Ewith direction", Value: "a\x00b\x1b[31mc"})
	job.Customer = "C-2291 \U0001F527\uFE0F __f__ {b} {{.}} <b>bold</b>"
	job.Complaint = "First line\nsecond line\r\nthird\rfourth\tafter a tab\u2028fifth"
	job.WorkNotes = "Pijp: " + strings.Repeat("Schaltungsplanverfolgungsarbeitsgang", 9) +
		" Ω ± ≤ µ № ¼ Ελληνικά Кириллица 漢字 עברית"
	for i := range d.Outcome.Steps {
		if s := &d.Outcome.Steps[i]; s.ID == "load" {
			f := &s.Figures[0]
			f.Title = fact.Text(fact.Sentences(f.Title, said("</script><img src=x onerror=alert(4)>")))
			f.Series[0].Name = said("frame time </script><script>alert(5)</script> __f__ \U0001F600")
			f.Limits[0].Name = said("limit <i>{a|b}</i> __f__")
		}
	}
	d.Outcome.Steps = append(d.Outcome.Steps, manyRows())
	return d
}

// said is a fact that says just a text.
func said(text string) fact.Fact { return fact.Text(fact.Name(text)) }

// manyRows is a step whose results run over several pages.
func manyRows() outcome.StepOutcome {
	s := outcome.StepOutcome{
		ID: "scan", Kind: "memory-scan", Title: "Memory scan with " + strings.Repeat("unbreakable", 12),
		Verdict: conformity.Inconclusive, Required: true, Attempts: 1,
		Reason: said(strings.Repeat("A reason that goes on for longer than any page has room for, "+
			"because every failing address is named in it. ", 60)),
	}
	number := func(v float64) *float64 { return &v }
	for i := range 120 {
		c := outcome.Check{
			Name: fmt.Sprint("row-", i), Title: said(fmt.Sprintf("Row %d of the scan", i)),
			Value: number(float64(i) * 1.2345), U: number(0.0996), Unit: "ns",
			Limits:  &conformity.Limits{High: number(70), Text: said("at most 70 ns")},
			Verdict: conformity.Pass, Probability: number(float64(i%11) / 10),
			Reason: said("Address 0x" + strings.Repeat(fmt.Sprintf("%02x", i), 30)),
		}
		if i%9 == 4 {
			c.Verdict = conformity.Fail
		}
		s.Checks = append(s.Checks, c)
	}
	return s
}
