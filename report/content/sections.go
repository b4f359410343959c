package content

import (
	"strconv"
	"strings"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/outcome"
)

// item is the card as received and what was done to it (ISO/IEC 17025:2017,
// 7.8.2.1 g and h).
func (b *builder) item() Section {
	d, w := b.d, b.w
	none, bus := w.T("document.none"), d.Family.Bus
	signaling := strings.Join(plans.NamesOf(bus.Signaling, b.quantity), " ")
	facts := []Fact{
		{w.T("front.family"), Join(" · ", b.family(), d.Family.Maker)},
		{w.T("fact.bus"), Join(", ", bus.Kind, signaling, strings.Join(bus.Rates, " "))},
		{w.T("fact.memory"), b.memory()},
		{w.T("fact.clocks"), b.clocks()},
		{w.T("front.serial"), orElse(d.Job.Card.Serial, w.T("front.noserial"))},
	}
	for _, m := range d.Job.Card.Marks {
		facts = append(facts, Fact{m.Name, m.Value})
	}
	if !d.Job.Opened.IsZero() {
		facts = append(facts, Fact{w.T("fact.received"), w.Time(d.Job.Opened)})
	}
	facts = append(facts,
		Fact{w.T("fact.customer"), d.Job.Customer},
		Fact{w.T("fact.condition"), orElse(d.Job.Condition, none)},
		Fact{w.T("fact.complaint"), orElse(d.Job.Complaint, none)},
		Fact{w.T("fact.work"), orElse(strings.Join(plans.NamesOf(d.Job.Work, b.phrase), w.T("list.parts")), none)},
		Fact{w.T("fact.worknotes"), d.Job.WorkNotes},
	)
	return b.section("item", Facts{without(facts)})
}

func (b *builder) memory() string {
	pools := plans.NamesOf(b.d.Family.Memory, func(p plans.MemoryPool) string {
		return Join(" ", b.phrase(p.Name), b.quantity(p.Total))
	})
	return strings.Join(pools, b.w.T("list.parts"))
}

func (b *builder) clocks() string {
	clocks := plans.NamesOf(b.d.Family.Clocks, func(c plans.FamilyClock) string {
		return Join(" ", b.phrase(c.Name), b.quantity(c.Value))
	})
	return strings.Join(clocks, b.w.T("list.parts"))
}

func (b *builder) quantity(q quantity.Quantity) string {
	return b.w.AsWritten(q.Text)
}

func (b *builder) way() Section {
	if len(b.o.Standing) == 0 {
		return Section{}
	}
	return b.section("way", List{b.standings()})
}

// causes lists what is probably wrong, the job's or else the steps'.
func (b *builder) causes() Section {
	causes := b.o.Causes
	if len(causes) == 0 {
		for _, s := range b.o.Steps {
			causes = append(causes, s.Causes...)
		}
	}
	if len(causes) == 0 {
		return Section{}
	}
	w := b.w
	t := &Table{ID: "causes", Caption: w.T("section.causes"), Columns: []Column{
		{Title: w.T("col.cause"), Share: 6},
		{Title: w.T("col.step"), Share: 3},
		{Title: w.T("col.confidence"), Share: 1.4, Right: true},
		{Title: w.T("col.look"), Share: 6},
	}}
	for _, c := range causes {
		step := ""
		if c.Step != "" {
			step = b.stepTitle(c.Step)
		}
		weight := strconv.Itoa(int(c.Confidence*100+0.5)) + gap + "%"
		row := textRow(w.Tell(c.Text), step, weight, orDash(w.Tell(c.Look)))
		row.Cells[0].Strong = true
		t.Rows = append(t.Rows, row)
	}
	return b.section("causes", t)
}

// conditions says when, by whom, how often and under which circumstances each
// step ran (7.8.2.1 f and i, 7.8.3.1 a).
func (b *builder) conditions() Section {
	d, w := b.d, b.w
	facts := without([]Fact{
		{w.T("fact.place"), Join(", ", append([]string{d.Shop.Name}, d.Shop.Address...)...)},
		{w.T("fact.bench"), b.bench()},
	})
	if bench := d.Bench(); bench != nil {
		facts = append(facts, without([]Fact{
			{w.T("fact.host"), b.phrase(bench.Host)},
			{w.T("fact.slot"), b.slot(&bench.Slot)},
		})...)
	}
	facts = append(facts, without([]Fact{
		{w.T("fact.plan"), Join(" · ", b.phrase(d.Plan.Title), d.Plan.ID)},
		{w.T("fact.planhash"), hash(d.Plan.Source)},
		{w.T("fact.familyhash"), hash(d.Family.Source)},
		{w.T("fact.proof"), b.proof()},
	})...)
	t := &Table{ID: "conditions", Caption: w.T("section.conditions"), Columns: []Column{
		{Title: w.T("col.step"), Share: 4}, {Title: w.T("col.when"), Share: 4}, {Title: w.T("col.by"), Share: 2.6},
		{Title: w.T("col.conditions"), Share: 7},
	}}
	for _, s := range b.o.Steps {
		when, by := "–", "–"
		if as := d.Job.Attempts[s.ID]; len(as) > 0 {
			a := as[len(as)-1]
			by = orDash(b.technician(a.By))
			if !a.Started.IsZero() {
				when = w.Stamp(a.Started)
			}
		}
		t.Rows = append(t.Rows, textRow(b.title(&s), when, by, orDash(b.circumstances(&s))))
	}
	return b.section("conditions", Facts{facts}, t)
}

// firstWithProof is the first schema of records that tell what their plan lets
// through; documents without a record have none.
const firstWithProof = 4

// proof says in one line what the plan lets through, by simulated cards.
func (b *builder) proof() string {
	p := b.d.Proof
	switch {
	case p == nil && b.d.Schema > 0 && b.d.Schema < firstWithProof:
		return ""
	case p == nil:
		return b.w.Tell(fact.New("proof.not-worked-out"))
	}
	return b.w.Tell(fact.New("proof.lets-through",
		"n", p.Good.N, "good", accepted(p.Good), "all", p.Gross.N, "gross", accepted(p.Gross)))
}

// accepted says how many simulated cards were accepted.
func accepted(t reading.Tried) fact.Fact {
	if t.Accepted == 0 {
		return fact.New("proof.none-accepted")
	}
	return fact.New("proof.accepted", "n", t.Accepted)
}

func (b *builder) slot(s *plans.Slot) string {
	return Join(", ", s.Kind, b.w.AsWritten(b.phrase(s.Key)), strings.Join(s.Rates, " "))
}

func (b *builder) circumstances(s *outcome.StepOutcome) string {
	parts := plans.NamesOf(s.Conditions, b.condition)
	if as := b.d.Job.Attempts[s.ID]; len(as) > 0 && as[len(as)-1].Ran > 0 {
		parts = append(parts, b.w.Span(as[len(as)-1].Ran))
	}
	return strings.Join(parts, b.w.T("list.parts"))
}

func hash(text string) string {
	if text == "" {
		return ""
	}
	return Digest([]byte(text))
}

func (b *builder) figures() Section {
	var blocks []Block
	n := 0
	for _, s := range b.o.Steps {
		for _, f := range s.Figures {
			n++
			said := told(f, b.w)
			blocks = append(blocks, Figure{
				ID:      "figure-" + strconv.Itoa(n),
				Label:   b.w.T("figures.label", "n", strconv.Itoa(n)),
				Caption: Join(" · ", b.title(&s), said.Title),
				Source:  b.figureSource(said.Source, said.Samples),
				Figure:  said,
			})
		}
	}
	return b.section("figures", blocks...)
}

func (b *builder) figureSource(file string, samples int64) string {
	switch {
	case file != "" && samples > 0:
		return b.w.Tell(fact.New("figures.source", "file", file, "n", samples))
	case file != "":
		return b.w.T("figures.sourceonly", "file", file)
	case samples > 0:
		return b.w.Tell(fact.New("figures.samplesonly", "n", samples))
	}
	return ""
}

// captures shows the pictures of the screen that were compared.
func (b *builder) captures() Section {
	w := b.w
	var blocks []Block
	if len(b.d.Captures) > 0 {
		blocks = append(blocks, Paragraph{Text: w.T("captures.text"), Small: true})
	}
	for i, c := range b.d.Captures {
		out := ShownCapture{
			Label:   w.T("captures.label", "n", strconv.Itoa(i+1)),
			Title:   Join(" · ", b.phrase(c.Step), w.Tell(c.Title)),
			Caption: w.Tell(c.Caption), Verdict: c.Verdict, Word: b.word(c.Verdict),
			Source: w.T("captures.source", "file", c.File, "hash", c.SHA256),
		}
		for _, p := range c.Shown {
			panel := Panel{Picture: p.picture(), Label: w.T("captures." + p.Role)}
			if p.Role == string(outcome.DifferencePanel) {
				panel.Scale = w.T("captures.scale", "n", strconv.Itoa(c.Scale))
			}
			out.Panels = append(out.Panels, panel)
		}
		blocks = append(blocks, out)
	}
	if b.d.Unshown > 0 {
		blocks = append(blocks, Paragraph{Text: w.Tell(fact.New("captures.more", "n", b.d.Unshown)), Small: true})
	}
	return b.section("captures", blocks...)
}

func (b *builder) photos() Section {
	if len(b.d.Photos) == 0 {
		return Section{}
	}
	var out Photos
	for i, p := range b.d.Photos {
		ph := ShownPhoto{
			Picture: p.picture(),
			Label:   b.w.T("photos.label", "n", strconv.Itoa(i+1)),
			Caption: b.caption(p.Role, p.Caption),
		}
		if p.SHA256 != "" {
			ph.Hash = b.w.T("photos.hash", "hash", p.SHA256)
		}
		out.Photos = append(out.Photos, ph)
	}
	return b.section("photos", out)
}

// instruments lists what the readings were taken with.
func (b *builder) instruments() Section {
	bench := b.d.Bench()
	if bench == nil || len(bench.Instruments) == 0 {
		return Section{}
	}
	w := b.w
	t := &Table{ID: "instruments", Caption: w.T("section.instruments"), Columns: []Column{
		{Title: w.T("col.instrument"), Share: 5},
		{Title: w.T("col.measures"), Share: 4},
		{Title: w.T("col.accuracy"), Share: 4},
		{Title: w.T("col.checked"), Share: 2.5},
		{Title: w.T("col.due"), Share: 2.5},
	}}
	for _, in := range bench.Instruments {
		measures := plans.NamesOf(in.Measures, func(d quantity.Dimension) string { return w.Tell(plans.DimensionSaid(d)) })
		limits := b.quantity(in.Limits)
		if in.Floor != nil {
			limits = Join(" + ", limits, b.quantity(*in.Floor))
		}
		if in.Coverage > 0 {
			limits = Join(", ", limits, "k = "+w.Decimal(strconv.FormatFloat(in.Coverage, 'g', -1, 64)))
		}
		t.Rows = append(t.Rows, textRow(
			b.phrase(orElse(in.Title, in.ID)),
			orDash(Join(", ", strings.Join(measures, ", "), b.place(in.Place))),
			orDash(limits),
			orDash(b.day(in.LastCheck)),
			orDash(b.day(in.NextCheck)),
		))
	}
	return b.section("instruments", t)
}

// day is a date of the shop file, as tables have it.
func (b *builder) day(text string) string {
	date, ok := fact.Day(text).(fact.Date)
	if !ok {
		return text
	}
	return b.w.Day(time.Time(date))
}

// place is where a temperature sensor sits.
func (b *builder) place(name string) string {
	if name == "" {
		return ""
	}
	return b.w.T("place." + name)
}

func (b *builder) evidence() Section {
	w := b.w
	files := b.d.Files()
	if len(files) == 0 {
		return b.section("evidence", Paragraph{Text: w.T("evidence.none")})
	}
	t := &Table{ID: "evidence", Caption: w.T("section.evidence"), Columns: []Column{
		{Title: w.T("col.name"), Share: 6},
		{Title: w.T("col.role"), Share: 2.6},
		{Title: w.T("col.size"), Share: 2, Right: true},
		{Title: w.T("col.hash"), Share: 9.8},
	}}
	for _, e := range files {
		row := textRow(b.evidenceName(e), orDash(b.phrase(e.Role)), w.Bytes(e.Size), e.SHA256)
		row.Cells[2].Number, row.Cells[3].Code = true, true
		t.Rows = append(t.Rows, row)
	}
	return b.section("evidence", Paragraph{Text: w.T("evidence.text")}, t)
}

func (b *builder) evidenceName(e reading.Evidence) string {
	if e.Caption != "" && e.Caption != e.Name {
		return Join(" – ", e.Name, b.phrase(e.Caption))
	}
	return orDash(e.Name)
}

func (b *builder) limits() Section {
	w := b.w
	items := []string{w.T("cautions.1"), w.T("cautions.2"), w.T("cautions.3"), w.T("cautions.4"), w.T("cautions.5")}
	return b.section("limits", List{items})
}

// issue names who authorised the document and what made it (7.8.2.1 j and o).
func (b *builder) issue() Section {
	d, w := b.d, b.w
	facts := []Fact{{w.T("fact.number"), b.number()}, {w.T("fact.issued"), w.Time(d.IssuedAt)}}
	switch {
	case d.AuthorisedBy != "":
		facts = append(facts, Fact{w.T("fact.authorised"), d.AuthorisedBy})
	case d.Kind == TestReport:
		facts = append(facts, Fact{w.T("fact.authorised"), w.T("issue.unsigned")})
	}
	facts = append(facts,
		Fact{w.T("fact.replaces"), Join(" – ", d.Replaces, d.Because)},
		Fact{w.T("fact.tool"), d.Tool},
	)
	facts = append(facts, b.seal()...)
	return b.section("issue", Facts{without(facts)})
}

// ruleText is a decision rule in words.
func (b *builder) ruleText(r plans.Rule) string {
	if r == plans.Simple {
		return b.w.T("rule.simple")
	}
	return b.w.T("rule.guarded")
}

// condition is one circumstance of a test.
func (b *builder) condition(c outcome.Condition) string {
	return b.w.T("document.pair", "name", b.w.Tell(c.Name), "text", b.w.Tell(c.Text))
}

// caption is what a photo shows: its kind, and what was said of it.
func (b *builder) caption(role, text string) string {
	if role == "" || text == "" {
		return b.phrase(role + text)
	}
	return b.w.T("document.pair", "name", b.phrase(role), "text", b.phrase(text))
}
