package chart

import (
	"math"

	"proveout/scoring/outcome"
)

// dashes tells lines apart without colour.
func dashes(i int, s outcome.Style) []float64 {
	if s == outcome.Dashed {
		return [][]float64{{5, 3}, {5, 2, 1, 2}, {2, 2}}[i%3]
	}
	return [][]float64{nil, {7, 2}, {1.2, 1.6}, {6, 2, 1, 2}}[i%4]
}

func lineWidth(s outcome.Style, n int) float64 {
	switch {
	case s == outcome.Dashed:
		return 1.1
	case n > 1000:
		return 0.6
	}
	return 1.2
}

func (p *painter) seriesColour(i int) RGB { return SeriesColour(i, len(p.f.Limits) > 0) }

func (p *painter) series(i int) {
	s := &p.f.Series[i]
	switch s.Style {
	case outcome.Points:
		for k := range s.X {
			p.marker(i, p.px(s.X[k]), p.py(s.Y[k]))
		}
	case outcome.Bars:
		p.bars(p.seriesColour(i), s)
	default:
		line := make([]Point, len(s.X))
		for k := range s.X {
			line[k] = Point{p.px(s.X[k]), p.py(s.Y[k])}
		}
		p.c.Stroke(p.seriesColour(i), lineWidth(s.Style, len(s.X)), dashes(i, s.Style), line)
		if len(s.X) == 1 {
			p.marker(i, p.px(s.X[0]), p.py(s.Y[0]))
		}
	}
}

// marker draws the i-th kind of point.
func (p *painter) marker(i int, x, y float64) {
	const r = 3.0
	colour := p.seriesColour(i)
	switch i % 4 {
	case 0:
		p.c.Disc(colour, Point{x, y}, r)
	case 1: // a rhomb
		p.fill(colour, x, y+r*1.3, x+r*1.3, y, x, y-r*1.3, x-r*1.3, y)
	case 2: // a triangle
		p.fill(colour, x-r*1.1, y-r*0.9, x+r*1.1, y-r*0.9, x, y+r*1.2)
	default:
		p.rect(colour, x-r, y-r, x+r, y+r)
	}
}

// bars draws columns.
func (p *painter) bars(colour RGB, s *outcome.Series[string]) {
	places := make([]float64, len(s.X))
	for k, x := range s.X {
		places[k] = p.px(x)
	}
	step := math.Min(p.right-p.left, leastStep(places))
	if len(s.X) < 2 {
		step = (p.right - p.left) / math.Max(1, float64(len(p.x.ticks)))
	}
	base := p.inY(math.Max(p.y.Min, 0))
	for k, place := range places {
		left, end := place-step*0.4, p.inY(s.Y[k])
		right := left + step*0.8*0.94
		p.rect(colour, within(left, p.left, p.right), math.Min(base, end),
			within(right, p.left, p.right), math.Max(base, end))
	}
}

func (p *painter) limits() {
	for _, l := range p.f.Limits {
		if !isFinite(l.At) {
			continue
		}
		name := short(l.Name, (p.right-p.left)*0.6)
		w := Width(Bold, size, name)
		if l.Vertical {
			x := p.px(l.At)
			p.line(LimitColour, 1, []float64{4, 2}, x, p.bottom, x, p.top)
			at := x + 3
			if at+w > p.right {
				at = x - 3 - w
			}
			p.label(at, p.top-size*1.1, w, name)
			continue
		}
		y := p.py(l.At)
		p.line(LimitColour, 1, []float64{4, 2}, p.left, y, p.right, y)
		at := y + 2
		if at+size > p.top+size*0.4 {
			at = y - size*1.05
		}
		p.label(p.right-w-2, at, w, name)
	}
}

// label writes the name of a limit on a white ground, so that no curve runs
// through it, and remembers where it stands.
func (p *painter) label(x, y, w float64, s string) {
	b := box{x - 1, y - size*0.25, x + w + 1, y + size*0.85}
	for range 4 {
		if !p.taken(b) {
			break
		}
		b.y0, b.y1, y = b.y0-size*1.15, b.y1-size*1.15, y-size*1.15
	}
	p.boxes = append(p.boxes, b)
	p.rect(white, b.x0, b.y0, b.x1, b.y1)
	p.text(LimitColour, x, y, Bold, s)
}

func (p *painter) taken(b box) bool {
	for _, o := range p.boxes {
		if b.meets(o) {
			return true
		}
	}
	return false
}

// marks points at places with a triangle from above and writes the label where
// there is room; a label that would cover another is left out on paper.
func (p *painter) marks() {
	for _, m := range p.f.Marks {
		if !isFinite(m.X) || !isFinite(m.Y) {
			continue
		}
		x, y := p.inX(m.X), p.inY(m.Y)
		p.fill(ink, x, y+1.5, x-2.6, y+6.5, x+2.6, y+6.5)
		if m.Label == "" {
			continue
		}
		s := short(m.Label, 140)
		w := width(s)
		at := within(x-w/2, p.left+1, p.right-w-1)
		ty := y + 8
		if ty+size > p.top+size*0.5 {
			at, ty = x+5, y-size*0.2
			if at+w > p.right {
				at = x - 5 - w
			}
		}
		b := box{at - 1, ty - 1, at + w + 1, ty + size}
		if p.taken(b) {
			continue
		}
		p.boxes = append(p.boxes, b)
		p.text(ink, at, ty, Regular, s)
	}
}

// An entry is one name of the legend with a sample of what it names.
type entry struct {
	name string
	draw func(x, y float64)
}

const swatch = 18.0 // pt

// legend draws the names of series and bands under the plot and returns its
// height.
func (p *painter) legend() float64 {
	var entries []entry
	for i := range p.f.Series {
		if s := &p.f.Series[i]; s.Name != "" {
			entries = append(entries, entry{s.Name, func(x, y float64) { p.sample(i, s, x, y) }})
		}
	}
	for i, b := range p.f.Bands {
		if b.Name != "" {
			entries = append(entries, entry{b.Name, func(x, y float64) {
				p.rect(bandShade(i), x, y-1, x+swatch-3, y+size*0.8)
			}})
		}
	}
	rows := p.flow(entries)
	step := size * 1.45
	for r, row := range rows {
		x, y := 0.0, float64(len(rows)-1-r)*step+2
		for _, e := range row {
			name := short(e.name, p.w-swatch-4)
			e.draw(x, y)
			p.text(ink, x+swatch, y, Regular, name)
			x += swatch + width(name) + 12
		}
	}
	return float64(len(rows)) * step
}

// flow sets entries in rows.
func (p *painter) flow(entries []entry) [][]entry {
	var rows [][]entry
	x := math.Inf(1)
	for _, e := range entries {
		w := swatch + width(e.name)
		if x+w > p.w {
			rows, x = append(rows, nil), 0
		}
		rows[len(rows)-1] = append(rows[len(rows)-1], e)
		x += w + 12
	}
	return rows
}

func (p *painter) sample(i int, s *outcome.Series[string], x, y float64) {
	mid := y + size*0.33
	switch s.Style {
	case outcome.Points:
		p.marker(i, x+swatch/2-2, mid)
	case outcome.Bars:
		p.rect(p.seriesColour(i), x+2, y-1, x+swatch-5, y+size*0.8)
	default:
		p.line(p.seriesColour(i), 1.3, dashes(i, s.Style), x, mid, x+swatch-4, mid)
	}
}
