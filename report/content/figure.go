package content

import (
	"proveout/plans/fact"
	"proveout/report/words"
	"proveout/scoring/outcome"
)

// told is a figure with its texts in words.
func told(f outcome.FigureIn[fact.Fact], w *words.Catalogue) outcome.FigureIn[string] {
	axis := func(a outcome.Axis[fact.Fact]) outcome.Axis[string] {
		return outcome.Axis[string]{Name: w.Tell(a.Name), Unit: a.Unit, Categories: w.TellAll(a.Categories)}
	}
	out := outcome.FigureIn[string]{
		Samples: f.Samples,
		Title:   w.Tell(f.Title), Alt: w.Tell(f.Alt), Source: w.Tell(f.Source),
		X: axis(f.X), Y: axis(f.Y),
	}
	for _, s := range f.Series {
		out.Series = append(out.Series, outcome.Series[string]{Name: w.Tell(s.Name), Style: s.Style, X: s.X, Y: s.Y})
	}
	for _, l := range f.Limits {
		out.Limits = append(
			out.Limits,
			outcome.LimitLine[string]{Name: w.Tell(l.Name), At: l.At, Vertical: l.Vertical},
		)
	}
	for _, b := range f.Bands {
		out.Bands = append(out.Bands, outcome.Band[string]{
			Name: w.Tell(b.Name), Low: b.Low, High: b.High, Vertical: b.Vertical, Curve: b.Curve,
		})
	}
	for _, m := range f.Marks {
		out.Marks = append(out.Marks, outcome.Mark[string]{X: m.X, Y: m.Y, Label: w.Tell(m.Label)})
	}
	return out
}
