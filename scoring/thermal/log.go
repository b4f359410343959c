// Package thermal judges temperature logs of a soak: how the temperature rose,
// whether it has settled, where it would end, and what that means at another
// ambient temperature.
//
// A [Log] (or rows given one by one to an [Accumulator]) and [Options] come
// in; a [Report] with numbers, reasons and sentences goes out. Times are in
// seconds, temperatures in °C, power in watts, clocks in hertz. The package
// reads no files, knows no cards, and predicts nothing from a curve that does
// not describe the log.
package thermal

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// A Log is one recording. Time and Temp have the same length; the other
// columns are empty or have that length too. NaN means "no reading".
type Log struct {
	Time    []float64 // s, in rising order; equal neighbours are allowed
	Temp    []float64 // °C
	Ambient []float64 // °C, air that enters the cooler
	Power   []float64 // W
	Second  []float64 // °C, a second sensor
	Clock   []float64 // Hz
	FPS     []float64 // frames per second

	// Resolution is the step of the sensor's display in °C; deduced from the
	// readings when zero.
	Resolution float64
}

// A Gap is a time without readings that is much longer than usual.
type Gap struct {
	From float64 `json:"from_s"`
	To   float64 `json:"to_s"`
}

// ErrNoReadings is returned for a log without a single temperature.
var ErrNoReadings = errors.New("the log holds no temperature")

// columns returns the optional columns by name, for checks and copies.
func (l *Log) columns() []*[]float64 {
	return []*[]float64{&l.Ambient, &l.Power, &l.Second, &l.Clock, &l.FPS}
}

// clean returns the rows that have a time and a temperature, and how many had
// not. It fails on columns of unequal length and on a time that runs backward.
func (l Log) clean() (out Log, dropped int, err error) {
	n := len(l.Time)
	if len(l.Temp) != n {
		return Log{}, 0, fmt.Errorf("%d times for %d temperatures", n, len(l.Temp))
	}
	for i, c := range l.columns() {
		if len(*c) != 0 && len(*c) != n {
			name := [...]string{"ambient", "power", "second sensor", "clock", "frame rate"}[i]
			return Log{}, 0, fmt.Errorf("%d times for %d readings of %s", n, len(*c), name)
		}
	}
	out.Resolution = l.Resolution
	last := math.Inf(-1)
	for i, t := range l.Time {
		if !finite(t) || !finite(l.Temp[i]) {
			dropped++
			continue
		}
		if t < last {
			return Log{}, 0, fmt.Errorf("row %d: time runs backward, from %g s to %g s", i+1, last, t)
		}
		last = t
		out.Time = append(out.Time, t)
		out.Temp = append(out.Temp, l.Temp[i])
		from, to := l.columns(), out.columns()
		for k := range from {
			if len(*from[k]) != 0 {
				*to[k] = append(*to[k], (*from[k])[i])
			}
		}
	}
	if len(out.Time) == 0 {
		return Log{}, dropped, ErrNoReadings
	}
	return out, dropped, nil
}

// between returns the rows with from ≤ time ≤ to; the columns share memory.
func (l Log) between(from, to float64) Log {
	i, _ := slices.BinarySearch(l.Time, from)
	j := i
	for j < len(l.Time) && l.Time[j] <= to {
		j++
	}
	out := Log{Time: l.Time[i:j], Temp: l.Temp[i:j], Resolution: l.Resolution}
	src, dst := l.columns(), out.columns()
	for k := range src {
		if len(*src[k]) != 0 {
			*dst[k] = (*src[k])[i:j]
		}
	}
	return out
}

// usualStep is the median of the times between readings.
func usualStep(t []float64) float64 {
	if len(t) < 2 {
		return 0
	}
	d := make([]float64, len(t)-1)
	for i := range d {
		d[i] = t[i+1] - t[i]
	}
	return median(d)
}

// gaps lists times without readings longer than five usual steps.
func gaps(t []float64) []Gap {
	limit := 5 * usualStep(t)
	out := []Gap{}
	for i := 1; i < len(t); i++ {
		if limit > 0 && t[i]-t[i-1] > limit {
			out = append(out, Gap{t[i-1], t[i]})
		}
	}
	return out
}

// median sorts v and returns its middle; NaN for nothing.
func median(v []float64) float64 {
	n := len(v)
	if n == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

// finiteOf returns the numbers among v, copied.
func finiteOf(v []float64) []float64 {
	out := make([]float64, 0, len(v))
	for _, x := range v {
		if finite(x) {
			out = append(out, x)
		}
	}
	return out
}

// steps finds the largest step of which all differences between readings are
// multiples, on a grid of 0.0001.
type steps struct {
	first float64
	unit  int64 // in 0.0001; 0 as long as all readings are equal
	n     int
	free  bool // not on the grid: no display step can be seen
}

const stepGrid = 1e4

func (s *steps) add(x float64) {
	if s.n++; s.n == 1 {
		s.first = x
		return
	}
	d := math.Abs(x-s.first) * stepGrid
	if d == 0 || s.free {
		return
	}
	k := math.Round(d)
	if math.Abs(d-k) > 1e-3 || k > 1e15 {
		s.free = true
		return
	}
	if s.unit == 0 || int64(k)%s.unit != 0 {
		s.unit = divisor(int64(k), s.unit)
	}
}

// divisor is the greatest common one.
func divisor(a, b int64) int64 {
	for a != 0 {
		a, b = b%a, a
	}
	return b
}

// resolution is 0 when no step can be seen. A few readings may all happen to
// be even: below 50 of them the step is taken as a whole part of 1 °C.
func (s *steps) resolution() float64 {
	if s.free || s.n < 2 {
		return 0
	}
	unit := s.unit
	if unit == 0 { // all readings equal: the last decimal of the value itself
		unit = 1
		v := math.Abs(math.Round(s.first * stepGrid))
		for unit < stepGrid && v != 0 && math.Mod(v, float64(unit*10)) == 0 {
			unit *= 10
		}
		if v == 0 {
			unit = stepGrid
		}
	}
	if s.n < 50 {
		unit = divisor(unit, stepGrid)
	}
	return float64(unit) / stepGrid
}

// Resolution returns the display step of readings in °C, the largest step of
// which all their differences are multiples; 0 when none of at least 0.0001
// can be seen.
func Resolution(readings []float64) float64 {
	var s steps
	for _, x := range readings {
		if finite(x) {
			s.add(x)
		}
	}
	return s.resolution()
}
