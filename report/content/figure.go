package content

import (
	"slices"

	"proveout/report/words"
	"proveout/scoring/figure"
)

// Translated is a figure with its texts in a language. The one that comes in is
// left as it is.
func Translated(f figure.Figure, w *words.Catalogue) figure.Figure {
	f.Title, f.Alt, f.Source = w.Say(f.Title), w.Say(f.Alt), w.Say(f.Source)
	for _, a := range []*figure.Axis{&f.X, &f.Y} {
		a.Name = w.Say(a.Name)
		a.Categories = slices.Clone(a.Categories)
		for i, c := range a.Categories {
			a.Categories[i] = w.Say(c)
		}
	}
	f.Series, f.Limits, f.Bands, f.Marks = slices.Clone(f.Series), slices.Clone(f.Limits), slices.Clone(f.Bands), slices.Clone(f.Marks)
	for i := range f.Series {
		f.Series[i].Name = w.Say(f.Series[i].Name)
	}
	for i := range f.Limits {
		f.Limits[i].Name = w.Say(f.Limits[i].Name)
	}
	for i := range f.Bands {
		f.Bands[i].Name = w.Say(f.Bands[i].Name)
	}
	for i := range f.Marks {
		f.Marks[i].Label = w.Say(f.Marks[i].Label)
	}
	return f
}
