package content

import (
	"slices"
	"strings"
	"time"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/report/words"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// A builder carries what all parts of a document need.
type builder struct {
	d *Document
	w *words.Catalogue
	o *outcome.Outcome
}

// Build lays out the document, once for all that is made of it. It prepares the
// photos if that was not done. The errors are those of Document.check,
// of an unknown language, and of pictures that cannot be encoded.
func Build(d *Document) (*Content, error) {
	if err := d.check(); err != nil {
		return nil, err
	}
	w, err := words.In(d.Language)
	if err != nil {
		return nil, err
	}
	if err := d.Prepare(); err != nil {
		return nil, err
	}
	b := &builder{d: d, w: w, o: d.Outcome}
	c := &Content{
		Language: w.Language,
		Kind:     d.Kind,
		Title:    w.T("title.report"),
		Number:   d.Number,
		Author:   d.Shop.Name,
		Subject:  Join(" · ", d.Job.Card.Title, b.serial(), d.Job.Number),
		Tool:     d.Tool,
		Record:   d.Sum,
		Foot:     w.T("document.foot"),
		PageOf:   w.T("document.page"),
		End:      w.T("end.report", "number", b.number()),
		Banner:   w.T("document.banner"),
	}
	c.Watermark = w.T("document.watermark")
	if d.Kind == Certificate {
		c.Title, c.Banner, c.Watermark = w.T("title.certificate"), "", ""
		c.End = w.T("end.certificate", "number", b.number())
	}
	c.FullTitle = strings.TrimSpace(c.Title + " " + b.number())
	c.Front = b.front()
	for _, s := range []Section{
		b.item(), b.way(), b.causes(), b.conditions(), b.results(), b.figures(), b.captures(), b.photos(),
		b.attempts(), b.rule(), b.instruments(), b.evidence(), b.limits(), b.issue(),
	} {
		if len(s.Blocks) > 0 {
			c.Sections = append(c.Sections, s)
		}
	}
	return c, nil
}

// phrase is a text of the plan, the family or the shop.
func (b *builder) phrase(text string) string { return b.w.Phrase(text) }

// title names a step.
func (b *builder) title(s *outcome.StepOutcome) string { return b.phrase(orElse(s.Title, s.ID)) }

// number is the document's number, or the job's where a report has none.
func (b *builder) number() string {
	if b.d.Number != "" {
		return b.d.Number
	}
	return b.d.Job.Number
}

func (b *builder) serial() string { return b.d.Job.Card.Serial }

// word is a verdict in the document's language.
func (b *builder) word(v conformity.Verdict) string { return b.w.T("verdict." + v.String()) }

func (b *builder) verdict(v conformity.Verdict) Cell {
	return Cell{Text: b.word(v), Verdict: &v, Strong: v != conformity.Pass}
}

func (b *builder) section(id string, blocks ...Block) Section {
	return Section{ID: id, Title: b.w.T("section." + id), Blocks: blocks}
}

// family is the family's title with the variant.
func (b *builder) family() string {
	f := b.d.Family
	s := orElse(f.Title, f.ID)
	if f.Variant != "" {
		s += ", " + b.w.T("front.variant", "v", f.Variant)
	}
	return s
}

func (b *builder) front() Front {
	d, w := b.d, b.w
	f := Front{
		ShopName: d.Shop.Name,
		Logo:     d.Logo,
		Card:     orElse(d.Job.Card.Title, d.Family.Title, d.Family.ID),
		CardLine: b.family(),
		Verdict:  b.o.Verdict,
		Accepted: b.o.Accepted,
		Headline: b.headline(),
		Reason:   b.reason(),
		TestedHd: w.T("front.tested"),
		IsNotHd:  w.T("front.isnot"),
		IsNot:    []string{w.T("front.isnot.1"), w.T("front.isnot.2")},
	}
	f.ShopLines = append(append(f.ShopLines, d.Shop.Address...), d.Shop.Contact)
	if d.Kind == TestReport {
		f.IsNot = append([]string{w.T("front.isnot.3")}, f.IsNot...)
	}
	f.Identity = append(f.Identity, Fact{w.T("front.serial"), orElse(b.serial(), w.T("front.noserial"))})
	for _, m := range d.Job.Card.Marks {
		f.Identity = append(f.Identity, Fact{m.Name, m.Value})
	}
	for _, s := range b.o.Steps {
		f.Tested = append(f.Tested, Tested{
			Title: b.title(&s), Note: b.stepNote(&s), Verdict: s.Verdict, Word: b.word(s.Verdict),
		})
	}
	if len(b.o.Standing) > 0 {
		f.WayHd, f.Way = w.T("front.way"), b.shortWay()
	}
	f.Facts = b.frontFacts()
	f.Check = b.check()
	if b.o.Accepted {
		required := 0
		for _, s := range b.o.Steps {
			if s.Required {
				required++
			}
		}
		f.Reason = w.Tell(fact.New("outcome.accepted", "n", required))
	}
	return f
}

// check says how a certificate is checked.
func (b *builder) check() Check {
	d, w := b.d, b.w
	if d.Kind != Certificate {
		return Check{}
	}
	c := Check{Hd: w.T("how-to-check.hd")}
	if d.Seal == nil {
		c.Lines = []string{w.T("how-to-check.unsigned")}
		return c
	}
	c.Lines = []string{w.T("how-to-check.signed")}
	c.Ask = w.T("how-to-check.ask", "name", d.Seal.Name)
	c.Fingerprint = d.Seal.Fingerprint.Groups()
	c.QR = d.Number + " SHA-256:" + strings.ToUpper(d.Seal.Fingerprint.Hex())
	c.QRAlt = w.T("how-to-check.qr")
	return c
}

// seal says how the document is sealed.
func (b *builder) seal() []Fact {
	d, w := b.d, b.w
	switch {
	case d.Kind != Certificate:
		return nil
	case d.Seal == nil:
		return append([]Fact{{w.T("fact.seal"), w.T("seal.none")}}, b.recordSum()...)
	}
	fingerprint := d.Seal.Fingerprint.String() + " · SHA-256 " + d.Seal.Fingerprint.Hex()
	return append([]Fact{
		{w.T("fact.seal"), w.T("seal.signed", "name", d.Seal.Name)},
		{w.T("fact.fingerprint"), fingerprint},
	}, b.recordSum()...)
}

// recordSum names the record that the document was made from, by its digest.
func (b *builder) recordSum() []Fact {
	if b.d.Sum == "" {
		return nil
	}
	return []Fact{{"record.json", "SHA-256 " + b.d.Sum}}
}

// headline is the verdict of the job in words.
func (b *builder) headline() string {
	if !b.o.Accepted && (b.o.Verdict == conformity.Pass || b.o.Verdict == conformity.NotApplicable) {
		return b.w.T("headline.withheld")
	}
	return b.w.T("headline." + b.o.Verdict.String())
}

func (b *builder) stepNote(s *outcome.StepOutcome) string {
	var notes []string
	if s.Attempts > 1 {
		notes = append(notes, b.w.Tell(fact.New("front.attempts", "n", s.Attempts)))
	}
	if !s.Required {
		notes = append(notes, b.w.T("front.optional"))
	}
	return strings.Join(notes, ", ")
}

// reason is the outcome's one sentence, with the titles of the steps in place of
// their ids.
func (b *builder) reason() string {
	f := b.o.Reason
	steps, ok := f.Args["steps"].(fact.List)
	if !ok {
		return b.w.Tell(f)
	}
	titles := fact.List{Join: steps.Join}
	for _, s := range steps.Items {
		titles.Items = append(titles.Items, b.titled(s))
	}
	return b.w.Tell(f.With("steps", titles))
}

// titled is the title of a step in place of its id.
func (b *builder) titled(step fact.Arg) fact.Arg {
	if id, ok := step.(fact.Name); ok {
		return fact.Phrase(orElse(b.planStep(string(id)).Title, string(id)))
	}
	return step
}

// standings are what stands in the way, with the titles of the steps as in
// reason.
func (b *builder) standings() []string {
	return plans.NamesOf(b.o.Standing, func(f fact.Fact) string {
		if step, ok := f.Args["step"]; ok {
			f = f.With("step", b.titled(step))
		}
		return b.w.Tell(f)
	})
}

// shortWay is what stands in the way, cut to what fits the front page.
func (b *builder) shortWay() []string {
	const most = 4
	way := b.standings()
	if len(way) <= most+1 {
		return way
	}
	more := b.w.Tell(fact.New("front.more", "n", len(way)-most, "section", b.w.T("section.way")))
	return append(append([]string(nil), way[:most]...), more)
}

func (b *builder) frontFacts() []Fact {
	d, w := b.d, b.w
	facts := []Fact{
		{w.T("fact.number"), b.number()},
		{w.T("fact.issued"), w.Time(d.IssuedAt)},
		{w.T("fact.tested"), b.testedDates()},
		{w.T("fact.by"), d.Technician},
		{w.T("fact.authorised"), d.AuthorisedBy},
		{w.T("fact.bench"), b.bench()},
		{w.T("fact.plan"), Join(" · ", b.phrase(d.Plan.Title), d.Plan.ID)},
		{w.T("fact.job"), d.Job.Number},
		{w.T("fact.customer"), d.Job.Customer},
		{w.T("fact.replaces"), d.Replaces},
		{w.T("fact.because"), d.Because},
	}
	return without(facts)
}

func (b *builder) bench() string {
	bench := b.d.Bench()
	if bench == nil {
		return b.d.Job.Bench
	}
	return b.phrase(orElse(bench.Title, bench.ID))
}

// testedDates is the first and the last day of the attempts.
func (b *builder) testedDates() string {
	var first, last time.Time
	for _, as := range b.d.Job.Attempts {
		for _, a := range as {
			for _, t := range []time.Time{a.Started, a.Ended} {
				if t.IsZero() {
					continue
				}
				if first.IsZero() || t.Before(first) {
					first = t
				}
				if t.After(last) {
					last = t
				}
			}
		}
	}
	switch {
	case first.IsZero():
		return ""
	case b.w.Date(first) == b.w.Date(last):
		return b.w.Date(first)
	}
	return b.w.T("document.until", "from", b.w.Date(first), "to", b.w.Date(last))
}

// technician is the name that belongs to an id of the shop.
func (b *builder) technician(id string) string {
	for _, t := range b.d.Shop.Technicians {
		if t.ID == id {
			return orElse(t.Name, id)
		}
	}
	return id
}

// planStep is the plan's step of that id, or an empty one.
func (b *builder) planStep(id string) *plans.Step {
	if s, ok := b.d.Plan.Step(id); ok {
		return s
	}
	return &plans.Step{ID: id}
}

func (b *builder) stepTitle(id string) string {
	for i := range b.o.Steps {
		if b.o.Steps[i].ID == id {
			return b.title(&b.o.Steps[i])
		}
	}
	return b.phrase(orElse(b.planStep(id).Title, id))
}

// without leaves out facts that say nothing.
func without(facts []Fact) []Fact {
	return slices.DeleteFunc(facts, func(f Fact) bool { return strings.TrimSpace(f.Text) == "" })
}

func orElse(texts ...string) string {
	for _, t := range texts {
		if strings.TrimSpace(t) != "" {
			return t
		}
	}
	return ""
}

// Join joins the texts that say something.
func Join(sep string, parts ...string) string {
	said := slices.DeleteFunc(slices.Clone(parts), func(p string) bool { return p == "" })
	return strings.Join(said, sep)
}
