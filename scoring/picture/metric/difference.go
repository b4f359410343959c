package metric

import (
	"math"
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

// quickTables hold what [DeltaE2000] of two sRGB colours takes, at small steps;
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
		l := Linear(uint8(v)) * fSteps
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

func (t *quickTables) lab(r, g, b uint8) Lab {
	u, v, w := &t.xyz[0][r], &t.xyz[1][g], &t.xyz[2][b]
	x, y, z := u[0]+v[0]+w[0], u[1]+v[1]+w[1], u[2]+v[2]+w[2]
	i, j, k := int(x), int(y), int(z)
	f, g1, h := t.f[i:i+2:i+2], t.f[j:j+2:j+2], t.f[k:k+2:k+2]
	fx := f[0] + (x-float64(i))*(f[1]-f[0])
	fy := g1[0] + (y-float64(j))*(g1[1]-g1[0])
	fz := h[0] + (z-float64(k))*(h[1]-h[0])
	return Lab{116*fy - 16, 500 * (fx - fy), 200 * (fy - fz)}
}

func between(t []step, at float64) float64 {
	i := int(at)
	s := t[i]
	return float64(s.v) + (at-float64(i))*float64(s.d)
}

// batch is how many pairs of colours are worked on in one go. Each step of the
// formula is done for all of them before the next, so that the processor does
// not wait for one root after another.
const batch = 128

// A batchOf holds pairs of colours in work.
type batchOf struct {
	n      int
	pixel  [batch]int32 // which pixel of the part this is
	p, q   [batch]Lab
	cp, cq [batch]float64 // chroma
	dH     [batch]float64
	at     [batch]float64 // mean hue, as a position in the table
	result [batch]float64
}

// differences sets result to [DeltaE2000] of every pair; colours are of sRGB.
func (t *quickTables) differences(w *batchOf) {
	for i := range w.n {
		p, q := &w.p[i], &w.q[i]
		mean := math.Sqrt(p.A*p.A+p.B*p.B) + math.Sqrt(q.A*q.A+q.B*q.B)
		g := 1.5 - 0.5*between(t.chroma, mean*(chromaSteps/2))
		p.A *= g
		q.A *= g
		w.cp[i], w.cq[i] = math.Sqrt(p.A*p.A+p.B*p.B), math.Sqrt(q.A*q.A+q.B*q.B)
	}
	for i := range w.n {
		p, q, cp, cq := &w.p[i], &w.q[i], w.cp[i], w.cq[i]
		cc := cp * cq
		half := (cc + p.A*q.A + p.B*q.B) / 2
		if half <= 1e-6*cc { // a grey, or opposite hues
			sin, cos, dH := meanHue(p.A, p.B, cp, q.A, q.B, cq)
			w.dH[i], w.at[i] = dH, place(cos, sin)
			continue
		}
		w.dH[i] = (p.A*q.B - q.A*p.B) / math.Sqrt(half)
		w.at[i] = place(p.A*cq+q.A*cp, p.B*cq+q.B*cp)
	}
	for i := range w.n {
		p, q, cp, cq, at := &w.p[i], &w.q[i], w.cp[i], w.cq[i], w.at[i]
		hue := &t.hue[int(at)]
		at -= float64(int(at))
		turn := float64(hue.t.v) + at*float64(hue.t.d)
		rotation := float64(hue.rotation.v) + at*float64(hue.rotation.d)
		cm := (cp + cq) / 2
		l := (q.L - p.L) * between(t.light, (p.L+q.L)*(lightSteps/2))
		sc, sh := 1+0.045*cm, 1+0.015*cm*turn
		inverse := 1 / (sc * sh)
		c, h := (cq-cp)*sh*inverse, w.dH[i]*sc*inverse
		rotation *= 2 * between(t.chroma, cm*chromaSteps)
		w.result[i] = math.Sqrt(max(0, l*l+c*c+h*h-rotation*c*h))
	}
}

// place returns where a direction lies in the table of hues.
func place(x, y float64) float64 {
	at := y / (math.Abs(x) + math.Abs(y))
	return (2 - math.Copysign(1-at, x)) * (hueSteps / 4)
}

// deltaE returns mean and 99th percentile of the colour differences, and the
// share beyond Threshold.
func deltaE(a, b *raster.RGB) (DeltaE, float64) {
	n := a.Width * a.Height
	all := make([]float32, n)
	var sums [Workers]float64
	var counts [Workers]*histogram
	split(n, func(part, from, to int) {
		counts[part] = new(histogram)
		sums[part] = deltaPart(all[from:to], a.Pix[3*from:3*to], b.Pix[3*from:3*to], counts[part])
	})
	total, count := 0.0, counts[0]
	for k := range Workers {
		total += sums[k]
		if k > 0 {
			for i, c := range counts[k] {
				count[i] += c
			}
		}
	}
	at := 0.99 * float64(n-1)
	k := int(at)
	lo, hi := orderStatistics(all, count, k)
	return DeltaE{total / float64(n), lo + (at-float64(k))*(hi-lo)}, float64(beyond(all, count)) / float64(n)
}

// deltaPart sets out to the differences of the pixels, counts them, and returns
// their sum.
func deltaPart(out []float32, a, b []uint8, count *histogram) (sum float64) {
	t := tables()
	w := new(batchOf)
	flush := func() {
		t.differences(w)
		for i, d := range w.result[:w.n] {
			sum += d
			v := float32(d)
			out[w.pixel[i]] = v
			count[math.Float32bits(v)>>16]++
		}
		w.n = 0
	}
	for i := range out {
		p, q := a[3*i:3*i+3:3*i+3], b[3*i:3*i+3:3*i+3]
		if p[0] == q[0] && p[1] == q[1] && p[2] == q[2] {
			count[0]++
			continue
		}
		k := w.n % batch
		w.pixel[k] = int32(i)
		w.p[k], w.q[k] = t.lab(p[0], p[1], p[2]), t.lab(q[0], q[1], q[2])
		if w.n = k + 1; w.n == batch {
			flush()
		}
	}
	flush()
	return sum
}

// beyond returns how many values are above Threshold.
func beyond(v []float32, count *histogram) (n int) {
	edge := int(math.Float32bits(Threshold) >> 16)
	for _, c := range count[edge+1:] {
		n += int(c)
	}
	if count[edge] > 0 {
		for _, x := range v {
			if int(math.Float32bits(x)>>16) == edge && x > Threshold {
				n++
			}
		}
	}
	return n
}

// A histogram counts values that are not negative by the upper half of their
// bits.
type histogram [1 << 15]int32

// orderStatistics returns the k-th smallest (from 0) of values and the one after
// it, if any, by counting on the upper and then the lower half of their bits.
func orderStatistics(v []float32, count *histogram, k int) (at, after float64) {
	high := 0
	for k >= int(count[high]) {
		k -= int(count[high])
		high++
	}
	inside := int(count[high])
	low := make([]int32, 1<<16)
	least := float32(math.Inf(1)) // of the values beyond
	for _, x := range v {
		switch b := math.Float32bits(x); {
		case int(b>>16) == high:
			low[b&0xFFFF]++
		case int(b>>16) > high:
			least = min(least, x)
		}
	}
	value := func(i int) float64 { return float64(math.Float32frombits(uint32(high)<<16 | uint32(i))) }
	i := 0
	for k >= int(low[i]) {
		k -= int(low[i])
		inside -= int(low[i])
		i++
	}
	switch {
	case k+1 < int(low[i]):
		return value(i), value(i)
	case inside > int(low[i]):
		next := i + 1
		for low[next] == 0 {
			next++
		}
		return value(i), value(next)
	case !math.IsInf(float64(least), 1):
		return value(i), float64(least)
	}
	return value(i), value(i)
}
