package chart

import (
	"image/color"
	"math"
	"strings"

	"gonum.org/v1/plot/vg"

	"proveout/report/typeface"
	"proveout/scoring/figure"
)

// A Style is what a drawing takes from its document.
type Style struct {
	Decimal string  // decimal mark; empty is a point
	Size    float64 // of the text, pt; 0 is 7.5
}

// A painter draws one figure into a rectangle whose lower left corner is 0, 0.
type painter struct {
	c      vg.Canvas
	f      *figure.Figure
	w, h   float64 // pt
	size   float64 // text, pt
	mark   string
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

var (
	ink   = RGB{0x22, 0x22, 0x22}
	grey  = RGB{0x88, 0x88, 0x88}
	light = RGB{0xDD, 0xDD, 0xDD}
	white = RGB{0xFF, 0xFF, 0xFF}
)

// Draw draws a figure, w by h points, on c with its lower left corner at the
// origin. The figure must come from [Prepare].
func Draw(c vg.Canvas, f *figure.Figure, w, h float64, st Style) {
	p := &painter{c: c, f: f, w: w, h: h, size: st.Size, mark: st.Decimal}
	if p.size == 0 {
		p.size = 7.5
	}
	p.x, p.y = Ranges(f)
	p.localise(&p.x)
	p.localise(&p.y)
	p.layout()
	p.bands()
	p.grid()
	p.clip(func() {
		for i := range f.Series {
			p.series(i)
		}
	})
	p.limits()
	p.marks()
	p.frame()
}

func (p *painter) localise(r *Range) {
	if p.mark == "" || p.mark == "." {
		return
	}
	for i := range r.Ticks {
		r.Ticks[i].Label = strings.Replace(r.Ticks[i].Label, ".", p.mark, 1)
	}
}

// layout finds the edges of the plot area and draws the legend under it.
func (p *painter) layout() {
	wide := 0.0
	for _, t := range p.y.Ticks {
		wide = math.Max(wide, p.width(t.Label))
	}
	wide = math.Min(wide, p.w*0.3)
	p.left = wide + 6
	p.right = p.w - 8
	p.top = p.h - p.size*1.7
	p.bottom = p.legend() + p.size*2.9
}

func (p *painter) width(s string) float64 { return typeface.Width(typeface.Regular, p.size, s) }

// px and py turn values into places on the canvas, held within what a canvas
// can take.
func (p *painter) px(v float64) float64 { return p.left + hold(p.x.At(v))*(p.right-p.left) }
func (p *painter) py(v float64) float64 { return p.bottom + hold(p.y.At(v))*(p.top-p.bottom) }

func hold(t float64) float64 {
	if math.IsNaN(t) {
		return 0
	}
	return math.Max(-1, math.Min(2, t))
}

func (p *painter) colour(c RGB) { p.c.SetColor(color.RGBA{c.R, c.G, c.B, 0xFF}) }

func (p *painter) line(width float64, dash []float64, pts ...float64) {
	var path vg.Path
	for i := 0; i+1 < len(pts); i += 2 {
		if i == 0 {
			path.Move(point(pts[0], pts[1]))
		} else {
			path.Line(point(pts[i], pts[i+1]))
		}
	}
	p.stroke(width, dash, path)
}

func (p *painter) stroke(width float64, dash []float64, path vg.Path) {
	p.c.SetLineWidth(vg.Length(width))
	pattern := make([]vg.Length, len(dash))
	for i, d := range dash {
		pattern[i] = vg.Length(d)
	}
	p.c.SetLineDash(pattern, 0)
	p.c.Stroke(path)
}

func (p *painter) rect(x0, y0, x1, y1 float64) {
	var path vg.Path
	path.Move(point(x0, y0))
	path.Line(point(x1, y0))
	path.Line(point(x1, y1))
	path.Line(point(x0, y1))
	path.Close()
	p.c.Fill(path)
}

func (p *painter) text(x, y float64, w typeface.Weight, s string) {
	p.c.FillString(typeface.Face(w, p.size), point(x, y), printable(s))
}

func point(x, y float64) vg.Point { return vg.Point{X: vg.Length(x), Y: vg.Length(y)} }

// printable leaves out what the fonts cannot draw.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r > 0xFFFF || !typeface.Has(typeface.Regular, r) {
			return '?'
		}
		return r
	}, s)
}

// short cuts s so that it is at most w wide.
func (p *painter) short(s string, w float64) string {
	if p.width(s) <= w {
		return s
	}
	rs := []rune(s)
	for len(rs) > 1 && p.width(string(rs)+"…") > w {
		rs = rs[:len(rs)-1]
	}
	return string(rs) + "…"
}

// clip draws inside the plot area only where the canvas can clip; others rely
// on hold.
func (p *painter) clip(draw func()) {
	c, ok := p.c.(interface {
		Clip(x0, y0, x1, y1 float64)
	})
	if !ok {
		draw()
		return
	}
	p.c.Push()
	c.Clip(p.left-1, p.bottom-1, p.right+1, p.top+1)
	draw()
	p.c.Pop()
}

func (p *painter) bands() {
	for i, b := range p.f.Bands {
		p.colour(bandShade(i))
		x0, x1, y0, y1 := p.left, p.right, p.bottom, p.top
		switch {
		case b.Curve != nil:
			p.curveBand(b.Curve)
			continue
		case b.Vertical:
			x0, x1 = p.within(p.px(b.Low), p.left, p.right), p.within(p.px(b.High), p.left, p.right)
		default:
			y0, y1 = p.within(p.py(b.Low), p.bottom, p.top), p.within(p.py(b.High), p.bottom, p.top)
		}
		p.rect(x0, y0, x1, y1)
	}
}

// bandShade is a light tint that is told apart in grey.
func bandShade(i int) RGB {
	shades := [...]RGB{{0xD9, 0xEC, 0xF7}, {0xE6, 0xE6, 0xE6}, {0xFB, 0xEB, 0xC8}, {0xD5, 0xEE, 0xE5}}
	return shades[i%len(shades)]
}

func (p *painter) within(v, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, v)) }

func (p *painter) curveBand(c *figure.Curve) {
	n := min(len(c.X), len(c.Low), len(c.High))
	if n < 2 {
		return
	}
	var path vg.Path
	for i := range n {
		pt := point(p.within(p.px(c.X[i]), p.left, p.right), p.within(p.py(c.High[i]), p.bottom, p.top))
		if i == 0 {
			path.Move(pt)
		} else {
			path.Line(pt)
		}
	}
	for i := n - 1; i >= 0; i-- {
		path.Line(point(p.within(p.px(c.X[i]), p.left, p.right), p.within(p.py(c.Low[i]), p.bottom, p.top)))
	}
	path.Close()
	p.c.Fill(path)
}

// grid draws the ticks, their labels and the names of the axes.
func (p *painter) grid() {
	for _, t := range p.y.Ticks {
		y := p.py(t.At)
		if len(p.f.Y.Categories) == 0 {
			p.colour(light)
			p.line(0.4, nil, p.left, y, p.right, y)
		}
		p.colour(ink)
		label := p.short(t.Label, p.left-4)
		p.text(p.left-3-p.width(label), y-p.size*0.35, typeface.Regular, label)
	}
	end := math.Inf(-1)
	room := (p.right - p.left) / math.Max(1, float64(len(p.x.Ticks)))
	for _, t := range p.x.Ticks {
		x := p.px(t.At)
		p.colour(light)
		if len(p.f.X.Categories) == 0 {
			p.line(0.4, nil, x, p.bottom, x, p.top)
		}
		label := t.Label
		if len(p.f.X.Categories) > 0 {
			label = p.short(label, room*0.95)
		}
		at := math.Min(x-p.width(label)/2, p.w-p.width(label))
		if at < end+3 {
			continue // labels would run into each other
		}
		end = at + p.width(label)
		p.colour(ink)
		p.text(at, p.bottom-p.size*1.15, typeface.Regular, label)
	}
	p.text(0, p.h-p.size, typeface.Bold, axisName(p.f.Y))
	name := axisName(p.f.X)
	p.text(p.right-typeface.Width(typeface.Bold, p.size, printable(name)), p.bottom-p.size*2.3, typeface.Bold, name)
}

func axisName(a figure.Axis) string {
	if a.Unit == "" || a.Unit == "1" {
		return a.Name
	}
	return a.Name + ", " + a.Unit
}

func (p *painter) frame() {
	p.colour(grey)
	p.line(0.7, nil, p.left, p.top, p.left, p.bottom, p.right, p.bottom)
}
