package lines

import (
	"math"

	"proveout/scoring/picture/raster"
)

// Misplaced reports by how many pixels right and down of its place the content
// of a capture was taken for, because a lost address line displaces half of it
// and the capture was laid over that half. It is 0, 0 when the capture fits as it
// lies, or when no such fault fits better.
func Misplaced(b Buffer, codes []uint32, bytes []byte, g *raster.Grid) (dx, dy int) {
	l, err := newLanes(b)
	if err != nil || len(codes) != g.Width*g.Height {
		return 0, 0
	}
	v := &view{lanes: l, g: g, m: identity(), codes: codes, bytes: bytes}
	pts := v.scattered(1500)
	own := v.predictions(pts, nil)
	// What noise, smoothing and single faults leave is above this, half of a
	// picture in its place is below.
	const fits = 0.62
	here := v.likeness(pts, own, 0, 0)
	if here > fits {
		return 0, 0
	}
	best := here + 0.2
	for _, f := range v.folds(false) {
		p := v.predictions(pts, &f)
		if r := v.likeness(pts, p, 0, 0); r > best {
			best, dx, dy = r, 0, 0
		}
		for _, d := range v.displacements(f) {
			if r := v.likeness(pts, p, d[0], d[1]); r > best {
				best, dx, dy = r, d[0], d[1]
			}
		}
	}
	return dx, dy
}

// scattered picks about n pixels of the picture.
func (v *view) scattered(n int) (pts [][2]int) {
	w := v.Mode.Width
	skip := max(1, w*v.Mode.Height/n) | 1
	for i := 0; i < w*v.Mode.Height; i += skip {
		pts = append(pts, [2]int{i % w, i / w})
	}
	return pts
}

// displacements lists by how many pixels right and down an address fault moves
// content: the pixels of the folded words, counted along the lines.
func (v *view) displacements(f fold) (out [][2]int) {
	pixels := int(v.beat << f.a / int64(v.Mode.Format.Bytes()))
	x, y := pixels%v.Mode.Width, pixels/v.Mode.Width
	for _, d := range [][2]int{{x, y}, {x - v.Mode.Width, y + 1}} {
		if d[0] >= -v.Mode.Width/2 && d[0] <= v.Mode.Width/2 {
			out = append(out, d, [2]int{-d[0], -d[1]})
		}
	}
	return out
}

// predictions are the levels of the three channels that the points show, with an
// address fault of every chip of all banks or without one; NaN where what a
// point shows lies outside the picture.
func (v *view) predictions(pts [][2]int, f *fold) []float32 {
	out := make([]float32, 0, 3*len(pts))
	nan := float32(math.NaN())
	for _, p := range pts {
		off := v.Mode.Address(p[0], p[1])
		code, in := v.codes[p[1]*v.Mode.Width+p[0]], true
		if f != nil {
			bank := int((v.Base + off) / v.Org.BankBytes())
			code, _, in = v.foldedCode(v.bytes, off, code, bank, -1, *f)
		}
		for ch, fl := range v.Mode.Format.Fields() {
			if !in {
				out = append(out, nan)
				continue
			}
			out = append(out, v.level[ch][code>>fl.Shift&(1<<fl.Bits-1)])
		}
	}
	return out
}

// likeness is the correlation of predicted levels with the capture as it would
// lie when moved by so many pixels, times the share of them that is then inside;
// -1 when that is less than a third.
func (v *view) likeness(pts [][2]int, want []float32, dx, dy int) float64 {
	var n, sa, sb, saa, sbb, sab float64
	for k, p := range pts {
		x, y := p[0]+dx, p[1]+dy
		if x < v.g.X0 || x >= v.g.X1 || y < v.g.Y0 || y >= v.g.Y1 {
			continue
		}
		for ch := range 3 {
			a := want[3*k+ch]
			if a != a {
				continue
			}
			a64, b64 := float64(a), float64(v.g.V[ch][y*v.Mode.Width+x])
			n++
			sa, sb, saa, sbb, sab = sa+a64, sb+b64, saa+a64*a64, sbb+b64*b64, sab+a64*b64
		}
	}
	va, vb := n*saa-sa*sa, n*sbb-sb*sb
	if n < float64(len(pts)) || va <= 0 || vb <= 0 {
		return -1
	}
	return (n*sab - sa*sb) / math.Sqrt(va*vb) * n / float64(len(want))
}
