package metric

import (
	"math"
	"slices"
	"sync"

	"proveout/scoring/picture/raster"
)

// A lab is a colour in CIELAB, D65 white.
type lab struct{ l, a, b float64 }

// linear returns the linear light, 0 to 1, of an 8-bit sRGB sample.
// Source: IEC 61966-2-1:1999, transfer function.
func linear(v uint8) float64 {
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

// quickTables hold at small steps what costs most of a colour difference; values
// between are taken linear. L, a and b are then off by less than 1e-4, and the
// difference of two colours by less than 1e-5 of itself.
type quickTables struct {
	linear [256]float64          // of every sample
	f      [fSteps + 3]float64   // labF, from 0 to 1
	hue    [hueSteps + 2]hueTerm // for each place on the diamond |x|+|y| = 1
}

const fSteps, hueSteps = 1 << 15, 1 << 13

// A hueTerm is what hangs on the mean hue alone: T, and sin(2Δθ) of equation 19.
type hueTerm struct{ t, rotation float64 }

var tables = sync.OnceValue(func() *quickTables {
	t := &quickTables{}
	for v := range t.linear {
		t.linear[v] = linear(uint8(v))
	}
	for i := range t.f {
		t.f[i] = labF(float64(i) / fSteps)
	}
	for i := range t.hue {
		y := float64(i)/(hueSteps/4) - 1 // from the lowest corner anticlockwise
		x := 1 - math.Abs(y)
		if y > 1 {
			y = 2 - y
			x = math.Abs(y) - 1
		}
		n := math.Hypot(x, y)
		t.hue[i] = hueTermOf(y/n, x/n)
	}
	return t
})

// lab converts an sRGB colour.
func (t *quickTables) lab(r, g, b uint8) lab {
	f := func(v float64) float64 {
		i := int(v * fSteps)
		return t.f[i] + (v*fSteps-float64(i))*(t.f[i+1]-t.f[i])
	}
	x, y, z := t.linear[r], t.linear[g], t.linear[b]
	fx := f((xr*x + xg*y + xb*z) / (xr + xg + xb))
	fy := f(yr*x + yg*y + yb*z)
	fz := f((zr*x + zg*y + zb*z) / (zr + zg + zb))
	return lab{116*fy - 16, 500 * (fx - fy), 200 * (fy - fz)}
}

// hueTerms are those of a direction.
func (t *quickTables) hueTerms(x, y float64) (turn, rotation float64) {
	at := y / (math.Abs(x) + math.Abs(y))
	at = (2 - math.Copysign(1-at, x)) * (hueSteps / 4)
	i := int(at)
	low, high, share := t.hue[i], t.hue[i+1], at-float64(i)
	return low.t + share*(high.t-low.t), low.rotation + share*(high.rotation-low.rotation)
}

// difference is the CIEDE2000 colour difference with kL = kC = kH = 1.
//
// Source: Sharma, Wu and Dalal, "The CIEDE2000 color-difference formula", Color
// Research & Application 30(1), 2005, equations 2 to 22. The mean hue is taken
// as the direction between the two hues, and the hue difference from their
// cross and dot product, which is the same without the cost of angles.
func (t *quickTables) difference(p, q lab) float64 {
	length := func(a, b float64) float64 { return math.Sqrt(a*a + b*b) }
	g := 1.5 - 0.5*chromaWeight((length(p.a, p.b)+length(q.a, q.b))/2)
	p.a *= g
	q.a *= g
	cp, cq := length(p.a, p.b), length(q.a, q.b)
	x, y, dH := meanHue(p, q, cp, cq)
	cm := (cp + cq) / 2
	turn, rotation := t.hueTerms(x, y)
	l := (q.l - p.l) * lightWeight((p.l+q.l)/2)
	c := (cq - cp) / (1 + 0.045*cm)
	h := dH / (1 + 0.015*cm*turn)
	return math.Sqrt(max(0, l*l+c*c+h*h-2*chromaWeight(cm)*rotation*c*h))
}

// lightWeight returns 1/S_L of a mean lightness.
func lightWeight(lm float64) float64 {
	d := (lm - 50) * (lm - 50)
	return 1 / (1 + 0.015*d/math.Sqrt(20+d))
}

// hueTermOf works out one term from sine and cosine of the mean hue.
func hueTermOf(s1, k1 float64) hueTerm {
	const deg = math.Pi / 180
	s2, k2 := 2*s1*k1, k1*k1-s1*s1
	s3, k3 := s2*k1+k2*s1, k2*k1-s2*s1
	s4, k4 := 2*s2*k2, k2*k2-s2*s2
	const cos30, sin30 = 0.8660254037844386, 0.5
	const cos6, sin6 = 0.9945218953682733, 0.10452846326765347
	const cos63, sin63 = 0.4539904997395468, 0.8910065241883678
	t := 1 - 0.17*(k1*cos30+s1*sin30) + 0.24*k2 + 0.32*(k3*cos6-s3*sin6) - 0.20*(k4*cos63+s4*sin63)
	e := (hue(s1, k1)/deg - 275) / 25
	return hueTerm{t, math.Sin(60 * deg * math.Exp(-e*e))}
}

// meanHue returns the direction of the mean hue of two colours of chroma cp and
// cq, and their hue difference ΔH'.
func meanHue(p, q lab, cp, cq float64) (x, y, dH float64) {
	if cp == 0 && cq == 0 {
		return 1, 0, 0
	}
	if cp == 0 || cq == 0 { // the mean hue is then the sum of both, one of them 0
		return p.a + q.a, p.b + q.b, 0
	}
	cross, dot, cc := p.a*q.b-q.a*p.b, p.a*q.a+p.b*q.b, cp*cq
	if half := (cc + dot) / 2; half > 1e-6*cc {
		return p.a*cq + q.a*cp, p.b*cq + q.b*cp, cross / math.Sqrt(half)
	}
	// Opposite hues: which side of the circle the mean lies on hangs on the
	// angles themselves. Rounding must not decide: up to 1e-9 rad beyond 180°
	// still counts as 180° (pair 10 of Table 1).
	hp, hq := hue(p.b, p.a), hue(q.b, q.a)
	dh, hm := hq-hp, (hp+hq)/2
	switch {
	case dh > math.Pi+1e-9:
		dh -= 2 * math.Pi
		hm += math.Pi
	case dh < -math.Pi-1e-9:
		dh += 2 * math.Pi
		hm += math.Pi
	}
	y, x = math.Sincos(hm)
	return x, y, 2 * math.Sqrt(cc) * math.Sin(dh/2)
}

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
// share beyond threshold.
func deltaE(a, b *raster.RGB) (DeltaE, float64) {
	n := a.Width * a.Height
	all := make([]float32, n)
	var sums [workers]float64
	split(n, func(part, from, to int) {
		sums[part] = differences(all[from:to], a.Pix[3*from:3*to], b.Pix[3*from:3*to])
	})
	total, beyond := 0.0, 0
	for _, sum := range sums {
		total += sum
	}
	for _, d := range all {
		if d > threshold {
			beyond++
		}
	}
	return DeltaE{total / float64(n), quantile(all, 0.99)}, float64(beyond) / float64(n)
}

// differences sets out to the differences of pixels, and returns their sum.
func differences(out []float32, a, b []uint8) (sum float64) {
	t := tables()
	for i := range out {
		p, q := a[3*i:3*i+3:3*i+3], b[3*i:3*i+3:3*i+3]
		if p[0] == q[0] && p[1] == q[1] && p[2] == q[2] {
			continue
		}
		d := t.difference(t.lab(p[0], p[1], p[2]), t.lab(q[0], q[1], q[2]))
		sum += d
		out[i] = float32(d)
	}
	return sum
}

// quantile is linear between order statistics. Values are counted by whole numbers
// first, so that only those from the one below the quantile on have to be sorted.
func quantile(values []float32, share float64) float64 {
	var count [256]int
	for _, v := range values {
		count[int(v)]++
	}
	at := share * float64(len(values)-1)
	rank, whole := int(at), 0
	for rank >= count[whole] {
		rank -= count[whole]
		whole++
	}
	var upper []float64
	for _, v := range values {
		if int(v) >= whole {
			upper = append(upper, float64(v))
		}
	}
	slices.Sort(upper)
	next := upper[min(rank+1, len(upper)-1)]
	return upper[rank] + (at-math.Floor(at))*(next-upper[rank])
}
