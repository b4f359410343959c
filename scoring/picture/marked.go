package picture

import (
	"proveout/scoring/picture/metric"
	"proveout/scoring/picture/raster"
)

// Difference levels at which the map of [Marked] is fully coloured.
const MapFullScale = 64

// Marked draws the difference map of a registered result: the pattern dimmed to
// grey, what is brighter than it in orange, what is darker in blue (colours of
// Okabe and Ito), a frame around each finding that has a place, and at the
// bottom a scale from -MapFullScale to +MapFullScale levels. It returns nil when
// the result is not registered.
func Marked(r *Result) *raster.RGB {
	if !r.Registered || r.Aligned == nil || r.Wanted == nil {
		return nil
	}
	w, h := r.Wanted.Width, r.Wanted.Height
	const foot = 16
	out := raster.New(w, h+foot)
	for i := range w * h {
		p, q := r.Wanted.Pix[3*i:3*i+3], r.Aligned.Pix[3*i:3*i+3]
		grey := 40 + (int(p[0])+int(p[1])+int(p[2]))/3*60/255
		d := 0
		for ch := range 3 {
			if e := int(q[ch]) - int(p[ch]); e*e > d*d {
				d = e
			}
		}
		setMap(out.Pix[3*i:3*i+3], grey, d)
	}
	for y := h + 4; y < h+foot; y++ {
		for x := range w {
			i := y*w + x
			setMap(out.Pix[3*i:3*i+3], 70, (x*2*MapFullScale)/w-MapFullScale)
		}
	}
	for _, f := range r.Findings {
		if f.Region != nil {
			frame(out, *f.Region)
		}
	}
	return out
}

func setMap(px []uint8, grey, d int) {
	colour := [3]int{230, 159, 0} // orange
	if d < 0 {
		d = -d
		colour = [3]int{0, 114, 178} // blue
	}
	if d < 3 {
		d = 0
	}
	a := min(d, MapFullScale)
	for ch := range 3 {
		px[ch] = uint8((grey*(MapFullScale-a) + colour[ch]*a) / MapFullScale)
	}
}

// frame draws a frame two pixels wide in vermilion and white, so that it shows
// on any ground.
func frame(p *raster.RGB, r metric.Region) {
	for d, c := range [][3]uint8{{213, 94, 0}, {255, 255, 255}} {
		x0, y0, x1, y1 := r.X-d, r.Y-d, r.X+r.Width+d, r.Y+r.Height+d
		p.Fill(x0, y0, x1, y0+1, c[0], c[1], c[2])
		p.Fill(x0, y1-1, x1, y1, c[0], c[1], c[2])
		p.Fill(x0, y0, x0+1, y1, c[0], c[1], c[2])
		p.Fill(x1-1, y0, x1, y1, c[0], c[1], c[2])
	}
}
