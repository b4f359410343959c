package picture

import (
	"fmt"
	"slices"
	"strings"
)

// A Combined result sums up several pictures of one job.
type Combined struct {
	Pictures     int        `json:"pictures"`
	Registered   int        `json:"registered"`
	Unregistered []string   `json:"unregistered,omitempty"` // pattern and reason
	LinesJudged  Judged     `json:"lines_judged"`
	Lines        []DataLine `json:"lines,omitempty"`
	Clean        bool       `json:"clean"`
	Findings     []Finding  `json:"findings"`
	Conflicts    []string   `json:"conflicts,omitempty"` // lines that one picture calls good and another bad
}

// Combine sums up several pictures. A line is bad when any picture judged it
// bad, good when at least one judged it good and none bad, else not judged.
// Photographs of bit solids judge a line together: good takes a solid in which
// the line alone was 1 and one in which it alone was 0. A
// fault that several pictures name is listed once, with the confidence of all.
// The whole is clean when every picture is registered and clean.
func Combine(results []*Result) Combined {
	c := Combined{Pictures: len(results), Clean: len(results) > 0, Findings: []Finding{}}
	type key struct{ bank, chip, line int }
	index := map[key]int{}
	for _, r := range results {
		if !r.Registered {
			c.Unregistered = append(c.Unregistered, r.Pattern+": "+r.Reason)
		} else {
			c.Registered++
		}
		c.Clean = c.Clean && r.Registered && r.Clean
		for _, l := range r.Lines {
			k := key{l.Bank, l.Chip, l.Line}
			i, ok := index[k]
			if !ok {
				index[k] = len(c.Lines)
				c.Lines = append(c.Lines, l)
				continue
			}
			old := &c.Lines[i]
			if old.State == "good" && l.State == "bad" || old.State == "bad" && l.State == "good" {
				c.Conflicts = append(c.Conflicts, fmt.Sprintf("%s D%d is good in one picture and bad in another", l.Designator, l.Line))
			}
			alone := old.Alone
			for q, v := range l.Alone { // the worse answer counts
				if v != nil && (alone[q] == nil || *v < *alone[q]) {
					alone[q] = v
				}
			}
			if rank(l.State) > rank(old.State) || l.State == old.State && l.SE != nil && (old.SE == nil || *l.SE < *old.SE) {
				*old = l
			}
			old.Alone = alone
		}
		for _, f := range r.Findings {
			c.add(f)
		}
	}
	c.settleSolids()
	c.settleFrozen(results)
	for _, l := range c.Lines {
		switch l.State {
		case "good":
			c.LinesJudged.Good++
		case "bad":
			c.LinesJudged.Bad++
		default:
			c.LinesJudged.NotJudged++
		}
	}
	slices.SortStableFunc(c.Findings, func(a, b Finding) int {
		switch {
		case a.Confidence > b.Confidence:
			return -1
		case a.Confidence < b.Confidence:
			return 1
		}
		return 0
	})
	return c
}

func rank(state string) int { return slices.Index([]string{"not judged", "good", "bad"}, state) }

// add lists a finding, or raises the confidence of one that is listed: the
// chances that all pictures are wrong are multiplied.
func (c *Combined) add(f Finding) {
	for i := range c.Findings {
		g := &c.Findings[i]
		if g.Kind == f.Kind && g.Form == f.Form && g.Bank == f.Bank && g.Chip == f.Chip && g.AddressLine == f.AddressLine && slices.Equal(g.Lines, f.Lines) &&
			(g.Chip >= 0 || g.Where == f.Where) {
			g.Confidence = 1 - (1-g.Confidence)*(1-f.Confidence)
			for _, e := range f.Evidence {
				if !slices.Contains(g.Evidence, e) {
					g.Evidence = append(g.Evidence, e)
				}
			}
			return
		}
	}
	f.Evidence = slices.Clone(f.Evidence)
	c.Findings = append(c.Findings, f)
}

// Summary says the result in one sentence.
func (c Combined) Summary() string {
	switch {
	case c.Clean && c.LinesJudged.Good > 0:
		return fmt.Sprintf("clean: %d pictures, %d data lines judged good, %d not judged", c.Pictures, c.LinesJudged.Good, c.LinesJudged.NotJudged)
	case c.Clean:
		return fmt.Sprintf("clean: %d pictures; no data line was judged", c.Pictures)
	case slices.ContainsFunc(c.Findings, func(f Finding) bool { return !f.Undecided() }):
		var s []string
		for _, f := range c.Findings {
			s = append(s, strings.TrimSpace(string(f.Kind)+" "+f.Designator))
		}
		return "not clean: " + strings.Join(s, ", ")
	}
	return fmt.Sprintf("inconclusive: %d of %d pictures registered", c.Registered, c.Pictures)
}
