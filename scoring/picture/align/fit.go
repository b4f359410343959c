// Package align finds the test picture that a capture shows: which one it is,
// and where in the capture each pixel of the screen lies.
//
// A pattern and a capture come in. For a capture device a [Fit] goes out (scale,
// shift and crop), by which [Resample] reads the capture on the grid of the
// pattern; for a photograph of the monitor a [Screen], already read, with
// perspective and lens undone, uneven light levelled, and the smearing between
// neighbours and channels taken out. Brightness is compared, not colour, so that
// a missing or swapped channel does not hinder. The package judges nothing.
//
// Both ways match small windows of the pattern with the capture by correlation,
// each by itself, and then put one map through all of them: a fault that spoils
// or displaces a part of the picture spoils some windows only, and the map leaves
// out those that lie off it.
package align

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"proveout/scoring/picture/raster"
)

// A Fit maps the pattern to the capture: a point at pattern coordinate p (pixel
// i covers i to i+1) lies at capture coordinate Scale·p + Shift.
type Fit struct {
	ScaleX, ScaleY float64 // capture pixels per pattern pixel
	ShiftX, ShiftY float64 // capture pixels; where the corner of the pattern lies
}

// Exact reports whether no resampling is needed: scale 1 and whole pixels.
func (f Fit) Exact() bool {
	return f.ScaleX == 1 && f.ScaleY == 1 && f.ShiftX == math.Trunc(f.ShiftX) && f.ShiftY == math.Trunc(f.ShiftY)
}

// ErrFlat says that the capture shows nothing that could be matched.
var ErrFlat = errors.New("the capture is all of one brightness")

// ErrNoMatch says that the pattern was not found in the capture.
var ErrNoMatch = errors.New("the pattern was not found in the capture: " +
	"another pattern, a cut picture, or a fault that leaves nothing of it")

// A Texture says what a pattern offers for matching.
type Texture int

// Fine patterns are unique at every place; Coarse ones only through the marks
// and strips at their edges.
const (
	Fine Texture = iota
	Coarse
)

// A found fit, with what speaks for it.
type found struct {
	Fit
	match          float64 // correlation of the matched windows, 0 to 1
	matched, tried int     // windows
}

// betterThan reports whether more of the picture agrees with this fit.
func (f found) betterThan(o found) bool {
	return f.matched > o.matched || f.matched == o.matched && f.match > o.match
}

// Find fits the pattern to the capture: where it should lie, near there, and then
// anywhere.
func Find(wanted, shown *raster.RGB, texture Texture) (Fit, error) {
	pattern, capture := brightness(wanted), brightness(shown)
	if deviation(capture.v) < 1.5 {
		return Fit{}, ErrFlat
	}
	m := matcher{pattern, capture, texture, fitWindows(pattern, texture)}
	var best found
	try := func(start Fit, reach int) (most bool) {
		f, ok := m.refine(start, reach)
		ok = ok && m.captured(f.Fit) > leastCaptured
		if ok && f.betterThan(best) {
			best = f
		}
		return ok && f.matched*2 > f.tried
	}
	done := false
	if pattern.width == capture.width && pattern.height == capture.height {
		there := Fit{ScaleX: 1, ScaleY: 1}
		if m.inPlace(there) {
			return there, nil
		}
		done = try(there, 3)
	} else {
		for _, start := range m.starts() {
			if done = try(start, 6); !done {
				continue
			}
			if start = start.inWholePixels(pattern); repeated(shown, start) {
				return start, nil
			}
			break
		}
	}
	if !done {
		m.search(func(start Fit) bool { return try(start, 6) })
	}
	if best.matched < 5 || best.matched*6 < best.tried {
		// Noise hardly moves the means of blocks.
		if blocks := capture.shrink(16); len(blocks.v) == 0 || deviation(blocks.v) < 3 {
			return Fit{}, ErrFlat
		}
		return Fit{}, ErrNoMatch
	}
	if texture == Coarse {
		best.Fit = m.polish(best.Fit)
	}
	fit := m.snap(best.Fit)
	if whole := fit.inWholePixels(pattern); repeated(shown, whole) {
		return whole, nil
	}
	return fit, nil
}

// inWholePixels is the fit with the picture beginning and ending at whole pixels,
// as it does in a capture that repeats pixels.
func (f Fit) inWholePixels(pattern plane) Fit {
	w, h := float64(pattern.width), float64(pattern.height)
	return Fit{
		ScaleX: math.Round(f.ScaleX*w) / w, ScaleY: math.Round(f.ScaleY*h) / h,
		ShiftX: math.Round(f.ShiftX), ShiftY: math.Round(f.ShiftY),
	}
}

// A matcher lays a pattern over a capture.
type matcher struct {
	pattern, capture plane
	texture          Texture
	windows          []window
}

// leastCaptured is the share of a picture that a capture must hold to be laid over
// it: the marks at the top and at the bottom look alike.
const leastCaptured = 0.3

// captured is the share of the pattern that lies in the capture.
func (m *matcher) captured(f Fit) float64 {
	axis := func(scale, shift float64, size, captured int) float64 {
		end := scale*float64(size) + shift
		return max(0, min(end, float64(captured))-max(0, shift)) / (end - shift)
	}
	return axis(f.ScaleX, f.ShiftX, m.pattern.width, m.capture.width) *
		axis(f.ScaleY, f.ShiftY, m.pattern.height, m.capture.height)
}

// reader reads the capture by a fit, for [plane.locate].
func (m *matcher) reader(f Fit) reader {
	width, height := float64(m.capture.width), float64(m.capture.height)
	return func(x, y float64) (float32, bool) {
		x, y = f.ScaleX*x+f.ShiftX, f.ScaleY*y+f.ShiftY
		return m.capture.at(x, y), x >= 0 && x <= width && y >= 0 && y <= height
	}
}

// inPlace reports whether most windows lie just where they should: the usual case
// of a dump.
func (m *matcher) inPlace(f Fit) bool {
	matched := 0
	read := m.reader(f)
	for _, w := range m.windows {
		if _, _, r := m.pattern.locate(w, 0, read); r > 0.99 {
			matched++
		}
	}
	return matched*4 >= len(m.windows)*3
}

// refine moves a fit until every window lies best. It reports false when what
// windows there are do not lie on one map.
func (m *matcher) refine(f Fit, reach int) (found, bool) {
	least := 0.25 // correlation of a window that counts
	if m.texture == Coarse {
		least = 0.6
	}
	var out found
	rms := 0.0
	for round := range 4 {
		var across, down []displacement
		match := 0.0
		read := m.reader(f)
		for _, w := range m.windows {
			dx, dy, r := m.pattern.locate(w, reach, read)
			if r < least {
				continue
			}
			match += r
			across = append(across, displacement{float64(w.x) + float64(w.width)/2, dx})
			down = append(down, displacement{float64(w.y) + float64(w.height)/2, dy})
		}
		out = found{Fit: f, matched: len(across), tried: len(m.windows)}
		if len(across) < 3 {
			return out, false
		}
		x, y := fitLine(across), fitLine(down)
		// A displacement d at p moves the picture by Scale·d.
		f.ShiftX += f.ScaleX * x.offset
		f.ShiftY += f.ScaleY * y.offset
		f.ScaleX *= 1 + x.slope
		f.ScaleY *= 1 + y.slope
		if place := middle(down); !reaches(down) { // one edge tells no scale: that of the other direction
			f.ShiftY += (f.ScaleY - f.ScaleX) * place
			f.ScaleY = f.ScaleX
		}
		out = found{Fit: f, match: match / float64(len(across)), matched: min(x.used, y.used), tried: len(m.windows)}
		rms = math.Hypot(x.rms, y.rms)
		if round > 0 {
			if x.moves(m.pattern.width)+y.moves(m.pattern.height) < 0.004 {
				break // another round would change nothing
			}
			reach = 2
		}
	}
	return out, rms < 0.6
}

// distant is how far apart windows must lie to tell a scale, in pattern pixels.
const distant = 60

// reaches reports whether displacements reach far enough to tell a scale.
func reaches(all []displacement) bool {
	return slices.ContainsFunc(all, func(d displacement) bool { return math.Abs(d.at-all[0].at) > distant })
}

// middle is the mean place of displacements.
func middle(all []displacement) (at float64) {
	for _, d := range all {
		at += d.at / float64(len(all))
	}
	return at
}

// A displacement is by how much a window lies off its place in one direction.
type displacement struct{ at, by float64 }

// A lineFit is by = offset + slope·at, with what it leaves of the used points.
type lineFit struct {
	offset, slope float64
	rms           float64
	used          int
}

// moves is by how much the line moves a picture of a size, at most.
func (l lineFit) moves(size int) float64 { return math.Abs(l.offset) + math.Abs(l.slope)*float64(size) }

func (l lineFit) off(d displacement) float64 { return d.by - l.offset - l.slope*d.at }

// fitLine fits a line robustly: median of slopes between distant points, then
// least squares over what lies within a pixel and a half.
func fitLine(all []displacement) (l lineFit) {
	const near = 1.5
	var slopes []float64
	for i, a := range all {
		for _, b := range all[i+1:] {
			if d := b.at - a.at; math.Abs(d) > distant {
				slopes = append(slopes, (b.by-a.by)/d)
			}
		}
	}
	if len(slopes) > 0 {
		l.slope = upperMedian(slopes)
	}
	var rest []float64
	for _, d := range all {
		rest = append(rest, d.by-l.slope*d.at)
	}
	l.offset = upperMedian(rest)
	for range 2 {
		var at, by []float64
		for _, d := range all {
			if math.Abs(l.off(d)) <= near {
				at, by = append(at, d.at), append(by, d.by)
			}
		}
		if len(at) >= 3 && varies(at) {
			l.offset, l.slope = stat.LinearRegression(at, by, nil, false)
		}
	}
	for _, d := range all {
		if e := l.off(d); math.Abs(e) <= near {
			l.rms += e * e
			l.used++
		}
	}
	if l.used > 0 {
		l.rms = math.Sqrt(l.rms / float64(l.used))
	}
	return l
}

// varies reports whether values differ, so that a line over them is determined.
func varies(v []float64) bool { return stat.PopVariance(v, nil) > 1e-6 }

// upperMedian is the median, the upper one of two.
func upperMedian(v []float64) float64 { return slices.Sorted(slices.Values(v))[len(v)/2] }

// snap takes the exact values that a capture device would have, when the fit is
// nearer to them than it can tell apart.
func (m *matcher) snap(f Fit) Fit {
	axis := func(scale, shift float64, size, captured int) (float64, float64) {
		middle := float64(size) / 2
		whole := math.Round(scale*float64(size)) / float64(size) // devices scale to whole pixels
		for _, s := range []float64{1, float64(captured) / float64(size), 1.25, 1.5, 1.75, 2, whole} {
			near := 0.06
			if s == 1 {
				near = 0.2
			}
			if math.Abs(s-scale)*middle < near {
				shift += (scale - s) * middle
				scale = s
				break
			}
		}
		if r := math.Round(shift); math.Abs(r-shift) < 0.15 {
			shift = r
		}
		return scale, shift
	}
	f.ScaleX, f.ShiftX = axis(f.ScaleX, f.ShiftX, m.pattern.width, m.capture.width)
	f.ScaleY, f.ShiftY = axis(f.ScaleY, f.ShiftY, m.pattern.height, m.capture.height)
	return f
}
