package metric

import (
	"math"
	"sync"

	"proveout/scoring/picture/raster"
)

// A Lab is a colour in CIELAB, D65 white.
type Lab struct{ L, A, B float64 }

// Linear returns the linear light, 0 to 1, of an 8-bit sRGB sample.
// Source: IEC 61966-2-1:1999, transfer function.
func Linear(v uint8) float64 {
	x := float64(v) / 255
	if x <= 0.04045 {
		return x / 12.92
	}
	return math.Pow((x+0.055)/1.055, 2.4)
}

// The matrix from linear sRGB to XYZ (IEC 61966-2-1; six-digit form, from
// memory), and the D65 white as its row sums, so that white is exactly neutral.
const (
	xr, xg, xb = 0.412453, 0.357580, 0.180423
	yr, yg, yb = 0.212671, 0.715160, 0.072169
	zr, zg, zb = 0.019334, 0.119193, 0.950227
)

// labF is the function f of CIE 15:2004, section 8.2.1.1.
func labF(t float64) float64 {
	if t > 216.0/24389 {
		return math.Cbrt(t)
	}
	return (24389.0/27*t + 16) / 116
}

// ToLab converts an sRGB colour to CIELAB.
func ToLab(r, g, b uint8) Lab {
	x, y, z := Linear(r), Linear(g), Linear(b)
	fx := labF((xr*x + xg*y + xb*z) / (xr + xg + xb))
	fy := labF(yr*x + yg*y + yb*z)
	fz := labF((zr*x + zg*y + zb*z) / (zr + zg + zb))
	return Lab{116*fy - 16, 500 * (fx - fy), 200 * (fy - fz)}
}

// labTables hold the sRGB curve times the matrix, and f at small steps; f is
// taken linear between steps, which is off by less than 1e-4 in L, a or b.
type labTables struct {
	x, y, z [3][256]float64
	f       []float64
}

const fSteps = 1 << 15

var tables = sync.OnceValue(func() *labTables {
	t := &labTables{f: make([]float64, fSteps+3)}
	for v := range 256 {
		l := Linear(uint8(v))
		for ch, k := range [3][3]float64{{xr, yr, zr}, {xg, yg, zg}, {xb, yb, zb}} {
			t.x[ch][v] = k[0] * l / (xr + xg + xb) * fSteps
			t.y[ch][v] = k[1] * l / (yr + yg + yb) * fSteps
			t.z[ch][v] = k[2] * l / (zr + zg + zb) * fSteps
		}
	}
	for i := range t.f {
		t.f[i] = labF(float64(i) / fSteps)
	}
	return t
})

func (t *labTables) lab(r, g, b uint8) Lab {
	f := func(s float64) float64 {
		i := int(s)
		return t.f[i] + (s-float64(i))*(t.f[i+1]-t.f[i])
	}
	fx := f(t.x[0][r] + t.x[1][g] + t.x[2][b])
	fy := f(t.y[0][r] + t.y[1][g] + t.y[2][b])
	fz := f(t.z[0][r] + t.z[1][g] + t.z[2][b])
	return Lab{116*fy - 16, 500 * (fx - fy), 200 * (fy - fz)}
}

// DeltaE2000 returns the CIEDE2000 colour difference with kL = kC = kH = 1.
//
// Source: Sharma, Wu and Dalal, "The CIEDE2000 color-difference formula", Color
// Research & Application 30(1), 2005, equations 2 to 22. The mean hue is taken
// as the direction between the two hues, and the hue difference from their
// cross and dot product, which is the same without the cost of angles.
func DeltaE2000(p, q Lab) float64 { return deltaE2000(p, q, hueTable()) }

func deltaE2000(p, q Lab, hues []float64) float64 {
	cp, cq := math.Sqrt(p.A*p.A+p.B*p.B), math.Sqrt(q.A*q.A+q.B*q.B)
	g := 1 + 0.5*(1-chromaWeight((cp+cq)/2))
	ap, aq := p.A*g, q.A*g
	cp, cq = math.Sqrt(ap*ap+p.B*p.B), math.Sqrt(aq*aq+q.B*q.B)
	s1, k1, dH := meanHue(ap, p.B, cp, aq, q.B, cq)
	dL, dC := q.L-p.L, cq-cp
	lm, cm := (p.L+q.L)/2, (cp+cq)/2

	// The four cosines of T from sine and cosine of the mean hue.
	s2, k2 := 2*s1*k1, k1*k1-s1*s1
	s3, k3 := s2*k1+k2*s1, k2*k1-s2*s1
	s4, k4 := 2*s2*k2, k2*k2-s2*s2
	const cos30, sin30 = 0.8660254037844386, 0.5
	const cos6, sin6 = 0.9945218953682733, 0.10452846326765347
	const cos63, sin63 = 0.4539904997395468, 0.8910065241883678
	t := 1 - 0.17*(k1*cos30+s1*sin30) + 0.24*k2 + 0.32*(k3*cos6-s3*sin6) - 0.20*(k4*cos63+s4*sin63)

	l50 := (lm - 50) * (lm - 50)
	l := dL / (1 + 0.015*l50/math.Sqrt(20+l50))
	c := dC / (1 + 0.045*cm)
	h := dH / (1 + 0.015*cm*t)
	return math.Sqrt(max(0, l*l+c*c+h*h+rotation(s1, k1, cm, hues)*c*h))
}

// meanHue returns sine and cosine of the mean hue and the hue difference ΔH'.
func meanHue(ap, bp, cp, aq, bq, cq float64) (sin, cos, dH float64) {
	if cp == 0 || cq == 0 { // the mean hue is then the sum of both, one of them 0
		if c := cp + cq; c > 0 {
			return (bp + bq) / c, (ap + aq) / c, 0
		}
		return 0, 1, 0
	}
	cross, dot, cc := ap*bq-aq*bp, ap*aq+bp*bq, cp*cq
	if half := (cc + dot) / 2; half > 1e-6*cc {
		x, y := ap*cq+aq*cp, bp*cq+bq*cp
		n := 1 / math.Sqrt(x*x+y*y)
		return y * n, x * n, cross / math.Sqrt(half)
	}
	// Opposite hues: which side of the circle the mean lies on hangs on the
	// angles themselves. Rounding must not decide: up to 1e-9 rad beyond 180°
	// still counts as 180° (pair 10 of Table 1).
	hp, hq := hue(bp, ap), hue(bq, aq)
	dh, hm := hq-hp, (hp+hq)/2
	switch {
	case dh > math.Pi+1e-9:
		dh -= 2 * math.Pi
		hm += math.Pi
	case dh < -math.Pi-1e-9:
		dh += 2 * math.Pi
		hm += math.Pi
	}
	sin, cos = math.Sincos(hm)
	return sin, cos, 2 * math.Sqrt(cc) * math.Sin(dh/2)
}

// rotation returns R_T. Its part that hangs on the mean hue comes from a table
// over the position on the diamond |x| + |y| = 1, linear between steps, which is
// off by less than 1e-6.
func rotation(sin, cos, chroma float64, hues []float64) float64 {
	at := sin / (math.Abs(sin) + math.Abs(cos))
	if cos < 0 {
		at = 2 - at
	} else if at < 0 {
		at += 4
	}
	at *= hueSteps / 4
	i := int(at)
	v := hues[i] + (at-float64(i))*(hues[i+1]-hues[i])
	if v == 0 {
		return 0
	}
	return -2 * chromaWeight(chroma) * v
}

const hueSteps = 1 << 14

// hueTable holds sin(2Δθ) of equation 19 for each position on the diamond.
var hueTable = sync.OnceValue(func() []float64 {
	const deg = math.Pi / 180
	t := make([]float64, hueSteps+2)
	for i := range t {
		at := float64(i) / (hueSteps / 4)
		y, x := at, 1-at // first quarter
		switch {
		case at >= 3:
			y, x = at-4, at-3
		case at >= 1:
			y, x = 2-at, 1-at
			if at > 2 {
				x = at - 3
			}
		}
		hm := math.Atan2(y, x) / deg
		if hm < 0 {
			hm += 360
		}
		e := (hm - 275) / 25
		if t[i] = math.Sin(60 * deg * math.Exp(-e*e)); t[i] < 1e-9 {
			t[i] = 0
		}
	}
	return t
})

// chromaWeight returns √(c⁷/(c⁷+25⁷)).
func chromaWeight(c float64) float64 {
	c7 := c * c * c
	c7 *= c7 * c
	return math.Sqrt(c7 / (c7 + 6103515625))
}

func hue(b, a float64) float64 {
	if a == 0 && b == 0 {
		return 0
	}
	h := math.Atan2(b, a)
	if h < 0 {
		h += 2 * math.Pi
	}
	return h
}

// deltaE returns mean and 99th percentile of the colour differences, and the
// share beyond Threshold.
func deltaE(a, b *raster.RGB) (DeltaE, float64) {
	n := a.Width * a.Height
	t, hues := tables(), hueTable()
	all := make([]float32, n)
	var sums [Workers]float64
	var beyond [Workers]int
	split(n, func(part, from, to int) {
		for i := from; i < to; i++ {
			pa, pb := a.Pix[3*i:3*i+3:3*i+3], b.Pix[3*i:3*i+3:3*i+3]
			if pa[0] == pb[0] && pa[1] == pb[1] && pa[2] == pb[2] {
				continue
			}
			d := deltaE2000(t.lab(pa[0], pa[1], pa[2]), t.lab(pb[0], pb[1], pb[2]), hues)
			all[i] = float32(d)
			sums[part] += d
			if d > Threshold {
				beyond[part]++
			}
		}
	})
	total, count := 0.0, 0
	for k := range Workers {
		total += sums[k]
		count += beyond[k]
	}
	at := 0.99 * float64(n-1)
	k := int(at)
	lo := orderStatistic(all, k)
	hi := orderStatistic(all, min(k+1, n-1))
	return DeltaE{total / float64(n), lo + (at-float64(k))*(hi-lo)}, float64(count) / float64(n)
}

// orderStatistic returns the k-th smallest (from 0) of values that are not
// negative, by counting on the upper and then the lower half of their bits.
func orderStatistic(v []float32, k int) float64 {
	count := make([]int, 1<<16)
	for _, x := range v {
		count[math.Float32bits(x)>>16]++
	}
	high := 0
	for k >= count[high] {
		k -= count[high]
		high++
	}
	clear(count)
	for _, x := range v {
		if b := math.Float32bits(x); int(b>>16) == high {
			count[b&0xFFFF]++
		}
	}
	low := 0
	for k >= count[low] {
		k -= count[low]
		low++
	}
	return float64(math.Float32frombits(uint32(high)<<16 | uint32(low)))
}
