// Package thermal judges temperature logs of a soak: how the temperature rose,
// whether it has settled, where it would end, and what that means at another
// ambient temperature.
//
// Rows given one by one to an [Accumulator] and [Options] come in; a [Report]
// with numbers, reasons and facts goes out. A [Watch] says the same in short of
// a log that is still being written. Times are in seconds, temperatures in °C,
// power in watts, clocks in hertz. The package reads no files, knows no cards,
// and predicts nothing from a curve that does not describe the log.
package thermal

import (
	"math"
	"sort"

	"proveout/scoring/conformity"
	"proveout/scoring/holes"
)

// A Quantity is what a column of a log holds.
type Quantity int

// The quantities. Time and Temperature are needed.
const (
	Time        Quantity = iota // s
	Temperature                 // °C
	Ambient                     // °C
	Power                       // W
	Second                      // °C, of a second sensor
	Clock                       // Hz
	FrameRate                   // frames per second
	Fan                         // turns per second, or the share of full speed
	quantities                  // how many there are
)

// names are those that logs have for them.
var names = [quantities]string{
	Time: "time", Temperature: "temperature", Ambient: "ambient", Power: "power",
	Second: "memory-temperature", Clock: "core-clock", FrameRate: "fps", Fan: "fan-speed",
}

// A Row is one line of a log. NaN stands for a quantity that it does not hold.
type Row [quantities]float64

// RowAt is a row of nothing but a time in seconds and a temperature in °C.
func RowAt(time, temp float64) Row {
	row := Row{Time: time, Temperature: temp}
	for q := Ambient; q < quantities; q++ {
		row[q] = math.NaN()
	}
	return row
}

// Columns are the places of the quantities in the rows of a log; −1 where it has
// none.
type Columns [quantities]int

// ColumnsOf asks for the place of each quantity by its name.
func ColumnsOf(place func(quantity string) int) Columns {
	var c Columns
	for q, name := range names {
		c[q] = place(name)
	}
	if c[Fan] < 0 {
		c[Fan] = place("fan-duty")
	}
	return c
}

// Row takes a row out of a log that gives its values by their places.
func (c Columns) Row(value func(place int) float64) Row {
	var row Row
	for q, place := range c {
		row[q] = math.NaN()
		if place >= 0 {
			row[q] = value(place)
		}
	}
	return row
}

// samples are a log as it is judged: rows with a time and a temperature, in
// order of time. Of a long log each is the mean over a stretch of time.
type samples struct {
	time, temp []float64
	other      [quantities][]float64 // the other quantities; empty where the log has none; NaN means "no reading"
	resolution float64               // °C, step of the sensor's display; 0: none seen
}

// between returns the rows with from ≤ time ≤ to; the columns share memory.
func (s samples) between(from, to float64) samples {
	first := sort.SearchFloat64s(s.time, from)
	end := first + sort.Search(len(s.time)-first, func(i int) bool { return s.time[first+i] > to })
	out := samples{time: s.time[first:end], temp: s.temp[first:end], resolution: s.resolution}
	for i, column := range s.other {
		if len(column) != 0 {
			out.other[i] = column[first:end]
		}
	}
	return out
}

// from returns the same rows with their times counted from origin.
func (s samples) from(origin float64) samples {
	shifted := make([]float64, len(s.time))
	for i, t := range s.time {
		shifted[i] = t - origin
	}
	s.time = shifted
	return s
}

// gaps lists times without readings longer than limit.
func gaps(times []float64, limit float64) []holes.Hole {
	out := []holes.Hole{}
	for i := 1; i < len(times); i++ {
		if times[i]-times[i-1] > limit {
			out = append(out, holes.Hole{From: times[i-1], To: times[i]})
		}
	}
	return out
}

// longestStep is the time that may lie between two readings, in seconds: half as
// much again as the interval that was asked for; where none was, five usual steps,
// or the minute in which no card's temperature comes and goes unseen (common
// practice, no source).
func longestStep(every, usual float64) float64 {
	if every > 0 {
		return 1.5 * every
	}
	return math.Max(60, 5*usual)
}

// usualStep is the median of the changes from one value to the next, without
// their signs; 0 for a single value.
func usualStep(values []float64) float64 {
	if len(values) < 2 {
		return 0
	}
	changes := make([]float64, len(values)-1)
	for i := range changes {
		changes[i] = math.Abs(values[i+1] - values[i])
	}
	return conformity.Median(changes)
}

// finiteOf returns the numbers among values, copied.
func finiteOf(values []float64) []float64 {
	out := make([]float64, 0, len(values))
	for _, v := range values {
		if finite(v) {
			out = append(out, v)
		}
	}
	return out
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func square(x float64) float64 { return x * x }

// displaySteps finds the step of a sensor's display: the largest step of which
// all differences between readings are multiples. It works on a grid of 0.0001,
// on which the greatest common divisor of whole numbers is that step.
type displaySteps struct {
	first float64
	unit  int64 // on the grid; 0 as long as all readings are equal
	n     int
	free  bool // not on the grid: no display step can be seen
}

const stepGrid = 1e4

func (s *displaySteps) add(reading float64) {
	if s.n++; s.n == 1 {
		s.first = reading
		return
	}
	difference := math.Abs(reading-s.first) * stepGrid
	if difference == 0 || s.free {
		return
	}
	whole := math.Round(difference)
	if math.Abs(difference-whole) > 1e-3 || whole > 1e15 {
		s.free = true
		return
	}
	if s.unit == 0 || int64(whole)%s.unit != 0 {
		s.unit = divisor(int64(whole), s.unit)
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
func (s *displaySteps) resolution() float64 {
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

// resolutionOf returns the display step of readings; 0 when none of at least
// 0.0001 can be seen.
func resolutionOf(readings []float64) float64 {
	var s displaySteps
	for _, v := range readings {
		s.add(v)
	}
	return s.resolution()
}
