package document

import (
	"math"
	"strconv"

	"github.com/phpdave11/gofpdf"

	"proveout/report/chart"
)

// A canvas is a [chart.Canvas] that writes PDF operators (ISO 32000-1:2008, 8.4
// and 8.5) to the current page.
type canvas struct {
	pdf   *gofpdf.Fpdf // its unit is mm
	pageH float64      // pt
	x, y  float64      // pt, of the canvas's lower left corner on the page
	buf   []byte
}

// newCanvas returns a canvas whose lower left corner is x, y mm from the upper
// left corner of what the margins leave of the page.
func newCanvas(pdf *gofpdf.Fpdf, x, y float64) *canvas {
	_, h := pdf.GetPageSize()
	return &canvas{pdf: pdf, pageH: h / ptmm, x: (marginX + x) / ptmm, y: (h - marginTop - y) / ptmm}
}

// Clip holds what draw draws inside a rectangle. No text may be written under
// it.
func (c *canvas) Clip(low, high chart.Point, draw func()) {
	c.op("q ")
	c.outline([]chart.Point{low, {X: high.X, Y: low.Y}, high, {X: low.X, Y: high.Y}}, " ")
	c.op("h W n\n")
	draw()
	c.op("Q\n")
}

func (c *canvas) Stroke(colour chart.RGB, width float64, dash []float64, lines ...[]chart.Point) {
	c.op("q 1 j ")
	c.colour(colour, "RG ")
	c.num(width)
	c.op("w [")
	for _, d := range dash {
		c.num(d)
	}
	c.op("] 0 d\n")
	for _, line := range lines {
		c.outline(line, "\n")
	}
	c.op("S Q\n")
}

func (c *canvas) Fill(colour chart.RGB, outline []chart.Point) {
	c.op("q ")
	c.colour(colour, "rg ")
	c.outline(outline, "\n")
	c.op("h\nf Q\n")
}

// Disc writes a circle as four cubic curves with control points at
// 4/3·tan(θ/4) of the radius.
func (c *canvas) Disc(colour chart.RGB, centre chart.Point, radius float64) {
	h := 4.0 / 3 * math.Tan(math.Pi/8) * radius
	at := func(along, across float64, quarter int) {
		sin, cos := math.Sincos(float64(quarter) * math.Pi / 2)
		c.point(chart.Point{X: centre.X + along*cos - across*sin, Y: centre.Y + along*sin + across*cos})
	}
	c.op("q ")
	c.colour(colour, "rg ")
	at(radius, 0, 0)
	c.op("m\n")
	for quarter := range 4 {
		at(radius, h, quarter)
		at(radius, -h, quarter+1)
		at(radius, 0, quarter+1)
		c.op("c\n")
	}
	c.op("h\nf Q\n")
}

func (c *canvas) Text(colour chart.RGB, w chart.Weight, size float64, at chart.Point, s string) {
	if s == "" {
		return
	}
	c.finish()
	style := ""
	if w == chart.Bold {
		style = "B"
	}
	c.pdf.SetFont(family, style, size)
	c.pdf.SetTextColor(int(colour.R), int(colour.G), int(colour.B))
	c.pdf.Text((c.x+at.X)*ptmm, (c.pageH-c.y-at.Y)*ptmm, s)
	c.pdf.SetTextColor(0, 0, 0)
}

func (c *canvas) op(s string) { c.buf = append(c.buf, s...) }

func (c *canvas) num(v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v = 0
	}
	c.buf = strconv.AppendFloat(c.buf, math.Round(v*100)/100, 'f', -1, 64)
	c.op(" ")
}

func (c *canvas) point(p chart.Point) {
	c.num(c.x + p.X)
	c.num(c.y + p.Y)
}

// outline writes straight lines through places.
func (c *canvas) outline(line []chart.Point, end string) {
	for i, p := range line {
		c.point(p)
		c.op([]string{"m", "l"}[min(i, 1)] + end)
	}
}

// colour sets the colour of strokes ("RG ") or areas ("rg ").
func (c *canvas) colour(colour chart.RGB, op string) {
	for _, v := range [3]uint8{colour.R, colour.G, colour.B} {
		c.buf = strconv.AppendFloat(c.buf, math.Round(float64(v)/0xFF*1000)/1000, 'f', -1, 64)
		c.op(" ")
	}
	c.op(op)
}

// finish writes what is left to the page.
func (c *canvas) finish() {
	if len(c.buf) > 0 {
		c.pdf.RawWriteStr(string(c.buf))
		c.buf = c.buf[:0]
	}
}
