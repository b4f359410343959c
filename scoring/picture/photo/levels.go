package photo

import (
	"math"

	"proveout/scoring/picture/raster"
)

// field is a smooth function over the screen: a polynomial of the third degree.
type field [10]float64

func (f *field) at(t *[10]float64) float64 {
	s := 0.0
	for i, v := range t {
		s += f[i] * v
	}
	return s
}

const blocksX, blocksY = 16, 12

// block returns the pixels from which the light of a block is taken: those
// between the identification strips.
func (s *Screen) block(i, j, edge int) (x0, y0, x1, y1 int) {
	w, h := s.Grid.Width, s.Grid.Height-2*edge
	return i * w / blocksX, edge + j*h/blocksY, (i + 1) * w / blocksX, edge + (j+1)*h/blocksY
}

// level undoes uneven light: in blocks between the identification strips the
// captured level is fitted as a line over the written level, and slope and offset
// are smoothed over the screen.
func (s *Screen) level(wanted *raster.RGB, edge int) {
	const nx, ny = blocksX, blocksY
	w, h := s.Grid.Width, s.Grid.Height
	var slope, offset [4][ny][nx]float64 // channel 3: all together
	for by := range ny {
		for bx := range nx {
			for ch := range 4 {
				x0, y0, x1, y1 := s.block(bx, by, edge)
				slope[ch][by][bx], offset[ch][by][bx] = s.blockLine(wanted, ch, x0, y0, x1, y1)
			}
		}
	}
	for ch := range 3 {
		from := ch
		if mean(&slope[ch]) < 0.25*mean(&slope[3]) {
			from = 3 // the channel does not follow: missing or exchanged
		}
		gain, black := s.smooth(&slope[from], edge), s.smooth(&offset[from], edge)
		middle := s.warp.terms(float64(w)/2, float64(h)/2)
		s.Gain[ch], s.Offset[ch] = gain.at(&middle), black.at(&middle)
		for y := range h {
			for x := range w {
				t := s.warp.terms(float64(x)+0.5, float64(y)+0.5)
				g := gain.at(&t)
				if g < 0.02 {
					g = 0.02
				}
				i := y*w + x
				s.Grid.V[ch][i] = float32((float64(s.Grid.V[ch][i]) - black.at(&t)) / g)
			}
		}
	}
}

func mean(b *[blocksY][blocksX]float64) float64 {
	t := 0.0
	for _, r := range b {
		for _, v := range r {
			t += v
		}
	}
	return t / (blocksX * blocksY)
}

func (s *Screen) blockLine(wanted *raster.RGB, ch, x0, y0, x1, y1 int) (slope, offset float64) {
	var n, sx, sy, sxx, sxy float64
	w := s.Grid.Width
	for y := y0; y < y1; y++ {
		for x := x0; x < x1; x++ {
			i := y*w + x
			var u, v float64
			if ch < 3 {
				u, v = float64(wanted.Pix[3*i+ch]), float64(s.Grid.V[ch][i])
			} else {
				for c := range 3 {
					u += float64(wanted.Pix[3*i+c]) / 3
					v += float64(s.Grid.V[c][i]) / 3
				}
			}
			n++
			sx += u
			sy += v
			sxx += u * u
			sxy += u * v
		}
	}
	det := n*sxx - sx*sx
	if det <= 0 {
		return 0, sy / max(1, n)
	}
	slope = (n*sxy - sx*sy) / det
	return slope, (sy - slope*sx) / n
}

// smooth fits a field to block values, dropping those far off.
func (s *Screen) smooth(b *[blocksY][blocksX]float64, edge int) field {
	var f field
	terms := func(i, j int) [10]float64 {
		x0, y0, x1, y1 := s.block(i, j, edge)
		return s.warp.terms(float64(x0+x1)/2, float64(y0+y1)/2)
	}
	limit := math.Inf(1)
	for range 3 {
		n := normalEquations{size: 10}
		var off float64
		for j := range blocksY {
			for i := range blocksX {
				t := terms(i, j)
				if math.Abs(b[j][i]-f.at(&t)) > limit {
					continue
				}
				n.add(t[:], b[j][i])
			}
		}
		c, ok := n.solve()
		if !ok {
			break
		}
		copy(f[:], c)
		for j := range blocksY {
			for i := range blocksX {
				t := terms(i, j)
				off += math.Abs(b[j][i] - f.at(&t))
			}
		}
		limit = 3 * off / (blocksX * blocksY)
	}
	return f
}

const (
	reachX, reachY = 2, 1
	taps           = 3 * (2*reachX + 1) * (2*reachY + 1)
)

// unmix takes out what neighbours and other channels add to each pixel: the
// captured level is fitted as a sum over 15 places and three channels, all but
// the pixel's own part is subtracted, and the rest is scaled to the own part.
func (s *Screen) unmix(wanted *raster.RGB, edge int) {
	w, h := s.Grid.Width, s.Grid.Height
	n := normalEquations{size: taps + 1}
	var rhs [3][48]float64
	feat := make([]float64, taps+1)
	skip := max(1, w*h/25000) | 1
	for i := (edge+2)*w + 3; i < (h-edge-2)*w; i += skip {
		x := i % w
		if x < reachX || x >= w-reachX {
			continue
		}
		k := 0
		for dy := -reachY; dy <= reachY; dy++ {
			for dx := -reachX; dx <= reachX; dx++ {
				p := wanted.Pix[3*(i+dy*w+dx):]
				feat[k], feat[k+1], feat[k+2] = float64(p[0])-127.5, float64(p[1])-127.5, float64(p[2])-127.5
				k += 3
			}
		}
		feat[k] = 1
		n.add(feat, 0)
		for ch := range 3 {
			v := float64(s.Grid.V[ch][i])
			for q, f := range feat {
				rhs[ch][q] += f * v
			}
		}
	}
	for ch := range 3 {
		c, ok := n.solveFor(&rhs[ch])
		own := reachY*(2*reachX+1)*3 + reachX*3 + ch
		if !ok || c[own] < 0.08 {
			continue
		}
		s.Centre[ch] = c[own]
		s.apply(ch, wanted, c, own)
	}
}

func (s *Screen) apply(ch int, wanted *raster.RGB, c []float64, own int) {
	w, h := s.Grid.Width, s.Grid.Height
	var k [taps]float32
	base := float32(c[taps])
	for i := range k {
		k[i] = float32(c[i])
		base -= k[i] * 127.5
	}
	scale := 1 / k[own]
	k[own] = 0
	v := s.Grid.V[ch]
	for y := range h {
		for x := range w {
			sum := base
			q := 0
			for dy := -reachY; dy <= reachY; dy++ {
				yy := min(max(y+dy, 0), h-1)
				for dx := -reachX; dx <= reachX; dx++ {
					xx := min(max(x+dx, 0), w-1)
					p := wanted.Pix[3*(yy*w+xx) : 3*(yy*w+xx)+3 : 3*(yy*w+xx)+3]
					sum += k[q]*float32(p[0]) + k[q+1]*float32(p[1]) + k[q+2]*float32(p[2])
					q += 3
				}
			}
			v[y*w+x] = (v[y*w+x] - sum) * scale
		}
	}
}
