package content

import (
	"proveout/plans/fact"
	"proveout/report/words"
	"proveout/scoring/outcome"
)

// Told is a figure with its texts in words.
func Told(f outcome.FigureIn[fact.Fact], w *words.Catalogue) outcome.FigureIn[string] {
	axis := func(a outcome.Axis[fact.Fact]) outcome.Axis[string] {
		return outcome.Axis[string]{Name: w.Tell(a.Name), Unit: a.Unit, Categories: w.TellAll(a.Categories)}
	}
	told := outcome.FigureIn[string]{
		Samples: f.Samples,
		Title:   w.Tell(f.Title), Alt: w.Tell(f.Alt), Source: w.Tell(f.Source),
		X: axis(f.X), Y: axis(f.Y),
	}
	for _, s := range f.Series {
		told.Series = append(told.Series, outcome.Series[string]{Name: w.Tell(s.Name), Style: s.Style, X: s.X, Y: s.Y})
	}
	for _, l := range f.Limits {
		told.Limits = append(
			told.Limits,
			outcome.LimitLine[string]{Name: w.Tell(l.Name), At: l.At, Vertical: l.Vertical},
		)
	}
	for _, b := range f.Bands {
		told.Bands = append(told.Bands, outcome.Band[string]{
			Name: w.Tell(b.Name), Low: b.Low, High: b.High, Vertical: b.Vertical, Curve: b.Curve,
		})
	}
	for _, m := range f.Marks {
		told.Marks = append(told.Marks, outcome.Mark[string]{X: m.X, Y: m.Y, Label: w.Tell(m.Label)})
	}
	return told
}
