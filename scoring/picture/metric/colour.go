package metric

import "math"

// A lab is a colour in CIELAB, D65 white.
type lab struct{ l, a, b float64 }

// The terms of the CIEDE2000 colour difference with kL = kC = kH = 1; package
// tests put the formula together from them, and the tables of [quickTables] hold
// them for all sRGB colours.
//
// Source: Sharma, Wu and Dalal, "The CIEDE2000 color-difference formula", Color
// Research & Application 30(1), 2005, equations 2 to 22. The mean hue is taken
// as the direction between the two hues, and the hue difference from their
// cross and dot product, which is the same without the cost of angles.

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

// lightWeight returns 1/S_L of a mean lightness.
func lightWeight(lm float64) float64 {
	d := (lm - 50) * (lm - 50)
	return 1 / (1 + 0.015*d/math.Sqrt(20+d))
}

// hueTerms returns what hangs on the mean hue alone: T, and sin(2Δθ) of
// equation 19.
func hueTerms(s1, k1 float64) (t, rotation float64) {
	const deg = math.Pi / 180
	s2, k2 := 2*s1*k1, k1*k1-s1*s1
	s3, k3 := s2*k1+k2*s1, k2*k1-s2*s1
	s4, k4 := 2*s2*k2, k2*k2-s2*s2
	const cos30, sin30 = 0.8660254037844386, 0.5
	const cos6, sin6 = 0.9945218953682733, 0.10452846326765347
	const cos63, sin63 = 0.4539904997395468, 0.8910065241883678
	t = 1 - 0.17*(k1*cos30+s1*sin30) + 0.24*k2 + 0.32*(k3*cos6-s3*sin6) - 0.20*(k4*cos63+s4*sin63)
	e := (hue(s1, k1)/deg - 275) / 25
	return t, math.Sin(60 * deg * math.Exp(-e*e))
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
