package document

import (
	"image"
	"image/color"
	"math"
	"strconv"

	"github.com/phpdave11/gofpdf"
	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// A canvas is a [vg.Canvas] that writes PDF operators (ISO 32000-1:2008, 8.4
// and 8.5) to the current page. Coordinates are points from the canvas's lower
// left corner. Colours are opaque: what is meant to shine through is drawn
// first. Text stays upright and takes no scale.
type canvas struct {
	pdf   *gofpdf.Fpdf
	k     float64 // pt per unit of pdf
	pageH float64 // pt
	now   canvasState
	stack []canvasState
	buf   []byte
	err   error
}

type canvasState struct {
	m       [6]float64 // a b c d e f of x' = ax + cy + e, y' = bx + dy + f
	width   float64
	dash    []vg.Length
	phase   vg.Length
	color   color.Color
	clipped int // clips to be ended with this state
}

// newCanvas returns a canvas whose origin is x, y points from the lower left
// corner of the page.
func newCanvas(pdf *gofpdf.Fpdf, x, y float64) *canvas {
	_, h := pdf.GetPageSize()
	k := pdf.GetConversionRatio()
	return &canvas{pdf: pdf, k: k, pageH: h * k,
		now: canvasState{m: [6]float64{1, 0, 0, 1, x, y}, width: 1, color: color.Black}}
}

func (c *canvas) SetLineWidth(w vg.Length) { c.now.width = w.Points() }
func (c *canvas) SetLineDash(pattern []vg.Length, offset vg.Length) {
	c.now.dash, c.now.phase = pattern, offset
}
func (c *canvas) SetColor(col color.Color) {
	if col == nil {
		col = color.Black
	}
	c.now.color = col
}

func (c *canvas) Translate(p vg.Point) {
	m := &c.now.m
	m[4] += m[0]*p.X.Points() + m[2]*p.Y.Points()
	m[5] += m[1]*p.X.Points() + m[3]*p.Y.Points()
}

func (c *canvas) Scale(x, y float64) {
	m := &c.now.m
	m[0], m[1], m[2], m[3] = m[0]*x, m[1]*x, m[2]*y, m[3]*y
}

func (c *canvas) Rotate(rad float64) {
	s, cs := math.Sincos(rad)
	m := c.now.m
	c.now.m[0], c.now.m[1] = m[0]*cs+m[2]*s, m[1]*cs+m[3]*s
	c.now.m[2], c.now.m[3] = m[2]*cs-m[0]*s, m[3]*cs-m[1]*s
}

func (c *canvas) Push() {
	c.stack = append(c.stack, c.now)
	c.now.clipped = 0
}

func (c *canvas) Pop() {
	for range c.now.clipped {
		c.buf = append(c.buf, "Q\n"...)
	}
	if n := len(c.stack); n > 0 {
		c.now, c.stack = c.stack[n-1], c.stack[:n-1]
	}
}

// Clip holds everything until the next Pop inside a rectangle. No text may be
// written under it.
func (c *canvas) Clip(x0, y0, x1, y1 float64) {
	c.buf = append(c.buf, "q "...)
	c.rect(x0, y0, x1, y1)
	c.buf = append(c.buf, "W n\n"...)
	c.now.clipped++
}

func (c *canvas) rect(x0, y0, x1, y1 float64) {
	for i, p := range [][2]float64{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}} {
		c.point(p[0], p[1])
		c.buf = append(c.buf, []string{"m ", "l "}[min(i, 1)]...)
	}
	c.buf = append(c.buf, "h "...)
}

func (c *canvas) num(v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v = 0
	}
	c.buf = strconv.AppendFloat(c.buf, math.Round(v*100)/100, 'f', -1, 64)
	c.buf = append(c.buf, ' ')
}

func (c *canvas) at(x, y float64) (float64, float64) {
	m := &c.now.m
	return m[0]*x + m[2]*y + m[4], m[1]*x + m[3]*y + m[5]
}

func (c *canvas) point(x, y float64) {
	px, py := c.at(x, y)
	c.num(px)
	c.num(py)
}

// paint sets the colour for stroking ("RG") or filling ("rg").
func (c *canvas) paint(op string) {
	r, g, b, _ := c.now.color.RGBA()
	for _, v := range [3]uint32{r, g, b} {
		c.buf = strconv.AppendFloat(c.buf, math.Round(float64(v)/0xFFFF*1000)/1000, 'f', -1, 64)
		c.buf = append(c.buf, ' ')
	}
	c.buf = append(append(c.buf, op...), ' ')
}

func (c *canvas) Stroke(p vg.Path) {
	if c.now.width <= 0 || len(p) == 0 {
		return
	}
	c.buf = append(c.buf, "q 1 j "...)
	c.paint("RG")
	c.num(c.now.width)
	c.buf = append(c.buf, "w ["...)
	for _, d := range c.now.dash {
		c.num(d.Points())
	}
	c.buf = append(c.buf, "] "...)
	c.num(c.now.phase.Points())
	c.buf = append(c.buf, "d\n"...)
	c.path(p)
	c.buf = append(c.buf, "S Q\n"...)
}

func (c *canvas) Fill(p vg.Path) {
	if len(p) == 0 {
		return
	}
	c.buf = append(c.buf, "q "...)
	c.paint("rg")
	c.path(p)
	c.buf = append(c.buf, "f Q\n"...)
}

func (c *canvas) path(p vg.Path) {
	var cur vg.Point
	for _, e := range p {
		switch e.Type {
		case vg.MoveComp:
			c.point(e.Pos.X.Points(), e.Pos.Y.Points())
			c.buf = append(c.buf, "m\n"...)
			cur = e.Pos
		case vg.LineComp:
			c.point(e.Pos.X.Points(), e.Pos.Y.Points())
			c.buf = append(c.buf, "l\n"...)
			cur = e.Pos
		case vg.CurveComp:
			c.curve(cur, e)
			cur = e.Pos
		case vg.ArcComp:
			cur = c.arc(e)
		case vg.CloseComp:
			c.buf = append(c.buf, "h\n"...)
		}
	}
}

// curve writes a cubic curve; a quadratic one is raised to a cubic.
func (c *canvas) curve(from vg.Point, e vg.PathComp) {
	var p1, p2 vg.Point
	switch len(e.Control) {
	case 1:
		q := e.Control[0]
		p1 = vg.Point{X: from.X + (q.X-from.X)*2/3, Y: from.Y + (q.Y-from.Y)*2/3}
		p2 = vg.Point{X: e.Pos.X + (q.X-e.Pos.X)*2/3, Y: e.Pos.Y + (q.Y-e.Pos.Y)*2/3}
	case 2:
		p1, p2 = e.Control[0], e.Control[1]
	default:
		return
	}
	for _, p := range []vg.Point{p1, p2, e.Pos} {
		c.point(p.X.Points(), p.Y.Points())
	}
	c.buf = append(c.buf, "c\n"...)
}

// arc writes an arc as cubic curves of at most a quarter circle each, with
// control points at 4/3·tan(θ/4) of the radius.
func (c *canvas) arc(e vg.PathComp) vg.Point {
	x, y, r := e.Pos.X.Points(), e.Pos.Y.Points(), e.Radius.Points()
	n := max(1, int(math.Ceil(math.Abs(e.Angle)/(math.Pi/2)-1e-9)))
	step := e.Angle / float64(n)
	h := 4.0 / 3 * math.Tan(step/4) * r
	s0, c0 := math.Sincos(e.Start)
	c.point(x+r*c0, y+r*s0)
	c.buf = append(c.buf, "l\n"...)
	for i := range n {
		s1, c1 := math.Sincos(e.Start + float64(i+1)*step)
		c.point(x+r*c0-h*s0, y+r*s0+h*c0)
		c.point(x+r*c1+h*s1, y+r*s1-h*c1)
		c.point(x+r*c1, y+r*s1)
		c.buf = append(c.buf, "c\n"...)
		s0, c0 = s1, c1
	}
	return vg.Point{X: vg.Length(x + r*c0), Y: vg.Length(y + r*s0)}
}

func (c *canvas) FillString(f font.Face, pt vg.Point, text string) {
	if f.Font.Size <= 0 || text == "" {
		return
	}
	c.flush()
	style := ""
	if f.Font.Weight >= xfont.WeightBold {
		style = "B"
	}
	c.pdf.SetFont(family, style, f.Font.Size.Points())
	r, g, b, _ := c.now.color.RGBA()
	c.pdf.SetTextColor(int(r>>8), int(g>>8), int(b>>8))
	x, y := c.at(pt.X.Points(), pt.Y.Points())
	c.pdf.Text(x/c.k, (c.pageH-y)/c.k, text)
}

// DrawImage is not part of any figure here; it reports itself at the end.
func (c *canvas) DrawImage(vg.Rectangle, image.Image) {
	c.err = errNoPictures
}

func (c *canvas) flush() {
	if len(c.buf) > 0 {
		c.pdf.RawWriteStr(string(c.buf))
		c.buf = c.buf[:0]
	}
}

// finish writes what is left and gives the text its colour back.
func (c *canvas) finish() error {
	for len(c.stack) > 0 {
		c.Pop()
	}
	c.flush()
	c.pdf.SetTextColor(0, 0, 0)
	return c.err
}
