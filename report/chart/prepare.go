// Package chart draws a [figure.Figure] for print: on any gonum vector canvas,
// or as a PNG picture.
//
// A figure comes in, strokes and text go out. Units are changed for reading
// (seconds to minutes), long series are thinned to what paper can show, and
// nothing else is computed. Colours are from the Okabe–Ito set (Okabe and Ito,
// "Color Universal Design", 2008), and every series also differs by dash or by
// marker, so that a grey print can be read.
package chart

import (
	"math"
	"slices"

	"proveout/scoring/figure"
)

// An RGB colour.
type RGB struct{ R, G, B uint8 }

// Colours of the Okabe–Ito set, in the order series take them.
var Colours = [...]RGB{
	{0x00, 0x72, 0xB2}, // blue
	{0xD5, 0x5E, 0x00}, // vermilion
	{0x00, 0x9E, 0x73}, // bluish green
	{0xCC, 0x79, 0xA7}, // reddish purple
	{0xE6, 0x9F, 0x00}, // orange
	{0x56, 0xB4, 0xE9}, // sky blue
}

// LimitColour is the colour of limit lines.
var LimitColour = RGB{0xD5, 0x5E, 0x00}

// SeriesColour returns the colour of the i-th series. Vermilion is left to the
// limits when the figure has any.
func SeriesColour(i int, limits bool) RGB {
	n := len(Colours)
	if !limits {
		return Colours[i%n]
	}
	if i %= n - 1; i >= 1 {
		i++
	}
	return Colours[i]
}

// MaxPoints is how many points of a series are drawn; longer ones are thinned
// so that every column keeps its lowest and highest point.
const MaxPoints = 2400

// Prepare returns the figure as it is drawn: axes in readable units, points
// that are not finite left out, long series thinned. The figure given is not
// changed.
func Prepare(f figure.Figure) figure.Figure {
	f.Series = slices.Clone(f.Series)
	for i := range f.Series {
		f.Series[i] = finite(f.Series[i])
	}
	kx, ux := readable(f.X, func(yield func(float64)) {
		for _, s := range f.Series {
			each(s.X, yield)
		}
	})
	ky, uy := readable(f.Y, func(yield func(float64)) {
		for _, s := range f.Series {
			each(s.Y, yield)
		}
	})
	rescale(&f, kx, ky)
	f.X.Unit, f.Y.Unit = ux, uy
	for i := range f.Series {
		f.Series[i] = thin(f.Series[i])
	}
	return f
}

func each(xs []float64, yield func(float64)) {
	for _, x := range xs {
		yield(x)
	}
}

// readable returns the factor and unit for an axis in seconds or hertz or
// bytes; other units stay.
func readable(a figure.Axis, values func(func(float64))) (k float64, unit string) {
	top := math.Max(math.Abs(a.Min), math.Abs(a.Max))
	if a.Min == a.Max {
		top = 0
		values(func(v float64) { top = math.Max(top, math.Abs(v)) })
	}
	if len(a.Categories) > 0 || top == 0 {
		return 1, a.Unit
	}
	switch a.Unit {
	case "s":
		switch {
		case top < 1:
			return 1000, "ms"
		case top > 4*3600:
			return 1.0 / 3600, "h"
		case top > 300:
			return 1.0 / 60, "min"
		}
	case "Hz":
		switch {
		case top >= 1e6:
			return 1e-6, "MHz"
		case top >= 1e4:
			return 1e-3, "kHz"
		}
	}
	return 1, a.Unit
}

func rescale(f *figure.Figure, kx, ky float64) {
	if kx == 1 && ky == 1 {
		return
	}
	f.X.Min, f.X.Max = f.X.Min*kx, f.X.Max*kx
	f.Y.Min, f.Y.Max = f.Y.Min*ky, f.Y.Max*ky
	for i := range f.Series {
		s := &f.Series[i]
		s.X, s.Y, s.Low, s.High = times(s.X, kx), times(s.Y, ky), times(s.Low, ky), times(s.High, ky)
	}
	f.Limits = slices.Clone(f.Limits)
	for i := range f.Limits {
		f.Limits[i].At *= pick(f.Limits[i].Vertical, kx, ky)
	}
	f.Bands = slices.Clone(f.Bands)
	for i := range f.Bands {
		b := &f.Bands[i]
		k := pick(b.Vertical, kx, ky)
		b.Low, b.High = b.Low*k, b.High*k
		if c := b.Curve; c != nil {
			b.Curve = &figure.Curve{X: times(c.X, kx), Low: times(c.Low, ky), High: times(c.High, ky)}
		}
	}
	f.Marks = slices.Clone(f.Marks)
	for i := range f.Marks {
		f.Marks[i].X *= kx
		f.Marks[i].Y *= ky
	}
}

func pick(vertical bool, kx, ky float64) float64 {
	if vertical {
		return kx
	}
	return ky
}

func times(xs []float64, k float64) []float64 {
	if k == 1 || len(xs) == 0 {
		return xs
	}
	out := make([]float64, len(xs))
	for i, x := range xs {
		out[i] = x * k
	}
	return out
}

func isFinite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// finite drops points without a finite place. Error bars are kept only when
// both are as long as Y.
func finite(s figure.Series) figure.Series {
	n := min(len(s.X), len(s.Y))
	bars := len(s.Low) >= n && len(s.High) >= n && n > 0
	whole := n == len(s.X) && n == len(s.Y)
	for i := 0; i < n && whole; i++ {
		whole = isFinite(s.X[i]) && isFinite(s.Y[i])
	}
	s.Low, s.High = s.Low[:min(n, len(s.Low))], s.High[:min(n, len(s.High))]
	if !bars {
		s.Low, s.High = nil, nil
	}
	if whole {
		return s
	}
	out := figure.Series{Name: s.Name, Style: s.Style}
	for i := range n {
		if !isFinite(s.X[i]) || !isFinite(s.Y[i]) {
			continue
		}
		out.X, out.Y = append(out.X, s.X[i]), append(out.Y, s.Y[i])
		if bars {
			out.Low, out.High = append(out.Low, s.Low[i]), append(out.High, s.High[i])
		}
	}
	return out
}

// thin keeps the first, lowest, highest and last point of each of so many
// equal groups of points, in order. Series with error bars stay whole.
func thin(s figure.Series) figure.Series {
	n := len(s.X)
	if n <= MaxPoints || s.Low != nil {
		return s
	}
	groups := MaxPoints / 4
	out := figure.Series{Name: s.Name, Style: s.Style}
	for g := range groups {
		a, b := g*n/groups, (g+1)*n/groups
		lo, hi := a, a
		for i := a; i < b; i++ {
			if s.Y[i] < s.Y[lo] {
				lo = i
			}
			if s.Y[i] > s.Y[hi] {
				hi = i
			}
		}
		keep := []int{a, lo, hi, b - 1}
		slices.Sort(keep)
		for _, i := range slices.Compact(keep) {
			out.X, out.Y = append(out.X, s.X[i]), append(out.Y, s.Y[i])
		}
	}
	return out
}

// A Range is the part of an axis that is drawn, with its ticks.
type Range struct {
	Min, Max float64
	Log      bool
	Ticks    []Tick
}

// A Tick is one marked place of an axis.
type Tick struct {
	At    float64
	Label string
}

// At returns where v stands between Min (0) and Max (1).
func (r Range) At(v float64) float64 {
	if r.Log {
		return (math.Log10(v) - math.Log10(r.Min)) / (math.Log10(r.Max) - math.Log10(r.Min))
	}
	return (v - r.Min) / (r.Max - r.Min)
}

// Ranges returns the ranges of both axes: all that is drawn, with some air, or
// what the axis fixes.
func Ranges(f *figure.Figure) (x, y Range) {
	xb, yb := newBounds(), newBounds()
	bars := false
	for _, s := range f.Series {
		each(s.X, xb.add)
		each(s.Y, yb.add)
		each(s.Low, yb.add)
		each(s.High, yb.add)
		bars = bars || s.Style == figure.Bars
	}
	for _, m := range f.Marks {
		xb.add(m.X)
		yb.add(m.Y)
	}
	for _, l := range f.Limits {
		if l.Vertical {
			xb.add(l.At)
		} else {
			yb.add(l.At)
		}
	}
	for _, b := range f.Bands {
		switch {
		case b.Curve != nil:
			each(b.Curve.X, xb.add)
			each(b.Curve.Low, yb.add)
			each(b.Curve.High, yb.add)
		case b.Vertical:
			xb.add(b.Low)
			xb.add(b.High)
		default:
			yb.add(b.Low)
			yb.add(b.High)
		}
	}
	if !f.Y.Log && (bars || yb.lo > 0 && yb.lo < yb.hi*0.35) {
		yb.add(0)
	}
	return axisRange(f.X, xb, sideAir(f, xb), 9), axisRange(f.Y, yb, 0.06, 6)
}

// sideAir is the air left and right of what is drawn: lines reach the edges,
// points keep off them, and bars need half their step.
func sideAir(f *figure.Figure, xb *bounds) float64 {
	air := 0.0
	for _, s := range f.Series {
		switch {
		case s.Style == figure.Points:
			air = math.Max(air, 0.05)
		case s.Style == figure.Bars && len(s.X) > 1 && xb.hi > xb.lo:
			step := math.Inf(1)
			for i := 1; i < len(s.X); i++ {
				if d := math.Abs(s.X[i] - s.X[i-1]); d > 0 {
					step = math.Min(step, d)
				}
			}
			if isFinite(step) {
				air = math.Max(air, 0.6*step/(xb.hi-xb.lo))
			}
		}
	}
	return air
}

type bounds struct{ lo, hi float64 }

func newBounds() *bounds { return &bounds{math.Inf(1), math.Inf(-1)} }

func (b *bounds) add(v float64) {
	if isFinite(v) {
		b.lo, b.hi = math.Min(b.lo, v), math.Max(b.hi, v)
	}
}

// axisRange is the range of one axis with some air at its ends, but none at a
// zero, and about so many ticks.
func axisRange(a figure.Axis, b *bounds, air float64, ticks int) Range {
	if n := len(a.Categories); n > 0 {
		r := Range{Min: -0.5, Max: float64(n) - 0.5}
		for i, c := range a.Categories {
			r.Ticks = append(r.Ticks, Tick{float64(i), c})
		}
		return r
	}
	lo, hi := b.lo, b.hi
	if a.Min != a.Max && isFinite(a.Min) && isFinite(a.Max) {
		lo, hi, air = math.Min(a.Min, a.Max), math.Max(a.Min, a.Max), 0
	}
	if lo > hi {
		lo, hi = 0, 1
	}
	if a.Log {
		return logRange(lo, hi)
	}
	if lo == hi {
		d := math.Max(math.Abs(lo)*0.1, 1)
		lo, hi = lo-d, hi+d
	}
	d := (hi - lo) * air
	hi += d
	if lo != 0 {
		lo -= d
	}
	return Range{Min: lo, Max: hi, Ticks: linearTicks(lo, hi, ticks)}
}

func logRange(lo, hi float64) Range {
	if hi <= 0 {
		hi = 1
	}
	if lo <= 0 {
		lo = hi / 1e4
	}
	if lo == hi {
		lo, hi = lo/2, hi*2
	}
	r := Range{Min: lo, Max: hi, Log: true}
	steps := []float64{1}
	if math.Log10(hi/lo) < 2.5 {
		steps = []float64{1, 2, 5}
	}
	for e := math.Floor(math.Log10(lo)); e <= math.Ceil(math.Log10(hi)); e++ {
		for _, s := range steps {
			if v := s * math.Pow(10, e); v >= lo*(1-1e-9) && v <= hi*(1+1e-9) {
				r.Ticks = append(r.Ticks, Tick{v, formatTick(v, math.Max(0, -e))})
			}
		}
	}
	return r
}
