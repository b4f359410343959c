package chart

import (
	"image"
	"image/color"
	"image/draw"
	"math"

	"github.com/golang/freetype/raster"
	xfont "golang.org/x/image/font"
	"golang.org/x/image/math/fixed"

	"proveout/scoring/outcome"
)

// Picture draws a figure w by h points at dpi dots per inch on white, with
// decimal as the decimal mark.
func Picture(f outcome.FigureIn[string], w, h float64, dpi int, decimal string) *image.RGBA {
	p := newPixels(w, h, dpi)
	g := Prepare(f)
	Draw(p, &g, w, h, decimal)
	return p.img
}

// pixels is a [Canvas] that paints on a picture.
type pixels struct {
	img  *image.RGBA
	k    float64 // px per pt
	ras  *raster.Rasterizer
	clip image.Rectangle
}

func newPixels(w, h float64, dpi int) *pixels {
	k := float64(dpi) / 72
	img := image.NewRGBA(image.Rect(0, 0, max(1, int(math.Ceil(w*k))), max(1, int(math.Ceil(h*k)))))
	draw.Draw(img, img.Rect, image.White, image.Point{}, draw.Src)
	ras := raster.NewRasterizer(img.Rect.Dx(), img.Rect.Dy())
	ras.UseNonZeroWinding = true
	return &pixels{img: img, k: k, ras: ras, clip: img.Rect}
}

func (p *pixels) Clip(low, high Point, draw func()) {
	x0, y0 := p.at(Point{low.X, high.Y})
	x1, y1 := p.at(Point{high.X, low.Y})
	all := p.clip
	p.clip = all.Intersect(image.Rect(int(x0), int(y0), int(math.Ceil(x1)), int(math.Ceil(y1))))
	draw()
	p.clip = all
}

// at turns points from the lower left into pixels from the upper left.
func (p *pixels) at(pt Point) (x, y float64) { return pt.X * p.k, float64(p.img.Rect.Dy()) - pt.Y*p.k }

func (p *pixels) fixed(pt Point) fixed.Point26_6 {
	x, y := p.at(pt)
	return fixed.Point26_6{X: fixed.Int26_6(math.Round(x * 64)), Y: fixed.Int26_6(math.Round(y * 64))}
}

func (p *pixels) Fill(c RGB, outline []Point) {
	if len(outline) == 0 {
		return
	}
	p.ras.Clear()
	p.ras.Start(p.fixed(outline[0]))
	for _, pt := range outline[1:] {
		p.ras.Add1(p.fixed(pt))
	}
	p.ras.Add1(p.fixed(outline[0]))
	p.paint(c)
}

// Disc fills a polygon that is fine enough for print.
func (p *pixels) Disc(c RGB, centre Point, radius float64) {
	const corners = 32
	outline := make([]Point, corners)
	for i := range outline {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / corners)
		outline[i] = Point{centre.X + radius*cos, centre.Y + radius*sin}
	}
	p.Fill(c, outline)
}

func (p *pixels) Stroke(c RGB, width float64, dash []float64, lines ...[]Point) {
	p.ras.Clear()
	for _, line := range lines {
		for _, piece := range dashed(line, dash) {
			p.stroke(width, piece)
		}
	}
	p.paint(c)
}

func (p *pixels) stroke(width float64, line []Point) {
	if len(line) < 2 {
		return
	}
	var path raster.Path
	path.Start(p.fixed(line[0]))
	for _, pt := range line[1:] {
		path.Add1(p.fixed(pt))
	}
	thick := fixed.Int26_6(math.Max(1, math.Round(width*p.k*64)))
	raster.Stroke(p.ras, path, thick, raster.ButtCapper, raster.RoundJoiner)
}

// dashed cuts a line into dashes: lengths of the pattern are in turn drawn and
// left out.
func dashed(line []Point, pattern []float64) [][]Point {
	if len(pattern) == 0 || len(line) < 2 {
		return [][]Point{line}
	}
	var out [][]Point
	piece := []Point{line[0]}
	k, left := 0, pattern[0] // which length, and how much of it is left
	for i := 1; i < len(line); i++ {
		a, b := line[i-1], line[i]
		length := math.Hypot(b.X-a.X, b.Y-a.Y)
		for done := 0.0; done < length; {
			step := math.Min(left, length-done)
			done += step
			left -= step
			t := done / length
			pt := Point{a.X + t*(b.X-a.X), a.Y + t*(b.Y-a.Y)}
			if k%2 == 0 {
				piece = append(piece, pt)
			}
			if left > 1e-9 {
				continue
			}
			if k%2 == 0 {
				out = append(out, piece)
			}
			k = (k + 1) % len(pattern)
			left = pattern[k]
			piece = []Point{pt}
		}
	}
	if k%2 == 0 {
		out = append(out, piece)
	}
	return out
}

func (p *pixels) paint(c RGB) {
	dst, ok := p.img.SubImage(p.clip).(*image.RGBA)
	if !ok || dst.Rect.Empty() {
		return
	}
	r := raster.NewRGBAPainter(dst)
	r.SetColor(color.RGBA{c.R, c.G, c.B, 0xFF})
	p.ras.Rasterize(r)
}

func (p *pixels) Text(c RGB, w Weight, size float64, at Point, s string) {
	d := xfont.Drawer{
		Dst:  p.img,
		Src:  image.NewUniform(color.RGBA{c.R, c.G, c.B, 0xFF}),
		Face: Face(w, size, 72*p.k),
		Dot:  p.fixed(at),
	}
	d.DrawString(s)
}
