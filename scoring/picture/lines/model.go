package lines

import (
	"math"
	"math/bits"
	"sort"

	"proveout/scoring/picture/raster"
)

// A Transfer is how a level of the screen becomes a level of the capture:
// Offset + Gain·255·(level/255)^Gamma, after smoothing by the taps.
type Transfer struct {
	Gain, Offset, Gamma [3]float64
	Noise               float64    // standard deviation, capture levels
	Taps                [5]float64 // mean weights across, from two pixels left to two right
}

// model predicts the capture from what the screen shows.
type model struct {
	gain, offset, gamma [3]float64
	hx                  [raster.Phases][5]float32 // weights across by sampling phase
	hy                  [raster.Phases][3]float32
	sharp               bool // no smoothing at all
	noise               [3]float64
	missing             [3]bool // channels to leave out
}

func identity() *model {
	m := &model{sharp: true}
	for ch := range 3 {
		m.gain[ch], m.gamma[ch] = 1, 1
	}
	for b := range m.hx {
		m.hx[b][2], m.hy[b][1] = 1, 1
	}
	return m
}

// fitTaps estimates the smoothing of each sampling phase by least squares on a
// sample of the pixels, as the median of the three channels. The rows of the
// edge, where neighbours are alike, are left out.
func (m *model) fitTaps(g *raster.Grid, u [3][]float32, edge int) {
	const n = 6
	var sums [3][raster.Phases]normal
	var sumsY [3][raster.Phases]normal
	w := g.Width
	area := (g.X1 - g.X0) * (g.Y1 - g.Y0)
	sample := 50000
	if g.Phased {
		sample = 150000
	}
	skip := max(1, area/sample) | 1
	k := 0
	var f [n]float64
	for y := max(edge, 1, g.Y0); y < min(g.Height-edge, g.Height-1, g.Y1); y++ {
		for x := max(2, g.X0) + k%skip; x < min(w-2, g.X1); x += skip {
			i := y*w + x
			for ch := range 3 {
				v := float64(g.V[ch][i])
				if v > 252 || v < 3 {
					if v2 := u[ch][i]; v2 > 245 || v2 < 10 {
						continue // clipped
					}
				}
				f[0] = 1
				for d := range 5 {
					f[1+d] = float64(u[ch][i+d-2])
				}
				sums[ch][g.PhaseX[x]].add(f[:6], v)
				f[1], f[2], f[3] = float64(u[ch][i-w]), float64(u[ch][i]), float64(u[ch][i+w])
				sumsY[ch][g.PhaseY[y]].add(f[:4], v)
			}
		}
		k += 7
	}
	m.sharp = true
	for b := range raster.Phases {
		h := shape(&sums, b, 5)
		v := shape(&sumsY, b, 3)
		for d := range 5 {
			m.hx[b][d] = float32(h[d])
			m.sharp = m.sharp && (d == 2 || math.Abs(h[d]) < 0.006)
		}
		for d := range 3 {
			m.hy[b][d] = float32(v[d])
			m.sharp = m.sharp && (d == 1 || math.Abs(v[d]) < 0.006)
		}
	}
	if m.sharp {
		for b := range raster.Phases {
			m.hx[b], m.hy[b] = [5]float32{2: 1}, [3]float32{1: 1}
		}
	}
}

// shape solves one phase for each channel and returns the median weights,
// scaled to the sum 1.
func shape(sums *[3][raster.Phases]normal, bin, taps int) []float64 {
	out := make([]float64, taps)
	out[taps/2] = 1
	var rows [][]float64
	for ch := range 3 {
		if sums[ch][bin].count < 300 {
			continue
		}
		c, ok := sums[ch][bin].solve(taps + 1)
		if !ok {
			continue
		}
		total := 0.0
		for _, v := range c[1:] {
			total += v
		}
		if total < 0.15 {
			continue
		}
		for d := range c[1:] {
			c[1+d] /= total
		}
		rows = append(rows, c[1:])
	}
	if len(rows) == 0 {
		return out
	}
	sum := 0.0
	for d := range taps {
		var v []float64
		for _, r := range rows {
			v = append(v, r[d])
		}
		sort.Float64s(v)
		out[d] = v[len(v)/2]
		if len(v) == 2 {
			out[d] = (v[0] + v[1]) / 2
		}
		sum += out[d]
	}
	for d := range out {
		out[d] /= sum
	}
	if out[taps/2] < 0.2 {
		clear(out)
		out[taps/2] = 1
	}
	return out
}

// filter smooths one channel as the capture did.
func (m *model) filter(g *raster.Grid, u []float32) []float32 {
	if m.sharp {
		return u
	}
	w, h := g.Width, g.Height
	out := make([]float32, len(u))
	line := make([]float32, w+4)
	for y := range h {
		k := m.hy[g.PhaseY[y]]
		mid := u[y*w : (y+1)*w]
		up, down := mid, mid
		if y > 0 {
			up = u[(y-1)*w : y*w]
		}
		if y < h-1 {
			down = u[(y+1)*w : (y+2)*w]
		}
		inner := line[2 : 2+w]
		if k[0] == 0 && k[2] == 0 {
			copy(inner, mid)
		} else {
			for x := range inner {
				inner[x] = k[0]*up[x] + k[1]*mid[x] + k[2]*down[x]
			}
		}
		o := out[y*w : (y+1)*w]
		if !g.Phased {
			t := m.hx[g.PhaseX[0]]
			for x := range o {
				s := line[x : x+5 : x+5]
				o[x] = t[0]*s[0] + t[1]*s[1] + t[2]*s[2] + t[3]*s[3] + t[4]*s[4]
			}
			continue
		}
		for x := range o {
			t := &m.hx[g.PhaseX[x]]
			s := line[x : x+5 : x+5]
			o[x] = t[0]*s[0] + t[1]*s[1] + t[2]*s[2] + t[3]*s[3] + t[4]*s[4]
		}
	}
	return out
}

// centre returns the weight of the pixel itself.
func (m *model) centre(g *raster.Grid, x, y int) float32 {
	return m.hx[g.PhaseX[x]][2] * m.hy[g.PhaseY[y]][1]
}

// screenLevel is the inverse of the transfer of a channel.
func (m *model) screenLevel(ch int, v float64) float64 {
	s := (v - m.offset[ch]) / m.gain[ch]
	if m.gamma[ch] != 1 && s > 0 {
		s = 255 * math.Pow(s/255, 1/m.gamma[ch])
	}
	return s
}

// captureLevel is the transfer of a channel.
func (m *model) captureLevel(ch int, s float64) float64 {
	if m.gamma[ch] != 1 && s > 0 {
		s = 255 * math.Pow(s/255, m.gamma[ch])
	}
	return m.offset[ch] + m.gain[ch]*s
}

// normal is a set of normal equations with up to 12 unknowns.
type normal struct {
	a     [12][12]float64
	b     [12]float64
	yy    float64
	count float64
}

func (n *normal) add(f []float64, y float64) {
	for i, v := range f {
		row := &n.a[i]
		for j := 0; j <= i; j++ {
			row[j] += v * f[j]
		}
		n.b[i] += v * y
	}
	n.yy += y * y
	n.count++
}

// addLine is add for a straight line.
func (n *normal) addLine(x, y float64) {
	n.a[0][0]++
	n.a[1][0] += x
	n.a[1][1] += x * x
	n.b[0] += y
	n.b[1] += x * y
	n.yy += y * y
	n.count++
}

// addBits is add for the unknowns of the levels: a constant, what the neighbours
// give, and one for each bit, which is 0 where the code has none.
func (n *normal) addBits(neighbours float64, code uint32, weights *[8]float64, y float64) {
	n.a[0][0]++
	n.a[1][0] += neighbours
	n.a[1][1] += neighbours * neighbours
	n.b[0] += y
	n.b[1] += neighbours * y
	for rest := code; rest != 0; rest &= rest - 1 {
		k := bits.TrailingZeros32(rest) & 7
		v := weights[k]
		row := &n.a[2+k]
		row[0] += v
		row[1] += v * neighbours
		n.b[2+k] += v * y
		for below := code & (2<<k - 1); below != 0; below &= below - 1 {
			j := bits.TrailingZeros32(below) & 7
			row[2+j] += v * weights[j]
		}
	}
	n.yy += y * y
	n.count++
}

// solve returns the coefficients of the first k unknowns by Cholesky
// decomposition, and false when they are not determined.
func (n *normal) solve(k int) ([]float64, bool) {
	var l [12][12]float64
	for i := range k {
		for j := 0; j <= i; j++ {
			s := n.a[i][j]
			for q := range j {
				s -= l[i][q] * l[j][q]
			}
			if i == j {
				if s <= 1e-9*(1+n.a[i][i]) {
					return nil, false
				}
				l[i][i] = math.Sqrt(s)
			} else {
				l[i][j] = s / l[j][j]
			}
		}
	}
	x := make([]float64, k)
	for i := range k {
		s := n.b[i]
		for q := range i {
			s -= l[i][q] * x[q]
		}
		x[i] = s / l[i][i]
	}
	for i := k - 1; i >= 0; i-- {
		s := x[i]
		for q := i + 1; q < k; q++ {
			s -= l[q][i] * x[q]
		}
		x[i] = s / l[i][i]
	}
	return x, true
}

// Correct returns the grid as a picture with gain, offset and gamma undone.
func (r *Report) Correct(g *raster.Grid) *raster.RGB {
	m := &model{gain: r.Transfer.Gain, offset: r.Transfer.Offset, gamma: r.Transfer.Gamma}
	p := raster.New(g.Width, g.Height)
	const steps = 8
	for ch := range 3 {
		var t [255*steps + 1]uint8
		for i := range t {
			t[i] = uint8(min(255, max(0, m.screenLevel(ch, float64(i)/steps)+0.5)))
		}
		for i, v := range g.V[ch] {
			p.Pix[3*i+ch] = t[min(255*steps, max(0, int(v*steps+0.5)))]
		}
	}
	return p
}
