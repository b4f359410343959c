package page

import (
	"cmp"
	"encoding/base64"
	"fmt"
	"html/template"
	"reflect"
	"strconv"

	"proveout/report/chart"
	"proveout/report/content"
	"proveout/scoring/outcome"
)

// kind is the name of a block's type, by which the markup chooses its form.
func kind(b content.Block) string { return reflect.Indirect(reflect.ValueOf(b)).Type().Name() }

// A filtered table has a field over it that hides what is not looked for.
type filtered struct {
	*content.Table
	Filter string
}

// Filtered is a table with the name of its filter.
func (p *writer) Filtered(t *content.Table) filtered { return filtered{t, p.w.T("page.filter")} }

// share is the width of a column in per cent.
func share(t *content.Table, c content.Column) string {
	sum := 0.0
	for _, other := range t.Columns {
		sum += other.Share
	}
	return strconv.FormatFloat(100*c.Share/sum, 'f', 1, 64)
}

// cellClass marks numbers, and cells that say nothing, which narrow screens
// leave out.
func cellClass(c content.Column, cell content.Cell) string {
	void := cell.Text == "–" || cell.Text == ""
	switch {
	case void && c.Right:
		return "void num"
	case void:
		return "void"
	case c.Right:
		return "num"
	}
	return ""
}

// atEnd is the cell at the end of a heading row; nil when it has but one.
func atEnd(r content.Row) *content.Cell {
	if len(r.Cells) < 2 {
		return nil
	}
	return &r.Cells[len(r.Cells)-1]
}

// over is how many columns the heading of a heading row covers.
func over(t *content.Table, r content.Row) int {
	if atEnd(r) != nil {
		return len(t.Columns) - 1
	}
	return len(t.Columns)
}

// source is the size of a picture and the picture itself, which stands inside the
// page. Nothing in it has a meaning for HTML.
func source(p content.Picture) template.HTMLAttr {
	const attributes = `width="%d" height="%d" src="data:image/jpeg;base64,%s"`
	data := base64.StdEncoding.EncodeToString(p.JPEG)
	return template.HTMLAttr(fmt.Sprintf(attributes, p.Width, p.Height, data))
}

// A drawn figure is a chart with its values in words.
type drawn struct {
	content.Figure
	Alt     string
	Summary string
	Values  []values
	Extras  []string
}

// values is the table of one series.
type values struct {
	Name    string
	Sampled string // how many of how many, when not all are shown
	X, Y    string // names of the axes
	Rows    [][2]string
}

// Drawn keeps the options of a chart for the page's script, and gives its values.
func (p *writer) Drawn(f content.Figure) (drawn, error) {
	fig := chart.Prepare(f.Figure)
	json, err := options(&fig)
	if err != nil {
		return drawn{}, err
	}
	p.figures = append(p.figures, string(json))
	p.ids = append(p.ids, f.ID)
	out := drawn{Figure: f, Alt: f.Figure.Alt, Summary: p.w.T("page.values"), Extras: p.extras(&fig)}
	for i := range fig.Series {
		out.Values = append(out.Values, p.values(&fig, &fig.Series[i], len(f.Figure.Series[i].X)))
	}
	return out, nil
}

// mostValues is how many points of a series its table shows.
const mostValues = 40

func (p *writer) values(f *outcome.FigureIn[string], s *outcome.Series[string], total int) values {
	n := len(s.X)
	shown := min(n, mostValues)
	out := values{Name: cmp.Or(s.Name, f.Title), X: chart.AxisName(f.X), Y: chart.AxisName(f.Y)}
	if shown < total {
		out.Sampled = p.w.T("page.sampled", "shown", strconv.Itoa(shown), "total", p.w.Count(int64(total)))
	}
	for k := range shown {
		i := k
		if shown > 1 {
			i = k * (n - 1) / (shown - 1)
		}
		out.Rows = append(out.Rows, [2]string{p.place(f.X, s.X[i]), p.place(f.Y, s.Y[i])})
	}
	return out
}

// place writes a value of an axis: a category by its name.
func (p *writer) place(a outcome.Axis[string], v float64) string {
	if i := int(v); len(a.Categories) > 0 && v == float64(i) && i >= 0 && i < len(a.Categories) {
		return a.Categories[i]
	}
	return p.w.Decimal(strconv.FormatFloat(v, 'g', 5, 64))
}

// extras lists limits, bands and marks in words.
func (p *writer) extras(f *outcome.FigureIn[string]) []string {
	var items []string
	axis := func(vertical bool) outcome.Axis[string] {
		if vertical {
			return f.X
		}
		return f.Y
	}
	for _, l := range f.Limits {
		items = append(items, l.Name+": "+p.withUnit(axis(l.Vertical), l.At))
	}
	for _, b := range f.Bands {
		if a := axis(b.Vertical); b.Curve == nil {
			items = append(items, b.Name+": "+p.place(a, b.Low)+" … "+p.withUnit(a, b.High))
		}
	}
	for _, m := range f.Marks {
		items = append(items, m.Label+": "+p.withUnit(f.X, m.X)+", "+p.withUnit(f.Y, m.Y))
	}
	return items
}

func (p *writer) withUnit(a outcome.Axis[string], v float64) string {
	if a.Unit == "" {
		return p.place(a, v)
	}
	return p.place(a, v) + "\u00a0" + a.Unit
}
