package document

import (
	"fmt"
	"math"

	"proveout/report/chart"
	"proveout/report/content"
)

const (
	cellPad = 1.3 // mm, left and right of a cell
	rowPad  = 0.9 // mm, over and under a row
)

var (
	cellFace = face{size: 8}
	cellBold = face{size: 8, weight: chart.Bold}
	noteFace = face{size: 7.2, color: darkGrey}
)

// A grid is a table with its columns measured.
type grid struct {
	t    *content.Table
	x, w []float64
	body *element // of the table in the structure
}

func (s *sheet) grid(t *content.Table) *grid {
	g := &grid{t: t}
	sum := 0.0
	for _, c := range t.Columns {
		sum += c.Share
	}
	x := 0.0
	for _, c := range t.Columns {
		w := s.w * c.Share / sum
		g.x, g.w = append(g.x, x), append(g.w, w)
		x += w
	}
	return g
}

// table sets a table: its head again on every page, a heading row never parted
// from the row after it, and no single row left alone at either end of a page.
func (s *sheet) table(t *content.Table) {
	g := s.grid(t)
	whole := s.part.add("Table")
	head := g.head(s.w, whole)
	again := head.undone() // on the next pages it is not read once more
	g.body = whole.add("TBody")
	rows := make([]*block, len(t.Rows))
	for i := range t.Rows {
		rows[i] = g.row(s, &t.Rows[i])
	}
	need := head.h
	for i := range min(2, len(rows)) {
		need += rows[i].h
	}
	s.need(math.Min(need, s.usable/2))
	s.place(head)
	for i, r := range rows {
		if h := g.together(rows, i); i > 0 && s.left() < h && h <= s.usable-head.h {
			s.breakPage()
		}
		s.row(again, r)
	}
	s.gap(3)
}

// together is the height that must stay on one page from row i on: the row,
// what a heading row leads, and the last row when only that would be left.
func (g *grid) together(rows []*block, i int) float64 {
	h := rows[i].h
	for j := i; j+1 < len(rows) && h < 60; j++ {
		if !g.t.Rows[j].Group && j+1 != len(rows)-1 {
			break
		}
		h += rows[j+1].h
	}
	return h
}

// row puts one row down, under a new head on a new page, and over several
// pages when it is taller than one.
func (s *sheet) row(head, r *block) {
	again := func() {
		s.breakPage()
		h := *head
		s.put(&h)
	}
	if s.fresh || r.h > s.left() && (r.h <= s.usable-head.h || s.left() < 40) {
		again()
	}
	for r != nil && r.h > s.left() {
		part, rest := r.split(s.left())
		if part.h < 1 {
			break
		}
		s.put(part)
		if rest != nil {
			again()
		}
		r = rest
	}
	if r != nil {
		s.put(r)
	}
}

func (g *grid) head(width float64, table *element) *block {
	b := &block{}
	f := face{size: 7.5, weight: chart.Bold}
	row := table.add("THead").add("TR")
	for i, c := range g.t.Columns {
		g.cell(b.as(row.add("TH").with("/O /Table /Scope /Column")), i, 1.2, f, c.Title, false)
	}
	b.fill(0, b.h+0.8, width, 0.35, black)
	return b
}

// cell sets a text in column i with its top at y. A code is set smaller until
// it fits on one line.
func (g *grid) cell(b *block, i int, y float64, f face, text string, code bool) {
	x, w := g.x[i]+cellPad, g.w[i]-2*cellPad
	if i == 0 {
		x, w = 0, g.w[i]-cellPad
	}
	if i == len(g.x)-1 {
		w += cellPad
	}
	if code {
		f = f.fitted(text, w, 5.5, 0.1)
	}
	lines := f.wrap(text, w)
	if !g.t.Columns[i].Right {
		b.lines(x, y, f, lines)
		return
	}
	for _, l := range lines {
		b.right(x+w, y+f.rise(), f, l)
		y += f.lead()
	}
	b.h = math.Max(b.h, y)
}

func (g *grid) row(s *sheet, r *content.Row) *block {
	if r.Group {
		return g.group(s, r)
	}
	b := &block{}
	row := g.body.add("TR")
	for i, c := range r.Cells {
		if i >= len(g.x) {
			break
		}
		b.as(row.add("TD"))
		f := cellFace
		if c.Strong {
			f = cellBold
		}
		if c.Verdict == nil {
			g.cell(b, i, rowPad, f, c.Text, c.Code)
			continue
		}
		g.verdict(b, i, f, &c)
	}
	g.notes(s, b, r.Notes)
	b.fill(0, b.h+rowPad, s.w, 0.1, midGrey)
	return b
}

// verdict sets a verdict, smaller until it fits its column on one line.
func (g *grid) verdict(b *block, i int, f face, c *content.Cell) {
	word := clean(c.Text)
	f = f.fitted(word, g.w[i]-cellPad-1, 5.5, 0.25)
	b.verdictWord(g.x[i]+cellPad, rowPad, f, word, *c.Verdict)
	b.h = math.Max(b.h, rowPad+f.lead())
}

// group sets a heading row: its first cell over all columns but the last.
func (g *grid) group(s *sheet, r *content.Row) *block {
	b := &block{}
	last := len(r.Cells) - 1
	end := s.w
	row := g.body.add("TR")
	over := len(g.x)
	if last > 0 {
		over--
	}
	first := row.add("TH").with(fmt.Sprintf("/O /Table /Scope /Row /ColSpan %d", over))
	if last > 0 {
		c := &r.Cells[last]
		f := cellBold
		i := len(g.x) - 1
		b.as(row.add("TD"))
		if c.Verdict != nil {
			g.verdict(b, i, f, c)
			end = g.x[i]
		} else {
			b.right(s.w-cellPad, rowPad+f.rise(), f, clean(c.Text))
			end = s.w - f.width(clean(c.Text)) - 2*cellPad
		}
	}
	b.as(first).text(1, rowPad, end-3, cellBold, r.Cells[0].Text)
	g.notes(s, b, r.Notes)
	h := b.h + rowPad*0.8
	// The ground comes first, so that the verdict's own ground lies on it.
	b.fills = append([]fillOp{{0, 0, s.w, h, paleGrey, nil}}, b.fills...)
	b.fill(0, h, s.w, 0.1, midGrey)
	return b
}

func (g *grid) notes(s *sheet, b *block, notes []string) {
	for _, n := range notes {
		b.as(g.body.add("TR").add("TD").with(fmt.Sprintf("/O /Table /ColSpan %d", len(g.x))))
		b.text(3, b.h+0.2, s.w-4, noteFace, n)
	}
}
