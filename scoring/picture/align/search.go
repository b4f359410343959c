package align

import (
	"math"
	"math/cmplx"
	"sort"

	"proveout/scoring/picture/raster"
)

// search looks for scale and shift from nothing: it resamples the capture at
// each scale of a ladder and correlates it with parts of the pattern through
// the Fourier transform. It offers fits, likely ones first, until one is
// accepted: a part may have landed on displaced content.
func search(p, c plane, t Texture, accept func(Fit) bool) {
	type found struct {
		fit   Fit
		score float64
	}
	var all []found
	parts := finest(p)
	if t == Coarse {
		parts = parts[:1]
	}
	for _, w := range parts {
		if t == Coarse {
			w = place{0, 0, p.w, p.h}
		}
		part := newPart(p, w)
		scales := ladder(p, c)
		for i := 0; i < len(scales); i += 2 { // two scales for the price of one
			two := scales[i:min(i+2, len(scales))]
			fits, scores := part.correlate(c, two)
			for k := range two {
				all = append(all, found{fits[k], scores[k]})
				if t == Fine && scores[k] > 18 && accept(fits[k]) {
					return
				}
			}
		}
	}
	sort.SliceStable(all, func(a, b int) bool { return all[a].score > all[b].score })
	for _, f := range all[:min(len(all), 6)] {
		if accept(f.fit) {
			return
		}
	}
}

// finest lists the parts of a fine pattern that are looked for.
func finest(p plane) []place {
	return []place{{p.w/2 - 32, p.h/2 - 32, 64, 64}, {p.w / 5, p.h / 5, 64, 64}, {3 * p.w / 5, 3 * p.h / 5, 64, 64},
		{p.w / 2, max(0, p.h-24*max(2, (p.h+75)/150)/2-66), 64, min(64, p.h)}}
}

// Trace looks for where in the pattern a part of a capture belongs that is
// already on the grid of the pattern. It returns the displacement from there to
// where it is shown and how far the match stands out, in standard deviations.
// It searches about 90 pixels in each direction.
func Trace(grid, pattern *raster.RGB, x, y, w, h int) (dx, dy int, score float64) {
	part := newPart(brightness(grid), place{x, y, min(w, 64), min(h, 64)})
	fits, scores := part.correlate(brightness(pattern), []float64{1})
	return -int(math.Round(fits[0].ShiftX)), -int(math.Round(fits[0].ShiftY)), scores[0]
}

// ladder lists the scales to try: those that the sizes suggest, then steps of
// 3 percent.
func ladder(p, c plane) []float64 {
	out := []float64{1, float64(c.w) / float64(p.w), float64(c.h) / float64(p.h)}
	for s := minScale; s < maxScale; s *= 1.03 {
		out = append(out, s)
	}
	keep := out[:0]
	for _, s := range out {
		if s >= minScale && s <= maxScale {
			keep = append(keep, s)
		}
	}
	return keep
}

const side = 256 // of the transform

// A part is a part of the pattern, transformed, with its mean taken off.
type part struct {
	place
	d        int // pattern pixels per sample
	w, h     int // samples
	mx, my   int // samples left and above it, with no shift
	spectrum []complex128
}

func newPart(p plane, w place) *part {
	q := &part{place: w, d: 1, spectrum: make([]complex128, side*side)}
	for w.w/q.d > 200 || w.h/q.d > 200 {
		q.d++
	}
	q.w, q.h = w.w/q.d, w.h/q.d
	q.mx, q.my = (side-q.w)/2, (side-q.h)/2
	mean := 0.0
	for j := range q.h {
		for i := range q.w {
			v := q.sample(p, float64(w.x)+(float64(i)+0.5)*float64(q.d), float64(w.y)+(float64(j)+0.5)*float64(q.d), float64(q.d))
			q.spectrum[j*side+i] = complex(v, 0)
			mean += v
		}
	}
	mean /= float64(q.w * q.h)
	for j := range q.h {
		for i := range q.w {
			q.spectrum[j*side+i] -= complex(mean, 0)
		}
	}
	transform2(q.spectrum, -1)
	return q
}

// sample is the mean over one sample.
func (q *part) sample(pl plane, x, y, step float64) float64 {
	if q.d == 1 {
		return float64(pl.at(x, y))
	}
	var s float64
	for j := range 3 {
		for i := range 3 {
			s += float64(pl.at(x+(float64(i)-1)*step/3, y+(float64(j)-1)*step/3))
		}
	}
	return s / 9
}

// capture reads the capture at one scale around the part, with its mean taken
// off, into the real values of v, or into the imaginary ones. It reports false
// when the capture lies elsewhere.
func (q *part) capture(v []complex128, c plane, scale float64, imaginary bool) bool {
	unit := complex(1, 0)
	if imaginary {
		unit = 1i
	}
	mean, n := 0.0, 0.0
	inside := make([]bool, side*side)
	for j := range side {
		y := scale * (float64(q.y) + (float64(j-q.my)+0.5)*float64(q.d))
		for i := range side {
			x := scale * (float64(q.x) + (float64(i-q.mx)+0.5)*float64(q.d))
			if x >= 0 && y >= 0 && x < float64(c.w) && y < float64(c.h) {
				u := q.sample(c, x, y, scale*float64(q.d))
				v[j*side+i] += complex(u, 0) * unit
				inside[j*side+i] = true
				mean += u
				n++
			}
		}
	}
	for i := range v {
		if inside[i] {
			v[i] -= complex(mean/n, 0) * unit
		}
	}
	return n > 0
}

// correlate returns the best shift of the part at one or two scales, and how far
// the peak stands out, in standard deviations. Of two scales, one is held in the
// real and one in the imaginary values; a correlation with a real part keeps
// them apart.
func (q *part) correlate(c plane, scales []float64) (fits [2]Fit, scores [2]float64) {
	v := make([]complex128, side*side)
	var there [2]bool
	for k, s := range scales {
		there[k] = q.capture(v, c, s, k == 1)
		fits[k] = Fit{ScaleX: s, ScaleY: s}
	}
	transform2(v, -1)
	for i, a := range q.spectrum {
		v[i] *= cmplx.Conj(a)
	}
	transform2(v, 1)
	for k, s := range scales {
		if there[k] {
			fits[k].ShiftX, fits[k].ShiftY, scores[k] = q.peak(v, s, k == 1)
		}
	}
	return fits, scores
}

// peak returns the shift of the highest value and how far it stands out.
func (q *part) peak(v []complex128, scale float64, imaginary bool) (shiftX, shiftY, score float64) {
	best, top, sum2 := 0, math.Inf(-1), 0.0
	for i, z := range v {
		r := real(z)
		if imaginary {
			r = imag(z)
		}
		sum2 += r * r
		if r > top {
			best, top = i, r
		}
	}
	bx, by := best%side, best/side
	if bx > side*3/4 {
		bx -= side
	}
	if by > side*3/4 {
		by -= side
	}
	sd := math.Sqrt(sum2 / float64(len(v)))
	if sd == 0 {
		return 0, 0, 0
	}
	return scale * float64(bx-q.mx) * float64(q.d), scale * float64(by-q.my) * float64(q.d), top / sd
}

// transform2 is the two-dimensional Fourier transform of side×side values, not
// scaled; sign -1 forward, 1 back. Columns are taken some at a time, so that they
// are read in whole runs.
func transform2(v []complex128, sign float64) {
	tw := make([]complex128, side/2)
	for i := range tw {
		tw[i] = cmplx.Rect(1, sign*2*math.Pi*float64(i)/side)
	}
	for y := range side {
		transform(v[y*side:(y+1)*side], tw)
	}
	const columns = 8
	rows := make([][columns]complex128, side)
	for x := 0; x < side; x += columns {
		for y := range rows {
			copy(rows[y][:], v[y*side+x:])
		}
		reverse(rows)
		for size := 2; size <= side; size *= 2 {
			for start := 0; start < side; start += size {
				lo, hi := rows[start:start+size/2], rows[start+size/2:start+size]
				for k := range lo {
					t, a, b := tw[k*(side/size)], &lo[k], &hi[k]
					for i := range a {
						u := t * b[i]
						b[i] = a[i] - u
						a[i] += u
					}
				}
			}
		}
		for y := range rows {
			copy(v[y*side+x:], rows[y][:])
		}
	}
}

// reverse puts values in the order of their bit-reversed places.
func reverse[T any](v []T) {
	n := len(v)
	for i, j := 1, 0; i < n; i++ {
		bit := n >> 1
		for ; j&bit != 0; bit >>= 1 {
			j ^= bit
		}
		j ^= bit
		if i < j {
			v[i], v[j] = v[j], v[i]
		}
	}
}

// transform is the radix-2 Fourier transform of Cooley and Tukey (Math. Comp.
// 19, 1965).
func transform(v, tw []complex128) {
	n := len(v)
	reverse(v)
	for size := 2; size <= n; size *= 2 {
		step := n / size
		for start := 0; start < n; start += size {
			lo, hi := v[start:start+size/2], v[start+size/2:start+size]
			hi = hi[:len(lo)]
			for k := range lo {
				t := tw[k*step] * hi[k]
				hi[k] = lo[k] - t
				lo[k] += t
			}
		}
	}
}
