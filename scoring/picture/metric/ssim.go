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
	sigma  = 1.5
	c1     = 0.01 * 255 * 0.01 * 255
	c2     = 0.03 * 255 * 0.03 * 255
)

func window() (k [radius + 1]float64) {
	total := 0.0
	for i := range k {
		k[i] = math.Exp(-float64(i*i) / (2 * sigma * sigma))
		total += k[i]
		if i > 0 {
			total += k[i]
		}
	}
	for i := range k {
		k[i] /= total
	}
	return k
}

// SSIM returns the mean structural similarity over the three channels and over
// every pixel whose whole window lies inside the picture. Population
// (not sample) covariances are used, as in the paper.
func SSIM(a, b *raster.RGB) (float64, error) {
	if err := sameSize(a, b); err != nil {
		return 0, err
	}
	if a.Width <= 2*radius || a.Height <= 2*radius {
		return 0, errors.New("pictures smaller than 11×11 pixels have no structural similarity")
	}
	var sums [Workers]float64
	rows := a.Height - 2*radius
	split(rows, func(part, from, to int) {
		if from < to {
			sums[part] = ssimRows(a, b, from, to)
		}
	})
	total := 0.0
	for _, v := range sums {
		total += v
	}
	return total / float64(3*rows*(a.Width-2*radius)), nil
}

// ssimRows sums the similarity of the inner rows from to to (inner row r is
// picture row r+radius) of all channels. Rows filtered across are kept in a
// ring of 11. Values are taken relative to 128, which changes no variance and
// keeps the sums small.
func ssimRows(a, b *raster.RGB, from, to int) float64 {
	const taps = 2*radius + 1
	k := window()
	n := 3 * a.Width                  // samples of a row
	inner := 3 * (a.Width - 2*radius) // samples with a whole window
	var ring [taps][4][]float64
	for i := range ring {
		for q := range 4 {
			ring[i][q] = make([]float64, inner)
		}
	}
	var raw [4][]float64
	for q := range raw {
		raw[q] = make([]float64, n)
	}
	fill := func(y int) {
		pa, pb := a.Pix[y*n:(y+1)*n], b.Pix[y*n:(y+1)*n]
		r0, r1, r2, r3 := raw[0][:n], raw[1][:n], raw[2][:n], raw[3][:n]
		for i := range n {
			x, z := float64(pa[i])-128, float64(pb[i])-128
			r0[i], r1[i], r2[i], r3[i] = x, z, x*x+z*z, x*z
		}
		for q := range 4 {
			across(ring[y%taps][q], raw[q], &k)
		}
	}
	for y := from; y < from+2*radius; y++ {
		fill(y)
	}
	var out [4][]float64
	for q := range out {
		out[q] = make([]float64, inner)
	}
	total := 0.0
	for r := from; r < to; r++ {
		fill(r + 2*radius)
		for q := range 4 {
			var lines [taps][]float64
			for d := range taps {
				lines[d] = ring[(r+d)%taps][q]
			}
			down(out[q], &lines, &k)
		}
		total += similarity(&out, inner)
	}
	return total
}

func across(dst, src []float64, k *[radius + 1]float64) {
	k0, k1, k2, k3, k4, k5 := k[0], k[1], k[2], k[3], k[4], k[5]
	n := len(dst)
	s := src[: n+30 : n+30]
	for i := range dst {
		w := s[i : i+31 : i+31]
		dst[i] = k0*w[15] + k1*(w[12]+w[18]) + k2*(w[9]+w[21]) + k3*(w[6]+w[24]) + k4*(w[3]+w[27]) + k5*(w[0]+w[30])
	}
}

func down(dst []float64, l *[2*radius + 1][]float64, k *[radius + 1]float64) {
	k0, k1, k2, k3, k4, k5 := k[0], k[1], k[2], k[3], k[4], k[5]
	n := len(dst)
	a0, a1, a2, a3, a4, a5 := l[0][:n], l[1][:n], l[2][:n], l[3][:n], l[4][:n], l[5][:n]
	b4, b3, b2, b1, b0 := l[6][:n], l[7][:n], l[8][:n], l[9][:n], l[10][:n]
	for i := range dst {
		dst[i] = k0*a5[i] + k1*(a4[i]+b4[i]) + k2*(a3[i]+b3[i]) + k3*(a2[i]+b2[i]) + k4*(a1[i]+b1[i]) + k5*(a0[i]+b0[i])
	}
}

func similarity(m *[4][]float64, n int) float64 {
	mx, my, ms, mp := m[0][:n], m[1][:n], m[2][:n], m[3][:n]
	total := 0.0
	for i := range n {
		x, y := mx[i], my[i]
		xx, yy, xy := x*x, y*y, x*y
		cov := mp[i] - xy
		vars := ms[i] - xx - yy
		// The means themselves, not those relative to 128.
		lx, ly := x+128, y+128
		total += (2*lx*ly + c1) * (2*cov + c2) / ((lx*lx + ly*ly + c1) * (vars + c2))
	}
	return total
}
