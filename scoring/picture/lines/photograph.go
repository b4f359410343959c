package lines

import (
	"slices"

	"proveout/scoring/picture/raster"
)

// insideOf leaves out what a photograph reads otherwise: the strips of the
// identification, two levels in wide fields, and the columns that the surround of
// the screen smears into.
func insideOf(g *raster.Grid, mark int) *raster.Grid {
	const side = 4
	inner := *g
	inner.Y0, inner.Y1 = max(g.Y0, mark+2), min(g.Y1, g.Height-mark-2)
	inner.X0, inner.X1 = max(g.X0, side), min(g.X1, g.Width-side)
	return &inner
}

// besideFaults looks at the lines that share lane class and channel with a named
// one in a photograph. Tone curve and clipping let a line follow less, or with
// more scatter, where another line of the same pixel fails: what was unclear
// before counts as it is once the fault is explained, and what then still looks
// a little off is not judged.
func besideFaults(j *judge, after []Line, rep *Report) {
	type place struct{ class, channel int }
	beside := map[place]bool{}
	named := map[[3]int]bool{}
	for _, f := range rep.Findings {
		for _, line := range f.Lines {
			if f.Chip < 0 {
				continue
			}
			named[[3]int{f.Bank, f.Chip, line}] = true
			for _, s := range j.slots(f.Bank, f.Chip, line) {
				beside[place{s.class, s.channel}] = true
			}
		}
	}
	for i := range rep.Lines {
		l := &rep.Lines[i]
		if named[[3]int{l.Bank, l.Chip, l.Line}] || !slices.ContainsFunc(j.slots(l.Bank, l.Chip, l.Line), func(s slot) bool { return beside[place{s.class, s.channel}] }) {
			continue
		}
		switch {
		case l.State == NotJudged && after[i].State == Good && l.Follows > 0.8:
			l.State = Good
		case l.State == Bad && l.Follows > 0.6 && l.Follows < 1.5:
			l.State = NotJudged
		}
	}
}
