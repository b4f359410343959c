package picture

import (
	"fmt"
	"math"
	"proveout/scoring/picture/align"
	"slices"

	"proveout/scoring/memory"
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
	c.takeLinesOf(c.report.Lines)
	polarity, written := 1, "1"
	if got.Inverted {
		polarity, written = 0, "0"
	}
	index := map[[3]int]*DataLine{}
	for i := range r.Lines {
		l := &r.Lines[i]
		index[[3]int{l.Bank, l.Chip, l.Line}] = l
	}
	for _, t := range got.Lines {
		state := t.State()
		l := index[[3]int{t.Bank, t.Chip, t.Line}]
		if l == nil || state == lines.NotJudged {
			continue
		}
		shown, se := t.Shown, t.SE
		l.Alone[polarity], l.SE = &shown, &se
		if state == lines.Good {
			continue
		}
		l.State = lines.Bad.String()
		r.LinesJudged.NotJudged--
		r.LinesJudged.Bad++
		r.Findings = append(r.Findings, c.solidFinding(*l, polarity, written))
	}
	for _, t := range got.Stripes {
		f := plain(Stripe, fmt.Sprintf("column %d of every %d, %s, is off by %.1f levels", t.Phase, t.Period, [3]string{"red", "green", "blue"}[t.Channel], t.Levels),
			"A data line of these columns shows another level than written: photograph the other bit solids and their inverses, which name it.")
		f.Strength, f.Confidence, f.fromSolid = math.Abs(t.Levels), 0.9, true
		r.Findings = append(r.Findings, f)
	}
	if len(got.Lines) == 0 {
		r.Doubts = append(r.Doubts, "this photograph tests no data line: the step of the bit is too small in it, or every pixel lies on the same lanes")
	} else {
		r.Doubts = append(r.Doubts, "a bit solid tests a line at one level only: photograph its inverse too")
	}
}

// solidFinding names what one solid tells of a line that fails in it.
func (c *comparison) solidFinding(l DataLine, polarity int, written string) Finding {
	kind := memory.LineStuck0
	if polarity == 0 {
		kind = memory.LineStuck1
	}
	if v := *l.Alone[polarity]; v > 0.3 && v < 0.7 {
		kind = memory.LineOpen
	}
	return Finding{Finding: memory.Finding{Kind: kind, Bank: l.Bank, Chip: l.Chip, Designator: l.Designator, Lines: []int{l.Line}, AddressLine: -1, Confidence: 0.8,
		Where:    fmt.Sprintf("chip %s D%d, pixel bits %v: does not follow when it alone is written %s", l.Designator, l.Line, l.PixelBits, written),
		Advice:   fmt.Sprintf("Look at %s D%d for a short, a cold joint or a broken trace; the inverse picture and those of its neighbours tell a stuck line from an open or shorted one.", l.Designator, l.Line),
		Evidence: []string{fmt.Sprintf("%s: shown as written by %.2f ± %.2f", c.r.Pattern, *l.Alone[polarity], *l.SE)}}, fromSolid: true}
}

// settleSolids judges lines by what bit solids and their complements showed
// together, and names the faults.
func (c *Combined) settleSolids() {
	type key struct{ bank, chip int }
	kinds := map[key]map[memory.Kind][]int{}
	for i := range c.Lines {
		l := &c.Lines[i]
		zero, one := l.Alone[0], l.Alone[1]
		low, high := zero != nil && *zero < 0.7, one != nil && *one < 0.7
		if !low && !high {
			if l.State == "not judged" && zero != nil && one != nil {
				l.State = "good"
			}
			continue
		}
		if low && one == nil && *zero > 0.3 || high && zero == nil && *one > 0.3 {
			continue // half of the pair is missing: what the single picture says stands
		}
		k := key{l.Bank, l.Chip}
		if kinds[k] == nil {
			kinds[k] = map[memory.Kind][]int{}
		}
		kind := memory.LineStuck0
		switch {
		case low && high && *zero > 0.25 && *one > 0.25:
			kind = memory.LineOpen
		case low && high:
			kind = memory.LinesSwapped
		case low:
			kind = memory.LineStuck1
		}
		kinds[k][kind] = append(kinds[k][kind], i)
	}
	if slices.ContainsFunc(c.Findings, func(f Finding) bool { return f.fromSolid && f.Chip >= 0 }) { // a name explains the stripes
		c.Findings = slices.DeleteFunc(c.Findings, func(f Finding) bool { return f.fromSolid && f.Chip < 0 })
	}
	for k, by := range kinds {
		for kind, at := range by {
			c.renameSolid(k.bank, k.chip, kind, at)
		}
	}
}

// renameSolid replaces the findings of single solids by what the pairs tell: two
// lines of one chip that fail alike are shorted or exchanged.
func (c *Combined) renameSolid(bank, chip int, kind memory.Kind, at []int) {
	two := len(at) == 2 && kind != memory.LineOpen
	if kind == memory.LinesSwapped && !two {
		return // inverted, but no partner was tested
	}
	if len(at) > 2 && kind != memory.LineOpen {
		kind = memory.ChipDead
	} else if two && kind != memory.LinesSwapped {
		kind = memory.LinesShorted
	}
	var names []int
	var first *Finding
	kept := c.Findings[:0:0]
	for _, f := range c.Findings {
		mine := false
		for _, i := range at {
			l := c.Lines[i]
			mine = mine || f.fromSolid && f.Bank == bank && f.Chip == chip && len(f.Lines) == 1 && f.Lines[0] == l.Line
		}
		if !mine {
			kept = append(kept, f)
			continue
		}
		if kind == memory.LineOpen { // one finding for each line
			f.Kind, f.Confidence = kind, 0.7
			f.Advice += " Two lines exchanged look the same here: photograph a random pattern."
			kept = append(kept, f)
			continue
		}
		if first == nil {
			g := f
			first = &g
		} else {
			first.Evidence = append(first.Evidence, f.Evidence...)
		}
	}
	if first != nil {
		for _, i := range at {
			names = append(names, c.Lines[i].Line)
		}
		first.Kind, first.Lines, first.Confidence = kind, names, 0.95
		if len(names) > 1 {
			first.Where = fmt.Sprintf("chip %s, data lines %v", first.Designator, names)
		}
		kept = append(kept, *first)
	}
	c.Findings = kept
}
