package chart

import (
	"image"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"

	"proveout/scoring/figure"
)

// PrintDPI is the resolution of figures that go into print as pictures.
const PrintDPI = 300

// Picture draws a figure w by h points at dpi dots per inch.
func Picture(f figure.Figure, w, h float64, dpi int, st Style) image.Image {
	c := vgimg.NewWith(vgimg.UseWH(vg.Length(w), vg.Length(h)), vgimg.UseDPI(dpi))
	g := Prepare(f)
	Draw(c, &g, w, h, st)
	return c.Image()
}
