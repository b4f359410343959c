package metric

import (
	"errors"
	"math"

	"proveout/scoring/picture/raster"
)

// The window of Wang, Bovik, Sheikh and Simoncelli, IEEE Trans. Image
// Processing 13(4), 2004: a Gaussian of 11×11 with sigma 1.5, K1 = 0.01,
// K2 = 0.03, L = 255.
const (
	radius = 5
	taps   = 2*radius + 1
	sigma  = 1.5
	c1     = 0.01 * 255 * 0.01 * 255
	c2     = 0.03 * 255 * 0.03 * 255
)

// window returns the weights from the middle outwards.
func window() (k [radius + 1]float32) {
	var w [radius + 1]float64
	total := 0.0
	for i := range w {
		w[i] = math.Exp(-float64(i*i) / (2 * sigma * sigma))
		total += w[i]
		if i > 0 {
			total += w[i]
		}
	}
	for i := range k {
		k[i] = float32(w[i] / total)
	}
	return k
}

// similarityOf returns the mean structural similarity over the three channels and
// over every pixel whose whole window lies inside the pictures, which are of one
// size. Population (not sample) covariances are used, as in the paper.
func similarityOf(a, b *raster.RGB) (float64, error) {
	if a.Width <= 2*radius || a.Height <= 2*radius {
		return 0, errors.New("pictures smaller than 11×11 pixels have no structural similarity")
	}
	var sums [workers]float64
	rows, columns := a.Height-2*radius, 3*(a.Width-2*radius)
	split(rows, func(part, from, to int) {
		if from < to {
			sums[part] = newFilter(columns).sum(a, b, from, to)
		}
	})
	total := 0.0
	for _, v := range sums {
		total += v
	}
	return total / float64(rows*columns), nil
}

// A filter holds what filtering row by row needs. Values are single precision and
// taken relative to 128, which changes no variance and keeps the sums small: of
// the single windows the similarity is off by some 1e-5 this way and that, of the
// mean by less than 1e-7.
type filter struct {
	k    [radius + 1]float32
	raw  [4][]float32       // one row: a, b, a²+b², ab
	ring [taps][4][]float32 // rows filtered across
	out  [4][]float32       // one row filtered both ways
}

func newFilter(samples int) *filter {
	f := &filter{k: window()}
	for q := range 4 {
		f.raw[q] = make([]float32, samples+6*radius)
		f.out[q] = make([]float32, samples)
		for i := range f.ring {
			f.ring[i][q] = make([]float32, samples)
		}
	}
	return f
}

// sum returns the sum of the similarity of the inner samples in the inner rows
// from to to (inner row r is picture row r+radius).
func (f *filter) sum(a, b *raster.RGB, from, to int) float64 {
	for y := from; y < from+2*radius; y++ {
		f.fill(a, b, y)
	}
	total := 0.0
	for r := from; r < to; r++ {
		f.fill(a, b, r+2*radius)
		for q := range 4 {
			var lines [taps][]float32
			for d := range taps {
				lines[d] = f.ring[(r+d)%taps][q]
			}
			weigh(f.out[q], &lines, &f.k)
		}
		total += similarity(&f.out)
	}
	return total
}

// fill filters one row across.
func (f *filter) fill(a, b *raster.RGB, y int) {
	pa, pb := a.Pix[3*y*a.Width:][:3*a.Width], b.Pix[3*y*a.Width:][:3*a.Width]
	m := len(pa)
	r0, r1, r2, r3 := f.raw[0][:m], f.raw[1][:m], f.raw[2][:m], f.raw[3][:m]
	for i, v := range pa {
		v, w := float32(v)-128, float32(pb[i])-128
		r0[i], r1[i], r2[i], r3[i] = v, w, v*v+w*w, v*w
	}
	for q := range 4 {
		out := f.ring[y%taps][q]
		var lines [taps][]float32
		for d := range taps {
			lines[d] = f.raw[q][3*d:][:len(out)]
		}
		weigh(out, &lines, &f.k)
	}
}

// weigh sets dst to the weighted sum of 11 lines, each at least as long.
func weigh(dst []float32, l *[taps][]float32, k *[radius + 1]float32) {
	k0, k1, k2, k3, k4, k5 := k[0], k[1], k[2], k[3], k[4], k[5]
	n := len(dst)
	a0, a1, a2, a3, a4, a5 := l[0][:n], l[1][:n], l[2][:n], l[3][:n], l[4][:n], l[5][:n]
	b4, b3, b2, b1, b0 := l[6][:n], l[7][:n], l[8][:n], l[9][:n], l[10][:n]
	for i := range dst {
		dst[i] = k0*a5[i] + k1*(a4[i]+b4[i]) + k2*(a3[i]+b3[i]) +
			k3*(a2[i]+b2[i]) + k4*(a1[i]+b1[i]) + k5*(a0[i]+b0[i])
	}
}

// similarity sums the similarity of a row of windows.
func similarity(m *[4][]float32) float64 {
	mx, my, ms, mp := m[0], m[1], m[2], m[3]
	total := 0.0
	for i := range mx {
		x, y := float64(mx[i]), float64(my[i])
		xx, yy, xy := x*x, y*y, x*y
		cov := float64(mp[i]) - xy
		vars := float64(ms[i]) - xx - yy
		// The means themselves, not those relative to 128.
		lx, ly := x+128, y+128
		total += (2*lx*ly + c1) * (2*cov + c2) / ((lx*lx + ly*ly + c1) * (vars + c2))
	}
	return total
}
