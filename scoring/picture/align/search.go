package align

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"proveout/scoring/picture/raster"
)

// The scales at which a picture is looked for.
const (
	minScale = 0.97
	maxScale = 2.06
)

// search looks for scale and shift from nothing: it resamples the capture at
// each scale of a ladder and correlates it with parts of the pattern through
// the Fourier transform. It offers fits, likely ones first, until one is
// accepted: a part may have landed on displaced content.
func (m *matcher) search(accept func(Fit) bool) {
	type candidate struct {
		fit   Fit
		score float64
	}
	const plain = 18 // standard deviations: no chance gives that
	var all []candidate
	for _, w := range m.parts() {
		t := newTemplate(m.pattern, w)
		for _, scale := range ladder(m.pattern, m.capture) {
			fit, score := t.correlate(m.capture, scale)
			all = append(all, candidate{fit, score})
			if m.texture == Fine && score > plain && accept(fit) {
				return
			}
		}
	}
	slices.SortStableFunc(all, func(a, b candidate) int { return cmp.Compare(b.score, a.score) })
	for _, c := range all[:min(len(all), 6)] {
		if accept(c.fit) {
			return
		}
	}
}

// parts lists the parts of a pattern that are looked for: a coarse one only as a
// whole.
func (m *matcher) parts() []window {
	p := m.pattern
	if m.texture == Coarse {
		return []window{{0, 0, p.width, p.height}}
	}
	strip := 12 * markUnit(p)
	return []window{
		{p.width/2 - 32, p.height/2 - 32, 64, 64},
		{p.width / 5, p.height / 5, 64, 64},
		{3 * p.width / 5, 3 * p.height / 5, 64, 64},
		{p.width / 2, max(0, p.height-strip-66), 64, min(64, p.height)},
	}
}

// Trace looks for where in the pattern a part of a capture belongs that is
// already on the grid of the pattern. It returns the displacement from there to
// where it is shown and how far the match stands out, in standard deviations.
// It searches about 90 pixels in each direction.
func Trace(grid, pattern *raster.RGB, x, y, w, h int) (dx, dy int, score float64) {
	t := newTemplate(brightness(grid), window{x, y, min(w, 64), min(h, 64)})
	fit, score := t.correlate(brightness(pattern), 1)
	return -int(math.Round(fit.ShiftX)), -int(math.Round(fit.ShiftY)), score
}

// ladder lists the scales to try: those that the sizes suggest, then steps of
// 3 percent.
func ladder(pattern, capture plane) []float64 {
	out := []float64{
		1,
		float64(capture.width) / float64(pattern.width),
		float64(capture.height) / float64(pattern.height),
	}
	for s := minScale; s < maxScale; s *= 1.03 {
		out = append(out, s)
	}
	return slices.DeleteFunc(out, func(s float64) bool { return s < minScale || s > maxScale })
}

const side = 256 // of the transform

// A template is a part of the pattern, transformed, with its mean taken off.
type template struct {
	window
	step         int // pattern pixels per sample
	across, down int // samples
	left, above  int // samples beside it, with no shift
	spectrum     []complex128
}

func newTemplate(p plane, w window) *template {
	t := &template{window: w, step: 1, spectrum: make([]complex128, side*side)}
	for w.width/t.step > 200 || w.height/t.step > 200 {
		t.step++
	}
	t.across, t.down = w.width/t.step, w.height/t.step
	t.left, t.above = (side-t.across)/2, (side-t.down)/2
	mean := 0.0
	for j := range t.down {
		for i := range t.across {
			step := float64(t.step)
			v := t.sample(p, float64(w.x)+(float64(i)+0.5)*step, float64(w.y)+(float64(j)+0.5)*step, step)
			t.spectrum[j*side+i] = complex(v, 0)
			mean += v
		}
	}
	mean /= float64(t.across * t.down)
	for j := range t.down {
		for i := range t.across {
			t.spectrum[j*side+i] -= complex(mean, 0)
		}
	}
	transform(t.spectrum, (*fourier.CmplxFFT).Coefficients)
	return t
}

// sample is the mean over one sample.
func (t *template) sample(p plane, x, y, step float64) float64 {
	if t.step == 1 {
		return float64(p.at(x, y))
	}
	var s float64
	for j := range 3 {
		for i := range 3 {
			s += float64(p.at(x+(float64(i)-1)*step/3, y+(float64(j)-1)*step/3))
		}
	}
	return s / 9
}

// capture reads the capture at one scale around the part, with its mean taken
// off; nil when the capture lies elsewhere.
func (t *template) capture(c plane, scale float64) []complex128 {
	v := make([]complex128, side*side)
	var inside []int
	mean := 0.0
	for j := range side {
		y := scale * (float64(t.y) + (float64(j-t.above)+0.5)*float64(t.step))
		for i := range side {
			x := scale * (float64(t.x) + (float64(i-t.left)+0.5)*float64(t.step))
			if x >= 0 && y >= 0 && x < float64(c.width) && y < float64(c.height) {
				u := t.sample(c, x, y, scale*float64(t.step))
				v[j*side+i] = complex(u, 0)
				inside = append(inside, j*side+i)
				mean += u
			}
		}
	}
	if len(inside) == 0 {
		return nil
	}
	for _, i := range inside {
		v[i] -= complex(mean/float64(len(inside)), 0)
	}
	return v
}

// correlate returns the best shift of the part at one scale, and how far the peak
// stands out, in standard deviations.
func (t *template) correlate(c plane, scale float64) (fit Fit, score float64) {
	fit = Fit{ScaleX: scale, ScaleY: scale}
	v := t.capture(c, scale)
	if v == nil {
		return fit, 0
	}
	transform(v, (*fourier.CmplxFFT).Coefficients)
	for i, a := range t.spectrum {
		v[i] *= cmplx.Conj(a)
	}
	transform(v, (*fourier.CmplxFFT).Sequence)
	best, squares := 0, 0.0
	for i, z := range v {
		squares += real(z) * real(z)
		if real(z) > real(v[best]) {
			best = i
		}
	}
	if squares == 0 {
		return fit, 0
	}
	x, y := best%side, best/side
	if x > side*3/4 {
		x -= side
	}
	if y > side*3/4 {
		y -= side
	}
	sample := scale * float64(t.step)
	fit.ShiftX, fit.ShiftY = sample*float64(x-t.left), sample*float64(y-t.above)
	return fit, real(v[best]) / math.Sqrt(squares/float64(len(v)))
}

// transform is the two-dimensional Fourier transform of side×side values, not
// scaled, in place. It leaves rows and columns exchanged: two of them, forward and
// back, put them right again.
func transform(v []complex128, line func(*fourier.CmplxFFT, []complex128, []complex128) []complex128) {
	fft := fourier.NewCmplxFFT(side)
	rows := func() {
		for row := range slices.Chunk(v, side) {
			line(fft, row, row)
		}
	}
	rows()
	for y := range side {
		for x := range y {
			v[y*side+x], v[x*side+y] = v[x*side+y], v[y*side+x]
		}
	}
	rows()
}
