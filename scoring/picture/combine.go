package picture

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"

	"proveout/plans/fact"
	"proveout/scoring/picture/lines"
)

// A Combined result sums up several pictures of one job.
type Combined struct {
	Pictures     int          `json:"pictures"`
	Registered   int          `json:"registered"`
	Unregistered []fact.Fact  `json:"unregistered,omitempty"` // pattern and reason
	LinesJudged  Judged       `json:"lines_judged"`
	Lines        []lines.Line `json:"lines,omitempty"`
	Faultless    bool         `json:"faultless"`
	Clean        bool         `json:"clean"`
	Findings     []Finding    `json:"findings"`
	Conflicts    []fact.Fact  `json:"conflicts,omitempty"` // lines that one picture calls good and another bad
}

// Combine sums up several pictures. A line is bad when any picture judged it
// bad, good when at least one judged it good and none bad, else not judged.
// Photographs of bit solids judge a line together: good takes a solid in which
// the line alone was 1 and one in which it alone was 0. A
// fault that several pictures name is listed once, with the confidence of all.
// The whole is faultless when every picture is registered and faultless, and clean
// when they together judged every data line that they show; without a memory
// organisation, when one of them is clean.
func Combine(results []*Result) Combined {
	c := Combined{Pictures: len(results), Faultless: len(results) > 0, Findings: []Finding{}}
	type key struct{ bank, chip, line int }
	index := map[key]int{}
	for _, r := range results {
		if r.Registered {
			c.Registered++
		} else {
			c.Unregistered = append(c.Unregistered,
				fact.New("picture.unregistered", "pattern", r.Pattern, "reason", r.Reason))
		}
		c.Faultless = c.Faultless && r.Registered && r.Faultless
		c.Clean = c.Clean || r.Clean && len(r.Lines) == 0
		for _, l := range r.Lines {
			k := key{l.Bank, l.Chip, l.Line}
			if i, known := index[k]; known {
				c.join(&c.Lines[i], l)
				continue
			}
			index[k] = len(c.Lines)
			c.Lines = append(c.Lines, l)
		}
		for _, f := range r.Findings {
			c.add(f)
		}
	}
	c.settleSolids()
	c.settleFrozen(results)
	for _, l := range c.Lines {
		c.LinesJudged.add(l.State)
	}
	c.Faultless = c.Faultless && c.LinesJudged.Bad == 0
	if len(c.Lines) > 0 {
		c.Clean = allJudged(c.Lines)
	}
	c.Clean = c.Clean && c.Faultless
	slices.SortStableFunc(c.Findings, func(a, b Finding) int { return cmp.Compare(b.Confidence, a.Confidence) })
	return c
}

// join takes what another picture says of a line.
func (c *Combined) join(old *lines.Line, l lines.Line) {
	if old.State == lines.Good && l.State == lines.Bad || old.State == lines.Bad && l.State == lines.Good {
		c.Conflicts = append(c.Conflicts,
			fact.New("picture.conflict", "chip", l.Designator, "line", fmt.Sprintf("D%d", l.Line)))
	}
	alone, shown := old.Alone, old.Shown || l.Shown
	for q, v := range l.Alone { // the worse answer counts
		if v != nil && (alone[q] == nil || *v < *alone[q]) {
			alone[q] = v
		}
	}
	better := l.State == old.State && l.SE != nil && (old.SE == nil || *l.SE < *old.SE)
	if l.State > old.State || better { // bad outranks good
		*old = l
	}
	old.Alone, old.Shown = alone, shown
}

// add lists a finding, or raises the confidence of one that is listed: the
// chances that all pictures are wrong are multiplied.
func (c *Combined) add(f Finding) {
	i := slices.IndexFunc(c.Findings, f.sameAs)
	if i < 0 {
		f.Evidence = slices.Clone(f.Evidence)
		c.Findings = append(c.Findings, f)
		return
	}
	g := &c.Findings[i]
	g.Confidence = 1 - (1-g.Confidence)*(1-f.Confidence)
	for _, e := range f.Evidence {
		if !slices.ContainsFunc(g.Evidence, func(o fact.Fact) bool { return same(o, e) }) {
			g.Evidence = append(g.Evidence, e)
		}
	}
}

// sameAs reports whether two findings name one fault. What names no chip is told
// by its place.
func (f Finding) sameAs(g Finding) bool {
	return g.Kind == f.Kind && g.Form == f.Form && g.Bank == f.Bank && g.Chip == f.Chip &&
		g.AddressLine == f.AddressLine && slices.Equal(g.Lines, f.Lines) && (g.Chip >= 0 || same(g.Where, f.Where))
}

// same reports whether two facts say the same: amounts that differ by less than
// what is shown of them are the same.
func same(a, b fact.Fact) bool {
	shown := func(f fact.Fact) fact.Fact {
		out := fact.Fact{Key: f.Key, Args: maps.Clone(f.Args)}
		for name, arg := range out.Args {
			if amount, ok := arg.(fact.Amount); ok && amount.Step > 0 {
				amount.Value = math.Round(amount.Value / amount.Step)
				out.Args[name] = amount
			}
		}
		return out
	}
	return reflect.DeepEqual(shown(a), shown(b))
}
