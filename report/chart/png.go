package chart

import (
	"image"
	"image/color"
	"image/draw"
	"math"

	"github.com/golang/freetype/raster"
	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"

	"proveout/scoring/figure"
)

// PrintDPI is the resolution of figures that go into print as pictures.
const PrintDPI = 300

// Picture draws a figure w by h points at dpi dots per inch on white.
func Picture(f figure.Figure, w, h float64, dpi int, st Style) *image.RGBA {
	p := newPixels(w, h, dpi)
	g := Prepare(f)
	Draw(p, &g, w, h, st)
	return p.img
}

// pixels is a [vg.Canvas] that paints on a picture. It has what figures need:
// no turning, no scaling and no pictures inside the picture. (gonum's own
// picture canvas would bring a TeX setter that works at program start.)
type pixels struct {
	img   *image.RGBA
	k     float64 // px per pt
	ras   *raster.Rasterizer
	now   pixelState
	stack []pixelState
}

type pixelState struct {
	dx, dy float64 // pt
	width  float64 // pt
	dash   []vg.Length
	color  color.Color
	clip   image.Rectangle
}

func newPixels(w, h float64, dpi int) *pixels {
	k := float64(dpi) / 72
	img := image.NewRGBA(image.Rect(0, 0, max(1, int(math.Ceil(w*k))), max(1, int(math.Ceil(h*k)))))
	draw.Draw(img, img.Rect, image.White, image.Point{}, draw.Src)
	ras := raster.NewRasterizer(img.Rect.Dx(), img.Rect.Dy())
	ras.UseNonZeroWinding = true
	return &pixels{img: img, k: k, ras: ras, now: pixelState{width: 1, color: color.Black, clip: img.Rect}}
}

func (p *pixels) SetLineWidth(w vg.Length)                  { p.now.width = w.Points() }
func (p *pixels) SetLineDash(dash []vg.Length, _ vg.Length) { p.now.dash = dash }
func (p *pixels) SetColor(c color.Color)                    { p.now.color = c }
func (p *pixels) Translate(pt vg.Point) {
	p.now.dx += pt.X.Points()
	p.now.dy += pt.Y.Points()
}
func (p *pixels) Rotate(float64)                      {}
func (p *pixels) Scale(_, _ float64)                  {}
func (p *pixels) DrawImage(vg.Rectangle, image.Image) {}
func (p *pixels) Push()                               { p.stack = append(p.stack, p.now) }
func (p *pixels) Pop() {
	if n := len(p.stack); n > 0 {
		p.now, p.stack = p.stack[n-1], p.stack[:n-1]
	}
}

// Clip holds everything until the next Pop inside a rectangle.
func (p *pixels) Clip(x0, y0, x1, y1 float64) {
	ax, ay := p.at(x0, y1)
	bx, by := p.at(x1, y0)
	p.now.clip = p.now.clip.Intersect(image.Rect(int(ax), int(ay), int(math.Ceil(bx)), int(math.Ceil(by))))
}

// at turns points from the lower left into pixels from the upper left.
func (p *pixels) at(x, y float64) (px, py float64) {
	return (x + p.now.dx) * p.k, float64(p.img.Rect.Dy()) - (y+p.now.dy)*p.k
}

func (p *pixels) fixed(x, y float64) fixed.Point26_6 {
	px, py := p.at(x, y)
	return fixed.Point26_6{X: fixed.Int26_6(math.Round(px * 64)), Y: fixed.Int26_6(math.Round(py * 64))}
}

// outline is a path as runs of straight pieces, pt; arcs are cut fine enough
// for print.
func outline(path vg.Path) (runs [][][2]float64) {
	add := func(x, y float64) {
		if len(runs) == 0 {
			runs = append(runs, nil)
		}
		last := len(runs) - 1
		runs[last] = append(runs[last], [2]float64{x, y})
	}
	for _, c := range path {
		x, y := c.Pos.X.Points(), c.Pos.Y.Points()
		switch c.Type {
		case vg.MoveComp:
			runs = append(runs, nil)
			add(x, y)
		case vg.LineComp, vg.CurveComp:
			add(x, y)
		case vg.ArcComp:
			const pieces = 32
			for i := range pieces + 1 {
				s, co := math.Sincos(c.Start + c.Angle*float64(i)/pieces)
				add(x+c.Radius.Points()*co, y+c.Radius.Points()*s)
			}
		case vg.CloseComp:
			if n := len(runs); n > 0 && len(runs[n-1]) > 0 {
				first := runs[n-1][0]
				add(first[0], first[1])
			}
		}
	}
	return runs
}

func (p *pixels) Fill(path vg.Path) {
	p.ras.Clear()
	for _, run := range outline(path) {
		for i, q := range run {
			if i == 0 {
				p.ras.Start(p.fixed(q[0], q[1]))
			} else {
				p.ras.Add1(p.fixed(q[0], q[1]))
			}
		}
		p.ras.Add1(p.fixed(run[0][0], run[0][1]))
	}
	p.paint()
}

func (p *pixels) Stroke(path vg.Path) {
	if p.now.width <= 0 {
		return
	}
	p.ras.Clear()
	width := fixed.Int26_6(math.Max(1, math.Round(p.now.width*p.k*64)))
	for _, run := range outline(path) {
		for _, piece := range dashed(run, p.now.dash) {
			if len(piece) < 2 {
				continue
			}
			var q raster.Path
			q.Start(p.fixed(piece[0][0], piece[0][1]))
			for _, pt := range piece[1:] {
				q.Add1(p.fixed(pt[0], pt[1]))
			}
			raster.Stroke(p.ras, q, width, raster.ButtCapper, raster.RoundJoiner)
		}
	}
	p.paint()
}

// dashed cuts a run of straight pieces into dashes.
func dashed(run [][2]float64, pattern []vg.Length) [][][2]float64 {
	total := 0.0
	for _, d := range pattern {
		total += d.Points()
	}
	if !(total > 0) || len(run) < 2 {
		return [][][2]float64{run}
	}
	var out [][][2]float64
	piece := [][2]float64{run[0]}
	k, left := 0, pattern[0].Points()
	for i := 1; i < len(run); i++ {
		a, b := run[i-1], run[i]
		length := math.Hypot(b[0]-a[0], b[1]-a[1])
		for done := 0.0; done < length; {
			step := math.Min(left, length-done)
			done += step
			left -= step
			t := done / length
			pt := [2]float64{a[0] + t*(b[0]-a[0]), a[1] + t*(b[1]-a[1])}
			if k%2 == 0 {
				piece = append(piece, pt)
			}
			if left > 1e-9 {
				continue
			}
			if k%2 == 0 {
				out = append(out, piece)
			}
			k = (k + 1) % (len(pattern) + len(pattern)%2)
			left = math.Max(pattern[k%len(pattern)].Points(), 1e-3)
			piece = [][2]float64{pt}
		}
	}
	if k%2 == 0 {
		out = append(out, piece)
	}
	return out
}

func (p *pixels) paint() {
	dst, ok := p.img.SubImage(p.now.clip).(*image.RGBA)
	if !ok || dst.Rect.Empty() {
		return
	}
	r := raster.NewRGBAPainter(dst)
	r.SetColor(p.now.color)
	p.ras.Rasterize(r)
}

func (p *pixels) FillString(f font.Face, pt vg.Point, text string) {
	if f.Font.Size <= 0 {
		return
	}
	face, err := opentype.NewFace(f.Face, &opentype.FaceOptions{Size: f.Font.Size.Points(), DPI: 72 * p.k, Hinting: xfont.HintingNone})
	if err != nil {
		return
	}
	d := xfont.Drawer{Dst: p.img, Src: image.NewUniform(p.now.color), Face: face, Dot: p.fixed(pt.X.Points(), pt.Y.Points())}
	d.DrawString(text)
}
