package metric

import (
	"math"
	"slices"
	"sync"

	"proveout/scoring/picture/raster"
)

const (
	fSteps      = 1 << 15
	hueSteps    = 1 << 13
	chromaSteps = 128 // a unit of chroma
	chromaMost  = 180 // beyond every colour that sRGB has
	lightSteps  = 32  // a unit of lightness
)

// quickTables hold what the colour difference of two sRGB colours takes, at small steps;
// values are taken linear between steps. L, a and b are then off by less than
// 1e-4, and the difference of two colours by less than 1e-5 of itself.
type quickTables struct {
	xyz    [3][256][3]float64 // sRGB curve times the matrix, in steps of f
	f      []float64          // labF
	light  []step             // lightWeight
	chroma []step             // chromaWeight
	hue    []hueStep          // hueTerms for each position on the diamond |x|+|y| = 1
}

// A step is a value with the way to the next one.
type step struct{ v, d float32 }

type hueStep struct{ t, rotation step }

func steps(n int, f func(i int) float64) []step {
	s := make([]step, n)
	next := f(0)
	for i := range s {
		v := next
		next = f(i + 1)
		s[i] = step{float32(v), float32(next - v)}
	}
	return s
}

var tables = sync.OnceValue(func() *quickTables {
	t := &quickTables{f: make([]float64, fSteps+3), hue: make([]hueStep, hueSteps+1)}
	for v := range 256 {
		l := linear(uint8(v)) * fSteps
		for ch, k := range [3][3]float64{{xr, yr, zr}, {xg, yg, zg}, {xb, yb, zb}} {
			t.xyz[ch][v] = [3]float64{k[0] * l / (xr + xg + xb), k[1] * l / (yr + yg + yb), k[2] * l / (zr + zg + zb)}
		}
	}
	for i := range t.f {
		t.f[i] = labF(float64(i) / fSteps)
	}
	t.light = steps(100*lightSteps+2, func(i int) float64 { return lightWeight(float64(i) / lightSteps) })
	t.chroma = steps(chromaMost*chromaSteps, func(i int) float64 { return chromaWeight(float64(i) / chromaSteps) })
	angles := func(i int) (float64, float64) {
		at := float64(i)/(hueSteps/4) - 1 // from the lowest corner anticlockwise
		x, y := 1-math.Abs(at), at
		if at > 1 {
			y = 2 - at
			x = math.Abs(y) - 1
		}
		n := math.Hypot(x, y)
		return hueTerms(y/n, x/n)
	}
	turn := steps(hueSteps+1, func(i int) float64 { v, _ := angles(i); return v })
	rotation := steps(hueSteps+1, func(i int) float64 { _, v := angles(i); return v })
	for i := range t.hue {
		t.hue[i] = hueStep{turn[i], rotation[i]}
	}
	return t
})

func (t *quickTables) lab(r, g, b uint8) lab {
	u, v, w := &t.xyz[0][r], &t.xyz[1][g], &t.xyz[2][b]
	x, y, z := u[0]+v[0]+w[0], u[1]+v[1]+w[1], u[2]+v[2]+w[2]
	i, j, k := int(x), int(y), int(z)
	f, g1, h := t.f[i:i+2:i+2], t.f[j:j+2:j+2], t.f[k:k+2:k+2]
	fx := f[0] + (x-float64(i))*(f[1]-f[0])
	fy := g1[0] + (y-float64(j))*(g1[1]-g1[0])
	fz := h[0] + (z-float64(k))*(h[1]-h[0])
	return lab{116*fy - 16, 500 * (fx - fy), 200 * (fy - fz)}
}

func between(t []step, at float64) float64 {
	i := int(at)
	s := t[i]
	return float64(s.v) + (at-float64(i))*float64(s.d)
}

// difference is the colour difference of two sRGB colours.
func (t *quickTables) difference(p, q lab) float64 {
	mean := math.Sqrt(p.a*p.a+p.b*p.b) + math.Sqrt(q.a*q.a+q.b*q.b)
	g := 1.5 - 0.5*between(t.chroma, mean*(chromaSteps/2))
	p.a *= g
	q.a *= g
	cp, cq := math.Sqrt(p.a*p.a+p.b*p.b), math.Sqrt(q.a*q.a+q.b*q.b)
	cc := cp * cq
	var dH, at float64 // the mean hue as a position in the table
	if half := (cc + p.a*q.a + p.b*q.b) / 2; half > 1e-6*cc {
		dH = (p.a*q.b - q.a*p.b) / math.Sqrt(half)
		at = place(p.a*cq+q.a*cp, p.b*cq+q.b*cp)
	} else { // a grey, or opposite hues
		var sin, cos float64
		sin, cos, dH = meanHue(p.a, p.b, cp, q.a, q.b, cq)
		at = place(cos, sin)
	}
	hue := &t.hue[int(at)]
	at -= float64(int(at))
	turn := float64(hue.t.v) + at*float64(hue.t.d)
	rotation := float64(hue.rotation.v) + at*float64(hue.rotation.d)
	cm := (cp + cq) / 2
	l := (q.l - p.l) * between(t.light, (p.l+q.l)*(lightSteps/2))
	sc, sh := 1+0.045*cm, 1+0.015*cm*turn
	inverse := 1 / (sc * sh)
	c, h := (cq-cp)*sh*inverse, dH*sc*inverse
	rotation *= 2 * between(t.chroma, cm*chromaSteps)
	return math.Sqrt(max(0, l*l+c*c+h*h-rotation*c*h))
}

// place returns where a direction lies in the table of hues.
func place(x, y float64) float64 {
	at := y / (math.Abs(x) + math.Abs(y))
	return (2 - math.Copysign(1-at, x)) * (hueSteps / 4)
}

// deltaE returns mean and 99th percentile of the colour differences, and the
// share beyond threshold.
func deltaE(a, b *raster.RGB) (DeltaE, float64) {
	n := a.Width * a.Height
	all := make([]float32, n)
	var sums [workers]float64
	var counts [workers]*histogram
	split(n, func(part, from, to int) {
		counts[part] = new(histogram)
		sums[part] = deltaPart(all[from:to], a.Pix[3*from:3*to], b.Pix[3*from:3*to], counts[part])
	})
	total, count := 0.0, counts[0]
	for k := range workers {
		total += sums[k]
		if k > 0 {
			for i, c := range counts[k] {
				count[i] += c
			}
		}
	}
	at := 0.99 * float64(n-1)
	k := int(at)
	low, high := orderStatistics(all, count, k)
	p99 := float64(low) + (at-float64(k))*(float64(high)-float64(low))
	return DeltaE{total / float64(n), p99}, float64(beyond(all, count)) / float64(n)
}

// deltaPart sets out to the differences of the pixels, counts them, and returns
// their sum.
func deltaPart(out []float32, a, b []uint8, count *histogram) (sum float64) {
	t := tables()
	for i := range out {
		p, q := a[3*i:3*i+3:3*i+3], b[3*i:3*i+3:3*i+3]
		if p[0] == q[0] && p[1] == q[1] && p[2] == q[2] {
			count[0]++
			continue
		}
		d := t.difference(t.lab(p[0], p[1], p[2]), t.lab(q[0], q[1], q[2]))
		sum += d
		out[i] = float32(d)
		count[upperHalf(out[i])]++
	}
	return sum
}

// beyond returns how many values are above threshold.
func beyond(v []float32, count *histogram) (n int) {
	edge := upperHalf(threshold)
	for _, c := range count[edge+1:] {
		n += int(c)
	}
	if count[edge] > 0 {
		for _, x := range v {
			if upperHalf(x) == edge && x > threshold {
				n++
			}
		}
	}
	return n
}

// A histogram counts values that are not negative by the upper half of their
// bits, which grow with the value.
type histogram [1 << 15]int32

func upperHalf(v float32) int { return int(math.Float32bits(v) >> 16) }

// orderStatistics returns the k-th smallest (from 0) of values and the one after
// it, if any: only the values that share the upper half of its bits are sorted.
func orderStatistics(v []float32, count *histogram, k int) (at, after float32) {
	half := 0
	for k >= int(count[half]) {
		k -= int(count[half])
		half++
	}
	alike := make([]float32, 0, count[half])
	next := float32(math.Inf(1)) // of the values beyond
	for _, x := range v {
		switch h := upperHalf(x); {
		case h == half:
			alike = append(alike, x)
		case h > half:
			next = min(next, x)
		}
	}
	slices.Sort(alike)
	switch {
	case k+1 < len(alike):
		return alike[k], alike[k+1]
	case !math.IsInf(float64(next), 1):
		return alike[k], next
	}
	return alike[k], alike[k]
}
