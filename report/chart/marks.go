package chart

import (
	"math"

	"gonum.org/v1/plot/vg"

	"proveout/report/typeface"
	"proveout/scoring/figure"
)

// dashes tells lines apart without colour.
func dashes(i int, s figure.Style) []float64 {
	if s == figure.Dashed {
		return [][]float64{{5, 3}, {5, 2, 1, 2}, {2, 2}}[i%3]
	}
	return [][]float64{nil, {7, 2}, {1.2, 1.6}, {6, 2, 1, 2}}[i%4]
}

func lineWidth(s figure.Style, n int) float64 {
	switch {
	case s == figure.Dashed:
		return 1.1
	case n > 1000:
		return 0.6
	}
	return 1.2
}

func (p *painter) series(i int) {
	s := &p.f.Series[i]
	p.colour(SeriesColour(i, len(p.f.Limits) > 0))
	switch s.Style {
	case figure.Points:
		p.errorBars(s)
		for k := range s.X {
			p.marker(i, p.px(s.X[k]), p.py(s.Y[k]), 3)
		}
	case figure.Bars:
		p.bars(i, s)
		p.colour(ink)
		p.errorBars(s)
	default:
		p.errorBars(s)
		p.stroke(lineWidth(s.Style, len(s.X)), dashes(i, s.Style), p.path(s))
		if len(s.X) == 1 {
			p.marker(i, p.px(s.X[0]), p.py(s.Y[0]), 3)
		}
	}
}

func (p *painter) path(s *figure.Series) vg.Path {
	path := make(vg.Path, 0, len(s.X))
	for k := range s.X {
		x, y := p.px(s.X[k]), p.py(s.Y[k])
		switch {
		case k == 0:
			path.Move(point(x, y))
		case s.Style == figure.Steps:
			path.Line(point(x, p.py(s.Y[k-1])))
			path.Line(point(x, y))
		default:
			path.Line(point(x, y))
		}
	}
	return path
}

// marker draws the i-th kind of point, r points in radius.
func (p *painter) marker(i int, x, y, r float64) {
	var path vg.Path
	switch i % 4 {
	case 0:
		path.Move(point(x+r, y))
		path.Arc(point(x, y), vg.Length(r), 0, 2*math.Pi)
	case 1:
		path.Move(point(x, y+r*1.3))
		path.Line(point(x+r*1.3, y))
		path.Line(point(x, y-r*1.3))
		path.Line(point(x-r*1.3, y))
	case 2:
		path.Move(point(x-r*1.1, y-r*0.9))
		path.Line(point(x+r*1.1, y-r*0.9))
		path.Line(point(x, y+r*1.2))
	default:
		path.Move(point(x-r, y-r))
		path.Line(point(x+r, y-r))
		path.Line(point(x+r, y+r))
		path.Line(point(x-r, y+r))
	}
	path.Close()
	p.c.Fill(path)
}

func (p *painter) errorBars(s *figure.Series) {
	for k := range s.Low {
		x, lo, hi := p.px(s.X[k]), p.py(s.Low[k]), p.py(s.High[k])
		p.line(0.8, nil, x, lo, x, hi)
		p.line(0.8, nil, x-2, lo, x+2, lo)
		p.line(0.8, nil, x-2, hi, x+2, hi)
	}
}

// bars draws columns, those of several series side by side.
func (p *painter) bars(i int, s *figure.Series) {
	series, place := 0, 0
	for k := range p.f.Series {
		if p.f.Series[k].Style == figure.Bars {
			if k == i {
				place = series
			}
			series++
		}
	}
	step := p.right - p.left
	for k := 1; k < len(s.X); k++ {
		if d := math.Abs(p.px(s.X[k]) - p.px(s.X[k-1])); d > 0 {
			step = math.Min(step, d)
		}
	}
	if len(s.X) < 2 {
		step = (p.right - p.left) / math.Max(1, float64(len(p.x.Ticks)))
	}
	w := step * 0.8 / float64(series)
	base := p.within(p.py(math.Max(p.y.Min, 0)), p.bottom, p.top)
	for k := range s.X {
		x := p.px(s.X[k]) - step*0.4 + float64(place)*w
		y0, y1 := base, p.within(p.py(s.Y[k]), p.bottom, p.top)
		p.rect(p.within(x, p.left, p.right), math.Min(y0, y1), p.within(x+w*0.94, p.left, p.right), math.Max(y0, y1))
	}
}

func (p *painter) limits() {
	for _, l := range p.f.Limits {
		if !isFinite(l.At) {
			continue
		}
		name := p.short(l.Name, (p.right-p.left)*0.6)
		w := typeface.Width(typeface.Bold, p.size, name)
		p.colour(LimitColour)
		if l.Vertical {
			x := p.px(l.At)
			p.line(1, []float64{4, 2}, x, p.bottom, x, p.top)
			at := x + 3
			if at+w > p.right {
				at = x - 3 - w
			}
			p.label(at, p.top-p.size*1.1, w, name)
			continue
		}
		y := p.py(l.At)
		p.line(1, []float64{4, 2}, p.left, y, p.right, y)
		at := y + 2
		if at+p.size > p.top+p.size*0.4 {
			at = y - p.size*1.05
		}
		p.label(p.right-w-2, at, w, name)
	}
}

// label writes the name of a limit on a white ground, so that no curve runs
// through it, and remembers where it stands.
func (p *painter) label(x, y, w float64, s string) {
	b := box{x - 1, y - p.size*0.25, x + w + 1, y + p.size*0.85}
	for range 4 {
		if !p.taken(b) {
			break
		}
		b.y0, b.y1, y = b.y0-p.size*1.15, b.y1-p.size*1.15, y-p.size*1.15
	}
	p.boxes = append(p.boxes, b)
	p.colour(white)
	p.rect(b.x0, b.y0, b.x1, b.y1)
	p.colour(LimitColour)
	p.text(x, y, typeface.Bold, s)
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
		x := p.within(p.px(m.X), p.left, p.right)
		y := p.within(p.py(m.Y), p.bottom, p.top)
		var path vg.Path
		path.Move(point(x, y+1.5))
		path.Line(point(x-2.6, y+6.5))
		path.Line(point(x+2.6, y+6.5))
		path.Close()
		p.colour(ink)
		p.c.Fill(path)
		if m.Label == "" {
			continue
		}
		s := p.short(m.Label, 140)
		w := p.width(s)
		at := p.within(x-w/2, p.left+1, p.right-w-1)
		ty := y + 8
		if ty+p.size > p.top+p.size*0.5 {
			at, ty = x+5, y-p.size*0.2
			if at+w > p.right {
				at = x - 5 - w
			}
		}
		b := box{at - 1, ty - 1, at + w + 1, ty + p.size}
		if p.taken(b) {
			continue
		}
		p.boxes = append(p.boxes, b)
		p.text(at, ty, typeface.Regular, s)
	}
}

// An entry is one line of the legend.
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
				p.colour(bandShade(i))
				p.rect(x, y-1, x+swatch-3, y+p.size*0.8)
			}})
		}
	}
	rows := p.flow(entries)
	step := p.size * 1.45
	for r, row := range rows {
		x, y := 0.0, float64(len(rows)-1-r)*step+2
		for _, e := range row {
			name := p.short(e.name, p.w-swatch-4)
			e.draw(x, y)
			p.colour(ink)
			p.text(x+swatch, y, typeface.Regular, name)
			x += swatch + p.width(name) + 12
		}
	}
	return float64(len(rows)) * step
}

func (p *painter) flow(entries []entry) [][]entry {
	var rows [][]entry
	x := math.Inf(1)
	for _, e := range entries {
		w := swatch + p.width(e.name)
		if x+w > p.w {
			rows, x = append(rows, nil), 0
		}
		rows[len(rows)-1] = append(rows[len(rows)-1], e)
		x += w + 12
	}
	return rows
}

func (p *painter) sample(i int, s *figure.Series, x, y float64) {
	mid := y + p.size*0.33
	p.colour(SeriesColour(i, len(p.f.Limits) > 0))
	switch s.Style {
	case figure.Points:
		p.marker(i, x+swatch/2-2, mid, 3)
	case figure.Bars:
		p.rect(x+2, y-1, x+swatch-5, y+p.size*0.8)
	default:
		p.line(1.3, dashes(i, s.Style), x, mid, x+swatch-4, mid)
	}
}
