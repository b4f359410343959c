package page

import (
	"encoding/base64"
	"strconv"

	"proveout/report/chart"
	"proveout/report/content"
	"proveout/scoring/outcome"
)

// table writes a table with the roles spelled out, because a narrow screen
// shows its rows as blocks, which would take their meaning from them.
func (p *writer) table(t *content.Table) {
	if len(t.Rows) > 6 {
		p.put("<p class=\"filter\" hidden><label>%s <input type=\"search\" data-for=\"table-%s\"></label></p>\n",
			p.w.T("page.filter"), t.ID)
	}
	p.put("<table id=\"table-%s\" role=\"table\"><caption class=\"quiet\">%s</caption>\n<colgroup>", t.ID, t.Caption)
	sum := 0.0
	for _, c := range t.Columns {
		sum += c.Share
	}
	for _, c := range t.Columns {
		p.put("<col width=\"" + strconv.FormatFloat(100*c.Share/sum, 'f', 1, 64) + "%\">")
	}
	p.put("</colgroup>\n<thead role=\"rowgroup\"><tr role=\"row\">")
	for _, c := range t.Columns {
		p.put("<th role=\"columnheader\" scope=\"col\"" + class(c.Right, "num") + ">")
		p.put("%s</th>", c.Title)
	}
	p.put("</tr></thead>\n<tbody role=\"rowgroup\">")
	for i := range t.Rows {
		r := &t.Rows[i]
		if r.Group {
			if i > 0 {
				p.put("</tbody>\n<tbody role=\"rowgroup\">")
			}
			p.group(t, r)
		} else {
			p.row(t, r)
		}
		for _, n := range r.Notes {
			span := strconv.Itoa(len(t.Columns))
			p.put("<tr role=\"row\" class=\"note\"><td role=\"cell\" colspan=\""+span+"\">%s</td></tr>", n)
		}
	}
	p.put("</tbody>\n</table>\n")
}

func class(on bool, name string) string {
	if on {
		return ` class="` + name + `"`
	}
	return ""
}

// cellClass marks numbers, and cells that say nothing, which narrow screens
// leave out.
func cellClass(c *content.Column, cell *content.Cell) string {
	void := cell.Text == "–" || cell.Text == ""
	switch {
	case void && c.Right:
		return ` class="void num"`
	case void:
		return ` class="void"`
	}
	return class(c.Right, "num")
}

func (p *writer) group(t *content.Table, r *content.Row) {
	span := len(t.Columns)
	if len(r.Cells) > 1 {
		span--
	}
	p.put("<tr role=\"row\" class=\"group\"><th role=\"rowheader\" scope=\"rowgroup\" colspan=\""+strconv.Itoa(span)+
		"\">%s</th>", r.Cells[0].Text)
	if len(r.Cells) > 1 {
		p.put("<td role=\"cell\">")
		p.cell(&r.Cells[len(r.Cells)-1])
		p.put("</td>")
	}
	p.put("</tr>")
}

func (p *writer) row(t *content.Table, r *content.Row) {
	p.put("<tr role=\"row\">")
	for i := range min(len(r.Cells), len(t.Columns)) {
		col := &t.Columns[i]
		if i == 0 {
			p.put("<th role=\"rowheader\" scope=\"row\">")
			p.cell(&r.Cells[i])
			p.put("</th>")
			continue
		}
		p.put("<td role=\"cell\""+cellClass(col, &r.Cells[i])+" data-label=\"%s\">", col.Title)
		p.cell(&r.Cells[i])
		p.put("</td>")
	}
	p.put("</tr>")
}

func (p *writer) cell(c *content.Cell) {
	switch {
	case c.Verdict != nil:
		p.verdict(c.Text, *c.Verdict)
	case c.Code:
		p.put("<code>%s</code>", c.Text)
	case c.Strong:
		p.put("<strong>%s</strong>", c.Text)
	default:
		p.put("%s", c.Text)
	}
}

// figure writes a chart with its text alternative and its values.
func (p *writer) figure(f *content.Figure) error {
	fig := chart.Prepare(f.Figure)
	json, err := options(&fig)
	if err != nil {
		return err
	}
	p.figures = append(p.figures, string(json))
	p.ids = append(p.ids, f.ID)
	p.put("<figure id=\"%s\">\n<figcaption><strong>%s</strong> · %s", f.ID, f.Label, f.Caption)
	if f.Figure.Alt != "" {
		p.put("<br><span class=\"alt\">%s</span>", f.Figure.Alt)
	}
	alt := f.Figure.Alt
	if alt == "" {
		alt = f.Caption
	}
	p.put("</figcaption>\n<div class=\"chart\" id=\"chart-%s\" role=\"img\" aria-label=\"%s\"></div>\n",
		f.ID, alt)
	if f.Source != "" {
		p.put("<p class=\"small\">%s</p>\n", f.Source)
	}
	p.put("<details><summary>%s</summary>\n", p.w.T("page.values"))
	for i := range fig.Series {
		p.values(&fig, &fig.Series[i], len(f.Figure.Series[i].X))
	}
	p.extras(&fig)
	p.put("</details>\n</figure>\n")
	return nil
}

// mostValues is how many points of a series its table shows.
const mostValues = 40

// values is the table of one series.
func (p *writer) values(f *outcome.FigureIn[string], s *outcome.Series[string], total int) {
	n := len(s.X)
	shown := min(n, mostValues)
	p.put("<table class=\"values\"><caption>%s", orElse(s.Name, f.Title))
	if shown < total {
		p.put(" <small>%s</small>",
			p.w.T("page.sampled", "shown", strconv.Itoa(shown), "total", p.w.Count(int64(total))))
	}
	p.put("</caption><thead><tr><th scope=\"col\">%s</th><th scope=\"col\">%s</th></tr></thead><tbody>",
		chart.AxisName(f.X), chart.AxisName(f.Y))
	for k := range shown {
		i := k
		if shown > 1 {
			i = k * (n - 1) / (shown - 1)
		}
		p.put("<tr><td>%s</td><td>%s</td></tr>", p.place(f.X, s.X[i]), p.place(f.Y, s.Y[i]))
	}
	p.put("</tbody></table>\n")
}

// place writes a value of an axis: a category by its name.
func (p *writer) place(a outcome.Axis[string], v float64) string {
	if i := int(v); len(a.Categories) > 0 && v == float64(i) && i >= 0 && i < len(a.Categories) {
		return a.Categories[i]
	}
	return p.w.Decimal(strconv.FormatFloat(v, 'g', 5, 64))
}

// extras lists limits, bands and marks in words.
func (p *writer) extras(f *outcome.FigureIn[string]) {
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
	if len(items) > 0 {
		p.list(items)
	}
}

func (p *writer) withUnit(a outcome.Axis[string], v float64) string {
	if a.Unit == "" {
		return p.place(a, v)
	}
	return p.place(a, v) + "\u00a0" + a.Unit
}

// picture writes a picture inside the page, when there is one.
func (p *writer) picture(pic content.Picture, alt string) {
	if len(pic.JPEG) == 0 {
		return
	}
	size := "width=\"" + strconv.Itoa(pic.Width) + "\" height=\"" + strconv.Itoa(pic.Height) + "\""
	p.put("<img alt=\"%s\" "+size+" src=\"data:image/jpeg;base64,", alt)
	p.b.WriteString(base64.StdEncoding.EncodeToString(pic.JPEG))
	p.put("\">")
}

func orElse(s, other string) string {
	if s != "" {
		return s
	}
	return other
}

func (p *writer) photos(photos []content.ShownPhoto) {
	p.put("<div class=\"photos\">\n")
	for _, ph := range photos {
		p.put("<figure>")
		p.picture(ph.Picture, orElse(ph.Caption, ph.Label))
		p.put("<figcaption><strong>%s</strong> %s", ph.Label, ph.Caption)
		if ph.Hash != "" {
			p.put("<br><small class=\"hash\">%s</small>", ph.Hash)
		}
		p.put("</figcaption></figure>\n")
	}
	p.put("</div>\n")
}

// capture writes the panels of a compared picture side by side.
func (p *writer) capture(c *content.ShownCapture) {
	p.put("<figure class=\"capture\"><figcaption><strong>%s</strong> %s ", c.Label, c.Title)
	p.verdict(c.Word, c.Verdict)
	p.put("</figcaption>\n<div class=\"panels\">\n")
	for _, panel := range c.Panels {
		p.put("<div>")
		p.picture(panel.Picture, panel.Label+", "+c.Title)
		p.put("<small><strong>%s</strong> %s</small></div>\n", panel.Label, panel.Scale)
	}
	p.put("</div>\n<p>%s</p><small class=\"hash\">%s</small></figure>\n", c.Caption, c.Source)
}
