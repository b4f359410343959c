package logs

import (
	"maps"
	"math"
	"slices"
	"strings"

	"proveout/plans/quantity"
)

// A measure is what a log may hold: what it measures, and the span of values
// that can be true.
type measure struct {
	dim    quantity.Dimension
	bare   bool    // it has no unit that could be another one
	lo, hi float64 // base unit; outside it a row is bad
}

// measures names the quantities of a log. The spans are generous: they keep out
// what no sensor of a working bench shows (common practice, no source). The cold that
// a sensor without contact reports is let through: scoring leaves it out and counts it.
var measures = map[string]measure{
	"time":               {quantity.Duration, false, -1e12, 1e12},
	"temperature":        {quantity.Temperature, false, -273.15, 400},
	"memory-temperature": {quantity.Temperature, false, -273.15, 400},
	"ambient":            {quantity.Temperature, false, -273.15, 400},
	"frame-time":         {quantity.Duration, false, 0, 1e6},
	"frame-stamp":        {quantity.Duration, false, -1e12, 1e12},
	"fps":                {quantity.FrameRate, true, 0, 1e6},
	"frames":             {quantity.Number, true, 0, 1e15},
	"score":              {quantity.Number, true, math.Inf(-1), math.Inf(1)},
	"power":              {quantity.Power, false, 0, 1e5},
	"core-clock":         {quantity.Frequency, false, 0, 1e11},
	"memory-clock":       {quantity.Frequency, false, 0, 1e11},
	"busy":               {quantity.Ratio, false, 0, 2},
	"fan-speed":          {quantity.Rotation, false, 0, 1e4},
	"fan-duty":           {quantity.Ratio, false, 0, 2},
	"voltage":            {quantity.Voltage, false, -100, 100},
	"current":            {quantity.Current, false, -1e3, 1e3},
}

// asked reports whether a column without a unit is read all the same, in the unit
// that its values show or a person says.
func (m measure) asked() bool { return m.dim == quantity.Duration || m.dim == quantity.Temperature }

// inverse returns the dimension in which a quantity may be given by its inverse:
// a frame rate by the average time of a frame, the time of a frame by its rate.
func inverse(name string) quantity.Dimension {
	switch name {
	case "fps":
		return quantity.Duration
	case "frame-time":
		return quantity.FrameRate
	}
	return ""
}

// Quantities returns the names of the quantities that a map may give a column,
// in alphabetical order.
func Quantities() []string { return slices.Sorted(maps.Keys(measures)) }

// usualUnit is a unit of a dimension that logs often have.
func usualUnit(dim quantity.Dimension) string {
	if example := strings.Fields(dim.Example()); len(example) == 2 {
		return example[1]
	}
	return "rpm"
}

// baseUnit names the base unit of a dimension behind a number: " °C".
func baseUnit(dim quantity.Dimension) string {
	switch dim {
	case quantity.FrameRate, quantity.Rotation:
		return " 1/s"
	case quantity.Ratio, quantity.Number:
		return ""
	}
	return " " + quantity.Choose(dim).Name
}

// anyUnit returns what a unit measures and its name as documents print it,
// "MHz" for "mhz", leaving out units that say nothing ("1"). Words for units of
// time and rates keep the file's own spelling.
func anyUnit(text string) (dim quantity.Dimension, name string, ok bool) {
	if strings.TrimSpace(text) == "1" {
		return "", "", false
	}
	for _, dim := range []quantity.Dimension{
		quantity.Duration, quantity.Temperature, quantity.Frequency, quantity.Power, quantity.Voltage,
		quantity.Current, quantity.Ratio, quantity.FrameRate, quantity.Rotation,
	} {
		u, ok := quantity.InFile(dim, text)
		if !ok {
			continue
		}
		timed := dim == quantity.Duration || dim == quantity.FrameRate || dim == quantity.Rotation
		if timed && u.Name != "µs" && !strings.EqualFold(u.Name, text) {
			return dim, text, true
		}
		return dim, u.Name, true
	}
	return "", "", false
}
