package content

import (
	"strconv"
	"strings"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// results is the table of all checks, grouped by step (7.8.2.1 m, 7.8.6.2).
func (b *builder) results() Section {
	w := b.w
	t := &Table{ID: "results", Caption: w.T("section.results"), Columns: []Column{
		{Title: w.T("col.check"), Share: 6.2},
		{Title: w.T("col.value"), Share: 4.4},
		{Title: w.T("col.limits"), Share: 4.6},
		{Title: w.T("col.probability"), Share: 1.9, Right: true},
		{Title: w.T("col.verdict"), Share: 3},
	}}
	for i := range b.o.Steps {
		b.stepRows(t, &b.o.Steps[i])
	}
	blocks := []Block{Paragraph{Text: w.T("results.key"), Small: true}}
	if len(b.d.Family.Memory) > 0 {
		blocks = append(blocks, Paragraph{Text: w.T("results.mib"), Small: true})
	}
	return b.section("results", append(blocks, t)...)
}

// stepRows adds one step: its verdict and reason, then its checks.
func (b *builder) stepRows(t *Table, s *outcome.StepOutcome) {
	w := b.w
	title := Cell{Text: Join(" – ", b.title(s), b.standing(s)), Strong: true}
	head := Row{Group: true, Cells: []Cell{title, b.verdict(s.Verdict)}}
	if !s.Reason.IsZero() {
		head.Notes = append(head.Notes, b.w.Tell(s.Reason))
	}
	if len(s.Earlier) > 0 {
		verdicts := strings.Join(plans.NamesOf(s.Earlier, b.word), ", ")
		head.Notes = append(head.Notes, w.T("attempts.earlier", "verdicts", verdicts))
	}
	for _, f := range s.Findings {
		head.Notes = append(head.Notes, w.T("results.finding", "text", w.Tell(f)))
	}
	for _, f := range s.Warnings {
		head.Notes = append(head.Notes, w.T("results.warning", "text", w.Tell(f)))
	}
	t.Rows = append(t.Rows, head)
	for i := range s.Checks {
		t.Rows = append(t.Rows, b.checkRow(&s.Checks[i]))
	}
}

// standing says whether and why the step is required, whether it is a gate,
// and how often it ran.
func (b *builder) standing(s *outcome.StepOutcome) string {
	var parts []string
	switch {
	case s.Required && s.WhyNeeded != "":
		parts = append(parts, b.w.T("results.requiredby", "why", b.phrase(s.WhyNeeded)))
	case s.Required:
		parts = append(parts, b.w.T("results.required"))
	default:
		parts = append(parts, b.w.T("front.optional"))
	}
	if s.Gate {
		parts = append(parts, b.w.T("results.gate"))
	}
	if s.Attempts > 1 {
		parts = append(parts, b.w.Tell(fact.New("front.attempts", "n", s.Attempts)))
	}
	return strings.Join(parts, ", ")
}

func (b *builder) checkRow(c *outcome.Check) Row {
	w := b.w
	limits := "–"
	if c.Limits != nil {
		limits = orDash(b.w.Tell(c.Limits.Text))
	}
	verdict := b.verdict(c.Verdict)
	if c.Informative {
		verdict = Cell{Text: w.T("results.information")}
	}
	row := textRow(orElse(w.Tell(c.Title), c.Name), Measured(c, w), limits, probability(c.Probability, w))
	row.Cells[1].Number = c.Value != nil && c.U != nil || amountAlone(c.Text)
	row.Cells[2].Number = c.Limits != nil && amountAlone(c.Limits.Text)
	row.Cells[3].Number = c.Probability != nil
	row.Cells = append(row.Cells, verdict)
	// A check that simply passed is told by its numbers.
	if !c.Reason.IsZero() && (c.Verdict != conformity.Pass || c.Informative) {
		row.Notes = append(row.Notes, b.w.Tell(c.Reason))
	}
	if !c.Settle.IsZero() {
		row.Notes = append(row.Notes, w.T("results.settle", "settle", b.w.Tell(c.Settle)))
	}
	if !c.Source.IsZero() {
		row.Notes = append(row.Notes, w.T("results.source", "source", b.w.Tell(c.Source)))
	}
	return row
}

// amountAlone reports whether a fact says an amount and nothing else.
func amountAlone(f fact.Fact) bool {
	if f.Key != "text" {
		return false
	}
	switch f.Args["text"].(type) {
	case fact.Amount, fact.AsWritten, fact.Count:
		return true
	}
	return false
}

// attempts lists retests, skips, cut runs and notes, then the deviations
// (7.8.2.1 n).
func (b *builder) attempts() Section {
	w := b.w
	t := &Table{ID: "attempts", Caption: w.T("section.attempts"), Columns: []Column{
		{Title: w.T("col.step"), Share: 4},
		{Title: w.T("col.attempts"), Share: 2.8},
		{Title: w.T("col.when"), Share: 4},
		{Title: w.T("col.text"), Share: 8},
	}}
	for _, s := range b.o.Steps {
		b.attemptRows(t, &s)
	}
	var blocks []Block
	if len(t.Rows) > 0 {
		blocks = append(blocks, t)
	} else {
		blocks = append(blocks, Paragraph{Text: w.T("attempts.none")})
	}
	blocks = append(blocks, Paragraph{Text: w.T("deviations.title"), Heading: true})
	blocks = append(blocks, Paragraph{Text: w.T("deviations.none")})
	if doubts := w.TellAll(b.o.Warnings); len(doubts) > 0 {
		blocks = append(blocks, Paragraph{Text: w.T("warnings.title"), Heading: true}, List{doubts})
	}
	return b.section("attempts", blocks...)
}

// attemptRows adds the attempts of a step worth telling of: all of them when
// it ran more than once, otherwise one that was skipped, cut short or noted on.
func (b *builder) attemptRows(t *Table, s *outcome.StepOutcome) {
	w := b.w
	all := b.d.Job.Attempts[s.ID]
	for i, a := range all {
		var told []string
		if i < len(s.Earlier) {
			told = append(told, b.word(s.Earlier[i]))
		} else if len(all) > 1 && i == len(all)-1 {
			told = append(told, b.word(s.Verdict))
		}
		if a.Skipped != "" {
			told = append(told, w.T("attempts.skipped", "why", a.Skipped))
		}
		if a.Cut != "" {
			told = append(told, w.T("attempts.cut", "why", a.Cut))
		}
		for _, n := range a.Notes {
			told = append(told, w.T("attempts.note", "by", b.technician(n.By), "when", w.Time(n.At), "text", n.Text))
		}
		if len(told) == 0 && len(all) == 1 {
			continue
		}
		when := "–"
		if !a.Started.IsZero() {
			when = w.Stamp(a.Started)
		}
		t.Rows = append(t.Rows, textRow(
			b.title(s),
			w.T("attempts.row", "n", strconv.Itoa(i+1), "total", strconv.Itoa(len(all))),
			when,
			orDash(strings.Join(told, "\n")),
		))
	}
}

// rule states the decision rule and the uncertainty budgets (7.8.6.1,
// 7.8.3.1 c).
func (b *builder) rule() Section {
	d, w := b.d, b.w
	blocks := []Block{Paragraph{Text: b.ruleText(d.Plan.Rule)}}
	var others []string
	other := map[plans.Rule]bool{}
	for _, s := range d.Plan.Steps {
		if s.Rule != "" && s.Rule != d.Plan.Rule && !(d.Plan.Rule == "" && s.Rule == plans.Guarded) {
			others = append(others, b.phrase(orElse(s.Title, s.ID)))
			other[s.Rule] = true
		}
	}
	if len(others) > 0 {
		blocks = append(blocks, Paragraph{Text: w.T("rule.mixed", "list", strings.Join(others, ", "))})
		for _, r := range []plans.Rule{plans.Guarded, plans.Simple} {
			if other[r] {
				blocks = append(blocks, Paragraph{Text: b.ruleText(r)})
			}
		}
	}
	blocks = append(blocks, Paragraph{Text: w.T("rule.accept")}, Paragraph{Text: w.T("rule.uncertainty")})
	if t := b.budgets(); len(t.Rows) > 0 {
		blocks = append(blocks, t)
	}
	return b.section("rule", blocks...)
}

func (b *builder) budgets() *Table {
	w := b.w
	t := &Table{ID: "budgets", Caption: w.T("section.rule"), Columns: []Column{
		{Title: w.T("col.contribution"), Share: 7}, {Title: w.T("col.halfwidth"), Share: 3, Right: true},
		{Title: w.T("col.distribution"), Share: 4}, {Title: w.T("col.standard"), Share: 4.4, Right: true},
	}}
	for _, s := range b.o.Steps {
		for i := range s.Checks {
			c := &s.Checks[i]
			if len(c.Budget) == 0 {
				continue
			}
			total := ""
			if c.U != nil {
				k := fact.In(2, "").Whole()
				if c.K != nil {
					k = fact.In(*c.K, "").To(0.01)
				}
				total = w.T("budget.combined", "u", w.Amount(fact.In(*c.U, c.Unit).Digits(2)), "k", w.Amount(k))
			}
			check := Join(" – ", b.title(&s), orElse(w.Tell(c.Title), c.Name))
			t.Rows = append(t.Rows, Row{Group: true, Cells: []Cell{
				{Text: w.T("budget.title", "check", check), Strong: true}, {Text: total, Strong: true},
			}})
			for _, x := range c.Budget {
				t.Rows = append(t.Rows, textRow(
					w.Tell(x.Name),
					b.amount(x.Value, c.Unit),
					w.Tell(x.Distribution.Fact()),
					b.amount(x.Standard, c.Unit),
				))
			}
		}
	}
	return t
}

func (b *builder) amount(n float64, unit string) string {
	if n == 0 {
		return "–"
	}
	return b.w.Amount(fact.In(n, unit).Digits(2))
}
