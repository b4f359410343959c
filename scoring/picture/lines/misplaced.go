package lines

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"proveout/scoring/picture/raster"
)

// Misplaced reports by how many pixels right and down of its place the content
// of a capture was taken for, because a lost address line displaces half of it
// and the capture was laid over that half. It is 0, 0 when the capture fits as it
// lies, or when no such fault fits better.
func Misplaced(w Written, g *raster.Grid) (dx, dy int) {
	l, err := newLanes(w.Buffer)
	if err != nil || len(w.Codes) != g.Width*g.Height {
		return 0, 0
	}
	v := newView(l, w, g)
	const about = 1500
	var pixels []int
	skip := max(1, len(v.codes)/about) | 1
	for i := 0; i < len(v.codes); i += skip {
		pixels = append(pixels, i)
	}
	// What noise, smoothing and single faults leave is above this, half of a
	// picture in its place is below.
	const fits = 0.62
	here := v.likeness(pixels, v.levelsOf(pixels, nil), 0, 0)
	if here > fits {
		return 0, 0
	}
	best := here + 0.2
	for _, f := range v.folds() {
		wanted := v.levelsOf(pixels, &f)
		for _, d := range append([][2]int{{}}, v.displacements(f)...) {
			if r := v.likeness(pixels, wanted, d[0], d[1]); r > best {
				best, dx, dy = r, d[0], d[1]
			}
		}
	}
	return dx, dy
}

// displacements lists by how many pixels right and down an address fault moves
// content: the pixels of the folded words, counted along the lines.
func (v *view) displacements(f fold) (out [][2]int) {
	width := v.Mode.Width
	pixels := int(v.beat << f.line / int64(v.Mode.Format.Bytes()))
	x, y := pixels%width, pixels/width
	for _, d := range [][2]int{{x, y}, {x - width, y + 1}} {
		if d[0] >= -width/2 && d[0] <= width/2 {
			out = append(out, d, [2]int{-d[0], -d[1]})
		}
	}
	return out
}

// levelsOf are the levels of the three channels that pixels show, with an address
// fault of every chip of all banks or without one; NaN where what a pixel shows
// lies outside the picture.
func (v *view) levelsOf(pixels []int, f *fold) []float32 {
	out := make([]float32, 0, 3*len(pixels))
	for _, i := range pixels {
		code, in := v.codes[i], true
		if f != nil {
			code, _, in = v.foldedCode(i, chipKey{v.bankOf(i), everyChip}, *f)
		}
		for channel, field := range v.fields {
			level := v.level[channel][field.Of(code)]
			if !in {
				level = float32(math.NaN())
			}
			out = append(out, level)
		}
	}
	return out
}

// likeness is the correlation of wanted levels with the capture as it would lie
// when moved by so many pixels, times the share of them that is then inside; -1
// when that is less than a third. Each channel counts from its own mean.
func (v *view) likeness(pixels []int, wanted []float32, dx, dy int) float64 {
	var levels, captured []float64
	for channel := range 3 {
		first := len(levels)
		for k, i := range pixels {
			x, y := i%v.Mode.Width+dx, i/v.Mode.Width+dy
			level := wanted[3*k+channel]
			if v.grid.Inside(x, y) && level == level {
				levels = append(levels, float64(level))
				captured = append(captured, float64(v.grid.V[channel][y*v.Mode.Width+x]))
			}
		}
		for _, values := range [][]float64{levels[first:], captured[first:]} {
			floats.AddConst(-stat.Mean(values, nil), values)
		}
	}
	if len(levels) < len(pixels) {
		return -1
	}
	r := stat.Correlation(levels, captured, nil) // NaN where all is of one level
	if !(r >= -1) {
		return -1
	}
	return r * float64(len(levels)) / float64(len(wanted))
}
