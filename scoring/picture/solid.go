package picture

import (
	"fmt"
	"math"
	"slices"

	"proveout/plans/fact"
	"proveout/scoring/memory"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/lines"
)

// solid reads the data lines that a photograph of a bit solid tests. One such
// picture can show that a line fails; that it is good takes its complement too,
// which [Combine] brings in.
func (c *comparison) solid(s *align.Screen) {
	r := c.r
	got, err := lines.ReadSolid(c.buffer, c.f.Pattern, s.Grid, c.wanted)
	if err != nil {
		return // the buffer was checked before
	}
	c.takeJudgement()
	written := 1
	if got.Inverted {
		written = 0
	}
	for _, t := range got.Lines {
		state := t.State()
		i := slices.IndexFunc(r.Lines, func(l lines.Line) bool {
			return l.Bank == t.Bank && l.Chip == t.Chip && l.Line == t.Line
		})
		if i < 0 || state == lines.NotJudged {
			continue
		}
		l := &r.Lines[i]
		l.Alone[written], l.SE = &t.Shown, &t.SE
		if state == lines.Good {
			continue
		}
		l.State = lines.Bad
		r.LinesJudged.NotJudged--
		r.LinesJudged.Bad++
		r.find(c.solidFinding(*l, written))
	}
	for _, t := range got.Stripes {
		where := fact.New("picture.column-off", "column", t.Phase, "period", t.Period,
			"colour", lines.Colour(t.Channel), "levels", levels(t.Levels))
		f := r.find(plain(Stripe, where, fact.New("picture.look-other-solids")))
		f.Strength, f.Confidence, f.fromSolid = math.Abs(t.Levels), 0.9, true
	}
	if len(got.Lines) == 0 {
		r.doubt(fact.New("picture.solid-tests-nothing"))
	} else {
		r.doubt(fact.New("picture.solid-tests-one-level"))
	}
}

// levels are levels of 255 as findings show them.
func levels(v float64) fact.Amount { return fact.In(v, "").To(0.1) }

// solidFinding names what one solid tells of a line that fails in it.
func (c *comparison) solidFinding(l lines.Line, written int) Finding {
	kind := []memory.Kind{memory.LineStuck1, memory.LineStuck0}[written]
	value := *l.Alone[written]
	if value > 0.3 && value < 0.7 {
		kind = memory.LineOpen
	}
	line := fmt.Sprintf("D%d", l.Line)
	bits := make([]fact.Count, len(l.PixelBits))
	for i, b := range l.PixelBits {
		bits[i] = fact.Count(b)
	}
	hundredths := func(v float64) fact.Amount { return fact.In(v, "").To(0.01) }
	return Finding{fromSolid: true, Fault: memory.Fault{
		Kind: kind, Bank: l.Bank, Chip: l.Chip, Designator: l.Designator, Lines: []int{l.Line}, AddressLine: -1,
		Confidence: 0.8,
		Where: fact.New("picture.does-not-follow-alone", "chip", l.Designator, "line", line,
			"n", len(bits), "bits", fact.ListOf(fact.And, bits), "written", written),
		Advice: fact.New("picture.look-alone", "chip", l.Designator, "line", line),
		Evidence: []fact.Fact{fact.New("picture.shown-as-written", "pattern", c.r.Pattern,
			"ratio", hundredths(value), "error", hundredths(*l.SE))},
	}}
}

// settleSolids judges lines by what bit solids and their complements showed
// together, and names the faults.
func (c *Combined) settleSolids() {
	type group struct {
		bank, chip int
		kind       memory.Kind
	}
	var order []group
	groups := map[group][]int{} // lines of a chip that fail alike, by their place in c.Lines
	for i := range c.Lines {
		l := &c.Lines[i]
		both := l.Alone[0] != nil && l.Alone[1] != nil
		if both && l.State == lines.NotJudged && !failsAlone(l, 0) && !failsAlone(l, 1) {
			l.State = lines.Good
		}
		if kind, ok := kindAlone(l); ok {
			g := group{l.Bank, l.Chip, kind}
			if groups[g] == nil {
				order = append(order, g)
			}
			groups[g] = append(groups[g], i)
		}
	}
	named := func(f Finding) bool { return f.fromSolid && f.Chip >= 0 }
	if slices.ContainsFunc(c.Findings, named) { // a name explains the stripes
		c.Findings = slices.DeleteFunc(c.Findings, func(f Finding) bool { return f.fromSolid && f.Chip < 0 })
	}
	for _, g := range order {
		c.renameSolid(g.bank, g.chip, g.kind, groups[g])
	}
}

// failsAlone reports whether the line did not follow when it alone was written so.
func failsAlone(l *lines.Line, written int) bool {
	return l.Alone[written] != nil && *l.Alone[written] < 0.7
}

// kindAlone is what the solids of a line tell together. It is false for a line
// that follows, and where half of the pair is missing and a random answer is
// likely: what the single picture says stands then.
func kindAlone(l *lines.Line) (memory.Kind, bool) {
	zero, one := l.Alone[0], l.Alone[1]
	low, high := failsAlone(l, 0), failsAlone(l, 1)
	switch {
	case !low && !high, low && one == nil && *zero > 0.3, high && zero == nil && *one > 0.3:
		return "", false
	case low && high && *zero > 0.25 && *one > 0.25:
		return memory.LineOpen, true
	case low && high:
		return memory.LinesSwapped, true
	case low:
		return memory.LineStuck1, true
	}
	return memory.LineStuck0, true
}

// renameSolid replaces the findings of single solids by what the pairs tell: two
// lines of one chip that fail alike are shorted or exchanged.
func (c *Combined) renameSolid(bank, chip int, kind memory.Kind, at []int) {
	var failing []int
	for _, i := range at {
		failing = append(failing, c.Lines[i].Line)
	}
	switch n := len(failing); {
	case kind == memory.LineOpen:
	case kind == memory.LinesSwapped && n != 2:
		return // inverted, but no partner was tested
	case n > 2:
		kind = memory.ChipDead
	case n == 2 && kind != memory.LinesSwapped:
		kind = memory.LinesShorted
	}
	mine := func(f Finding) bool {
		return f.fromSolid && f.Bank == bank && f.Chip == chip &&
			len(f.Lines) == 1 && slices.Contains(failing, f.Lines[0])
	}
	if kind == memory.LineOpen { // one finding for each line
		for i := range c.Findings {
			if f := &c.Findings[i]; mine(*f) {
				f.Kind, f.Confidence = kind, 0.7
				f.Advice = fact.New("picture.or-exchanged", "look", f.Advice)
			}
		}
		return
	}
	var joined *Finding
	for _, f := range c.Findings {
		switch {
		case !mine(f):
		case joined == nil:
			joined = &f
		default:
			joined.Evidence = append(joined.Evidence, f.Evidence...)
		}
	}
	if joined == nil {
		return
	}
	joined.Kind, joined.Lines, joined.Confidence = kind, failing, 0.95
	if len(failing) > 1 {
		joined.Where = fact.New("picture.chip-lines", "chip", joined.Designator, "lines", lines.DataLines(failing))
	}
	c.Findings = append(slices.DeleteFunc(c.Findings, mine), *joined)
}
