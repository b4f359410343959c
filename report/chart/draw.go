package chart

import (
	"math"
	"strings"

	"proveout/scoring/outcome"
)

// A painter draws one figure into a rectangle whose lower left corner is 0, 0.
type painter struct {
	c      Canvas
	f      *outcome.FigureIn[string]
	w, h   float64 // pt
	x, y   Range
	left   float64 // edges of the plot area
	right  float64
	bottom float64
	top    float64
	boxes  []box // taken by labels
}

type box struct{ x0, y0, x1, y1 float64 }

func (b box) meets(o box) bool {
	return b.x0 < o.x1 && o.x0 < b.x1 && b.y0 < o.y1 && o.y0 < b.y1
}

// size is that of all text in a figure, pt.
const size = 7.5

// Draw draws a figure, w by h points, on c. The figure must come from
// [Prepare]. decimal is the decimal mark; empty is a point.
func Draw(c Canvas, f *outcome.FigureIn[string], w, h float64, decimal string) {
	p := &painter{c: c, f: f, w: w, h: h}
	p.x, p.y = Ranges(f)
	localise(&p.x, decimal)
	localise(&p.y, decimal)
	p.layout()
	p.bands()
	p.grid()
	c.Clip(Point{p.left - 1, p.bottom - 1}, Point{p.right + 1, p.top + 1}, func() {
		for i := range f.Series {
			p.series(i)
		}
	})
	p.limits()
	p.marks()
	p.line(grey, 0.7, nil, p.left, p.top, p.left, p.bottom, p.right, p.bottom)
}

func localise(r *Range, mark string) {
	if mark == "" {
		return
	}
	for i := range r.ticks {
		r.ticks[i].label = strings.Replace(r.ticks[i].label, ".", mark, 1)
	}
}

// layout finds the edges of the plot area and draws the legend under it.
func (p *painter) layout() {
	wide := 0.0
	for _, t := range p.y.ticks {
		wide = math.Max(wide, width(t.label))
	}
	wide = math.Min(wide, p.w*0.3)
	p.left = wide + 6
	p.right = p.w - 8
	p.top = p.h - size*1.7
	p.bottom = p.legend() + size*2.9
}

func width(s string) float64 { return Width(Regular, size, s) }

// px and py turn values into places on the canvas, held within what a canvas
// can take.
func (p *painter) px(v float64) float64 { return p.left + hold(p.x.at(v))*(p.right-p.left) }
func (p *painter) py(v float64) float64 { return p.bottom + hold(p.y.at(v))*(p.top-p.bottom) }

func hold(t float64) float64 {
	if math.IsNaN(t) {
		return 0
	}
	return math.Max(-1, math.Min(2, t))
}

// inX and inY are places of values held inside the plot area.
func (p *painter) inX(v float64) float64 { return within(p.px(v), p.left, p.right) }
func (p *painter) inY(v float64) float64 { return within(p.py(v), p.bottom, p.top) }

func within(v, low, high float64) float64 { return math.Max(low, math.Min(high, v)) }

// points are places by their x and y in turn.
func points(xy ...float64) []Point {
	out := make([]Point, len(xy)/2)
	for i := range out {
		out[i] = Point{xy[2*i], xy[2*i+1]}
	}
	return out
}

func (p *painter) line(c RGB, width float64, dash []float64, xy ...float64) {
	p.c.Stroke(c, width, dash, points(xy...))
}

func (p *painter) fill(c RGB, xy ...float64) { p.c.Fill(c, points(xy...)) }

func (p *painter) rect(c RGB, x0, y0, x1, y1 float64) { p.fill(c, x0, y0, x1, y0, x1, y1, x0, y1) }

func (p *painter) text(c RGB, x, y float64, w Weight, s string) {
	p.c.Text(c, w, size, Point{x, y}, printable(s))
}

// printable leaves out what the fonts cannot draw.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r > 0xFFFF || !Has(Regular, r) {
			return '?'
		}
		return r
	}, s)
}

// short cuts s so that it is at most w wide.
func short(s string, w float64) string {
	if width(s) <= w {
		return s
	}
	rs := []rune(s)
	for len(rs) > 1 && width(string(rs)+"…") > w {
		rs = rs[:len(rs)-1]
	}
	return string(rs) + "…"
}

func (p *painter) bands() {
	for i, b := range p.f.Bands {
		shade := bandShade(i)
		switch {
		case b.Curve != nil:
			p.curveBand(shade, b.Curve)
		case b.Vertical:
			p.rect(shade, p.inX(b.Low), p.bottom, p.inX(b.High), p.top)
		default:
			p.rect(shade, p.left, p.inY(b.Low), p.right, p.inY(b.High))
		}
	}
}

func (p *painter) curveBand(shade RGB, c *outcome.Curve) {
	n := min(len(c.X), len(c.Low), len(c.High))
	if n < 2 {
		return
	}
	outline := make([]Point, 0, 2*n)
	for i := range n {
		outline = append(outline, Point{p.inX(c.X[i]), p.inY(c.High[i])})
	}
	for i := n - 1; i >= 0; i-- {
		outline = append(outline, Point{p.inX(c.X[i]), p.inY(c.Low[i])})
	}
	p.c.Fill(shade, outline)
}

// grid draws the ticks, their labels and the names of the axes.
func (p *painter) grid() {
	for _, t := range p.y.ticks {
		y := p.py(t.at)
		if len(p.f.Y.Categories) == 0 {
			p.line(light, 0.4, nil, p.left, y, p.right, y)
		}
		label := short(t.label, p.left-4)
		p.text(ink, p.left-3-width(label), y-size*0.35, Regular, label)
	}
	end := math.Inf(-1)
	for _, t := range p.x.ticks {
		x := p.px(t.at)
		p.line(light, 0.4, nil, x, p.bottom, x, p.top)
		at := math.Min(x-width(t.label)/2, p.w-width(t.label))
		if at < end+3 {
			continue // labels would run into each other
		}
		end = at + width(t.label)
		p.text(ink, at, p.bottom-size*1.15, Regular, t.label)
	}
	p.text(ink, 0, p.h-size, Bold, AxisName(p.f.Y))
	name := AxisName(p.f.X)
	wide := Width(Bold, size, printable(name))
	p.text(ink, p.right-wide, p.bottom-size*2.3, Bold, name)
}

// AxisName is the name of an axis with its unit.
func AxisName(a outcome.Axis[string]) string {
	if a.Unit == "" {
		return a.Name
	}
	return a.Name + ", " + a.Unit
}
