package content

import (
	"slices"

	"proveout/scoring/outcome"
)

// A Glyph is a character that cannot be drawn, and the first text it was found
// in.
type Glyph struct {
	Rune rune
	Text string
}

// Missing returns the characters of the document for which drawable is false,
// each once, in the order they are met.
func Missing(c *Content, drawable func(rune) bool) []Glyph {
	var out []Glyph
	known := map[rune]bool{}
	Texts(c, func(text string) {
		for _, r := range text {
			if r < 0x7F || known[r] {
				continue
			}
			known[r] = true
			if !drawable(r) {
				out = append(out, Glyph{r, text})
			}
		}
	})
	return out
}

// Texts calls visit with every text of the document.
func Texts(c *Content, visit func(string)) {
	f := &c.Front
	for _, s := range slices.Concat(
		[]string{c.FullTitle, c.Banner, c.Watermark, c.Foot, c.PageOf, c.End},
		[]string{f.ShopName, f.Card, f.CardLine, f.Headline, f.Reason, f.TestedHd, f.WayHd, f.IsNotHd},
		f.ShopLines, f.Way, f.IsNot,
		[]string{f.Check.Hd, f.Check.Ask}, f.Check.Lines, f.Check.Fingerprint,
	) {
		visit(s)
	}
	facts := func(fs []Fact) {
		for _, x := range fs {
			visit(x.Name)
			visit(x.Text)
		}
	}
	facts(f.Identity)
	facts(f.Facts)
	for _, t := range f.Tested {
		visit(t.Title)
		visit(t.Note)
		visit(t.Word)
	}
	for _, s := range c.Sections {
		visit(s.Title)
		for _, b := range s.Blocks {
			switch b := b.(type) {
			case Paragraph:
				visit(b.Text)
			case List:
				for _, x := range b.Items {
					visit(x)
				}
			case Facts:
				facts(b.Facts)
			case *Table:
				tableTexts(b, visit)
			case Figure:
				figureTexts(&b, visit)
			case ShownCapture:
				for _, t := range []string{b.Label, b.Title, b.Caption, b.Word, b.Source} {
					visit(t)
				}
				for _, p := range b.Panels {
					visit(p.Label)
					visit(p.Scale)
				}
			case Photos:
				for _, p := range b.Photos {
					visit(p.Label)
					visit(p.Caption)
					visit(p.Hash)
				}
			}
		}
	}
}

func tableTexts(t *Table, visit func(string)) {
	for _, c := range t.Columns {
		visit(c.Title)
	}
	for _, r := range t.Rows {
		for _, c := range r.Cells {
			visit(c.Text)
		}
		for _, n := range r.Notes {
			visit(n)
		}
	}
}

func figureTexts(f *Figure, visit func(string)) {
	for _, s := range []string{f.Label, f.Caption, f.Source, f.Figure.Alt} {
		visit(s)
	}
	for _, a := range []outcome.Axis[string]{f.Figure.X, f.Figure.Y} {
		visit(a.Name)
		visit(a.Unit)
		for _, c := range a.Categories {
			visit(c)
		}
	}
	for _, s := range f.Figure.Series {
		visit(s.Name)
	}
	for _, l := range f.Figure.Limits {
		visit(l.Name)
	}
	for _, b := range f.Figure.Bands {
		visit(b.Name)
	}
	for _, m := range f.Figure.Marks {
		visit(m.Label)
	}
}
