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
	parts := []place{{p.w/2 - 32, p.h/2 - 32, 64, 64}}
	if t == Fine {
		parts = append(parts, place{p.w / 5, p.h / 5, 64, 64}, place{3 * p.w / 5, 3 * p.h / 5, 64, 64},
			place{p.w / 2, max(0, p.h-24*max(2, (p.h+75)/150)/2-66), 64, min(64, p.h)})
	}
	for _, w := range parts {
		if t == Coarse {
			w = place{0, 0, p.w, p.h}
		}
		for _, s := range ladder(p, c) {
			f, score := correlate(p, c, w, s)
			all = append(all, found{f, score})
			if t == Fine && score > 18 && accept(f) {
				return
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

// Trace looks for where in the pattern a part of a capture belongs that is
// already on the grid of the pattern. It returns the displacement from there to
// where it is shown and how far the match stands out, in standard deviations.
// It searches about 90 pixels in each direction.
func Trace(grid, pattern *raster.RGB, x, y, w, h int) (dx, dy int, score float64) {
	part := place{x, y, min(w, 64), min(h, 64)}
	f, score := correlate(brightness(grid), brightness(pattern), part, 1)
	return -int(math.Round(f.ShiftX)), -int(math.Round(f.ShiftY)), score
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

// correlate returns the best shift of a part of the pattern at one scale, and
// how far the peak stands out, in standard deviations.
func correlate(p, c plane, w place, scale float64) (Fit, float64) {
	d := 1 // pattern pixels per sample
	for w.w/d > 200 || w.h/d > 200 {
		d++
	}
	a, b := make([]complex128, side*side), make([]complex128, side*side)
	pw, ph := w.w/d, w.h/d
	sub := func(pl plane, x, y, step float64) float64 { // mean over one sample
		if d == 1 {
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
	mean := 0.0
	for j := range ph {
		for i := range pw {
			v := sub(p, float64(w.x)+(float64(i)+0.5)*float64(d), float64(w.y)+(float64(j)+0.5)*float64(d), float64(d))
			a[j*side+i] = complex(v, 0)
			mean += v
		}
	}
	mean /= float64(pw * ph)
	for j := range ph {
		for i := range pw {
			a[j*side+i] -= complex(mean, 0)
		}
	}
	// The capture, placed so that no shift puts the part in the middle.
	mx, my := (side-pw)/2, (side-ph)/2
	cmean, n := 0.0, 0.0
	inside := make([]bool, side*side)
	for j := range side {
		y := scale * (float64(w.y) + (float64(j-my)+0.5)*float64(d))
		for i := range side {
			x := scale * (float64(w.x) + (float64(i-mx)+0.5)*float64(d))
			if x >= 0 && y >= 0 && x < float64(c.w) && y < float64(c.h) {
				v := sub(c, x, y, scale*float64(d))
				b[j*side+i] = complex(v, 0)
				inside[j*side+i] = true
				cmean += v
				n++
			}
		}
	}
	if n == 0 {
		return Fit{ScaleX: scale, ScaleY: scale}, 0
	}
	for i := range b {
		if inside[i] {
			b[i] -= complex(cmean/n, 0)
		}
	}
	transform2(a, -1)
	transform2(b, -1)
	for i := range a {
		a[i] = b[i] * cmplx.Conj(a[i])
	}
	transform2(a, 1)
	best, sum2 := 0, 0.0
	for i, v := range a {
		sum2 += real(v) * real(v)
		if real(v) > real(a[best]) {
			best = i
		}
	}
	bx, by := best%side, best/side
	if bx > side*3/4 {
		bx -= side
	}
	if by > side*3/4 {
		by -= side
	}
	sd := math.Sqrt(sum2 / float64(len(a)))
	if sd == 0 {
		return Fit{ScaleX: scale, ScaleY: scale}, 0
	}
	return Fit{ScaleX: scale, ScaleY: scale,
		ShiftX: scale * float64(bx-mx) * float64(d),
		ShiftY: scale * float64(by-my) * float64(d)}, real(a[best]) / sd
}

// transform2 is the two-dimensional Fourier transform of side×side values, not
// scaled; sign -1 forward, 1 back.
func transform2(v []complex128, sign float64) {
	tw := make([]complex128, side/2)
	for i := range tw {
		tw[i] = cmplx.Rect(1, sign*2*math.Pi*float64(i)/side)
	}
	for y := range side {
		transform(v[y*side:(y+1)*side], tw)
	}
	col := make([]complex128, side)
	for x := range side {
		for y := range side {
			col[y] = v[y*side+x]
		}
		transform(col, tw)
		for y := range side {
			v[y*side+x] = col[y]
		}
	}
}

// transform is the radix-2 Fourier transform of Cooley and Tukey (Math. Comp.
// 19, 1965).
func transform(v, tw []complex128) {
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
	for size := 2; size <= n; size *= 2 {
		step := n / size
		for start := 0; start < n; start += size {
			lo, hi := v[start:start+size/2], v[start+size/2:start+size]
			for k := range lo {
				t := tw[k*step] * hi[k]
				hi[k] = lo[k] - t
				lo[k] += t
			}
		}
	}
}
