// Package chart draws a [outcome.Figure] for print: on any [Canvas], or as a
// picture.
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

	"proveout/scoring/outcome"
)

// maxPoints is how many points of a series are drawn; longer ones are thinned
// so that every column keeps its lowest and highest point.
const maxPoints = 2400

// Prepare returns the figure as it is drawn: axes in readable units, points
// that are not finite left out, long series thinned. The figure given is not
// changed.
func Prepare(f outcome.FigureIn[string]) outcome.FigureIn[string] {
	f.Series = slices.Clone(f.Series)
	var topX, topY float64
	for i := range f.Series {
		f.Series[i] = finite(f.Series[i])
		topX, topY = top(f.Series[i].X, topX), top(f.Series[i].Y, topY)
	}
	var kx, ky float64
	kx, f.X.Unit = readable(f.X, topX)
	ky, f.Y.Unit = readable(f.Y, topY)
	if kx != 1 || ky != 1 {
		rescale(&f, kx, ky)
	}
	for i := range f.Series {
		f.Series[i] = thin(f.Series[i])
	}
	return f
}

// top is the largest distance from zero, or most where that is larger.
func top(xs []float64, most float64) float64 {
	for _, x := range xs {
		most = math.Max(most, math.Abs(x))
	}
	return most
}

// readable returns the factor and unit for an axis in seconds; other units stay.
func readable(a outcome.Axis[string], top float64) (k float64, unit string) {
	switch {
	case a.Unit != "s" || top == 0:
		return 1, a.Unit
	case top < 1:
		return 1000, "ms"
	case top > 4*3600:
		return 1.0 / 3600, "h"
	case top > 300:
		return 1.0 / 60, "min"
	}
	return 1, a.Unit
}

func rescale(f *outcome.FigureIn[string], kx, ky float64) {
	for i := range f.Series {
		s := &f.Series[i]
		s.X, s.Y = times(s.X, kx), times(s.Y, ky)
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
			b.Curve = &outcome.Curve{X: times(c.X, kx), Low: times(c.Low, ky), High: times(c.High, ky)}
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
	if k == 1 {
		return xs
	}
	out := make([]float64, len(xs))
	for i, x := range xs {
		out[i] = x * k
	}
	return out
}

func isFinite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// finite drops points without a finite place.
func finite(s outcome.Series[string]) outcome.Series[string] {
	out := outcome.Series[string]{Name: s.Name, Style: s.Style}
	for i := range min(len(s.X), len(s.Y)) {
		if isFinite(s.X[i]) && isFinite(s.Y[i]) {
			out.X, out.Y = append(out.X, s.X[i]), append(out.Y, s.Y[i])
		}
	}
	return out
}

// thin keeps the first, lowest, highest and last point of each of so many
// equal groups of points, in order.
func thin(s outcome.Series[string]) outcome.Series[string] {
	n := len(s.X)
	if n <= maxPoints {
		return s
	}
	groups := maxPoints / 4
	out := outcome.Series[string]{Name: s.Name, Style: s.Style}
	for g := range groups {
		first, end := g*n/groups, (g+1)*n/groups
		lowest, highest := first, first
		for i := first; i < end; i++ {
			if s.Y[i] < s.Y[lowest] {
				lowest = i
			}
			if s.Y[i] > s.Y[highest] {
				highest = i
			}
		}
		keep := []int{first, lowest, highest, end - 1}
		slices.Sort(keep)
		for _, i := range slices.Compact(keep) {
			out.X, out.Y = append(out.X, s.X[i]), append(out.Y, s.Y[i])
		}
	}
	return out
}
