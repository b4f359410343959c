package chart

import (
	"math"
	"strconv"

	"proveout/scoring/outcome"
)

// A Range is the part of an axis that is drawn, with its ticks.
type Range struct {
	Min, Max float64
	ticks    []tick
}

// A tick is one marked place of an axis.
type tick struct {
	at    float64
	label string
}

// at returns where v stands between Min (0) and Max (1).
func (r Range) at(v float64) float64 { return (v - r.Min) / (r.Max - r.Min) }

// Ranges returns the ranges of both axes: all that is drawn, with some air.
func Ranges(f *outcome.FigureIn[string]) (x, y Range) {
	xb, yb := newBounds(), newBounds()
	bars := false
	for _, s := range f.Series {
		xb.add(s.X...)
		yb.add(s.Y...)
		bars = bars || s.Style == outcome.Bars
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
			xb.add(b.Curve.X...)
			yb.add(b.Curve.Low...)
			yb.add(b.Curve.High...)
		case b.Vertical:
			xb.add(b.Low, b.High)
		default:
			yb.add(b.Low, b.High)
		}
	}
	if bars || yb.low > 0 && yb.low < yb.high*0.35 {
		yb.add(0)
	}
	return axisRange(f.X, xb, sideAir(f, xb), 9), axisRange(f.Y, yb, 0.06, 6)
}

// sideAir is the air left and right of what is drawn: lines reach the edges,
// points keep off them, and bars need half their step.
func sideAir(f *outcome.FigureIn[string], xb *bounds) float64 {
	air := 0.0
	for _, s := range f.Series {
		switch {
		case s.Style == outcome.Points:
			air = math.Max(air, 0.05)
		case s.Style == outcome.Bars && xb.high > xb.low:
			if step := leastStep(s.X); isFinite(step) {
				air = math.Max(air, 0.6*step/(xb.high-xb.low))
			}
		}
	}
	return air
}

// leastStep is the smallest distance of neighbours that differ; infinite when
// none do.
func leastStep(xs []float64) float64 {
	step := math.Inf(1)
	for i := 1; i < len(xs); i++ {
		if d := math.Abs(xs[i] - xs[i-1]); d > 0 {
			step = math.Min(step, d)
		}
	}
	return step
}

type bounds struct{ low, high float64 }

func newBounds() *bounds { return &bounds{math.Inf(1), math.Inf(-1)} }

func (b *bounds) add(vs ...float64) {
	for _, v := range vs {
		if isFinite(v) {
			b.low, b.high = math.Min(b.low, v), math.Max(b.high, v)
		}
	}
}

// axisRange is the range of one axis with some air at its ends, but none at a
// zero, and about so many ticks.
func axisRange(a outcome.Axis[string], b *bounds, air float64, ticks int) Range {
	if n := len(a.Categories); n > 0 {
		r := Range{Min: -0.5, Max: float64(n) - 0.5}
		for i, c := range a.Categories {
			r.ticks = append(r.ticks, tick{float64(i), c})
		}
		return r
	}
	low, high := b.low, b.high
	if low > high {
		low, high = 0, 1
	}
	if low == high {
		d := math.Max(math.Abs(low)*0.1, 1)
		low, high = low-d, high+d
	}
	d := (high - low) * air
	high += d
	if low != 0 {
		low -= d
	}
	return Range{Min: low, Max: high, ticks: linearTicks(low, high, ticks)}
}

// linearTicks marks about n round places (1, 2, 2.5 or 5 times a power of ten)
// in [low, high].
func linearTicks(low, high float64, n int) []tick {
	span := high - low
	if !(span > 0) || math.IsInf(span, 0) {
		return nil
	}
	raw := span / float64(n)
	pow := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * pow
	for _, m := range []float64{1, 2, 2.5, 5} {
		if m*pow >= raw*0.999 {
			step = m * pow
			break
		}
	}
	decimals := math.Max(0, -math.Floor(math.Log10(step)+1e-9))
	if q := step / math.Pow(10, math.Floor(math.Log10(step)+1e-9)); math.Abs(q-2.5) < 1e-6 {
		decimals++
		if step >= 10 {
			decimals = 0
		}
	}
	var out []tick
	for i := math.Ceil(low/step - 1e-9); i*step <= high+step*1e-9 && len(out) < 4*n; i++ {
		v := i * step
		if v == 0 {
			v = 0 // no minus zero
		}
		out = append(out, tick{v, formatTick(v, decimals)})
	}
	if len(out) < 2 && n < 40 {
		return linearTicks(low, high, 2*n) // one tick alone gives no scale
	}
	return out
}

func formatTick(v, decimals float64) string {
	if a := math.Abs(v); a >= 1e7 || decimals > 7 {
		return strconv.FormatFloat(v, 'g', 4, 64)
	}
	return strconv.FormatFloat(v, 'f', int(decimals), 64)
}
