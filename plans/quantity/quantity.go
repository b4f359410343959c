// Package quantity holds values with a unit and a tolerance, written the way a
// technician writes them: "166 MHz ±1 %", "16 MiB", "40 min", "3.3 V ±0.3 V".
//
// Text comes in and base units go out: hertz, bytes, seconds, degrees Celsius,
// volts, ohms, amperes, watts. The package knows nothing of cards or plans.
package quantity

import "math"

// A Dimension is what a quantity measures. Each has one base unit.
type Dimension string

// The dimensions and their base units.
const (
	Frequency       Dimension = "frequency"              // Hz
	Bytes           Dimension = "memory size"            // B; MB is 2^20 where the trade prints it so
	Duration        Dimension = "duration"               // s
	Temperature     Dimension = "temperature"            // °C
	Difference      Dimension = "temperature difference" // K
	TemperatureRate Dimension = "temperature rate"       // K/s
	Voltage         Dimension = "voltage"                // V
	Current         Dimension = "current"                // A
	Resistance      Dimension = "resistance"             // Ω
	Power           Dimension = "power"                  // W
	Ratio           Dimension = "ratio"                  // 1; "95 %" is 0.95
	FrameRate       Dimension = "frame rate"             // 1/s, "fps"
	Bits            Dimension = "bits"                   // bit
	Number          Dimension = "number"                 // plain number, as scores are
	Rotation        Dimension = "rotation"               // 1/s; in files of other programs only
)

// known are the dimensions that plans and prompts know, with how people write
// them.
var known = [...]struct {
	dim     Dimension
	example string
}{
	{Frequency, "166 MHz"},
	{Bytes, "16 MiB"},
	{Duration, "40 min"},
	{Temperature, "85 °C"},
	{Difference, "1.5 K"},
	{TemperatureRate, "2 K/h"},
	{Voltage, "3.3 V"},
	{Current, "0.5 A"},
	{Resistance, "47 ohm"},
	{Power, "12 W"},
	{Ratio, "95 %"},
	{FrameRate, "25 fps"},
	{Bits, "128 bit"},
	{Number, "1250"},
}

// Dimensions returns the dimensions that plans and prompts know.
func Dimensions() []Dimension {
	var out []Dimension
	for _, k := range known {
		out = append(out, k.dim)
	}
	return out
}

// Known reports whether plans and prompts know the dimension.
func (d Dimension) Known() bool { return d.Example() != "" }

// Example returns how a quantity of the dimension is written: "166 MHz".
func (d Dimension) Example() string {
	for _, k := range known {
		if k.dim == d {
			return k.example
		}
	}
	return ""
}

// A Quantity is one value with its unit and, where one was written, its
// tolerance. All numbers are in the base unit of the dimension.
type Quantity struct {
	Dimension  Dimension `json:"dimension"`
	Value      float64   `json:"value"`
	Minus      float64   `json:"minus,omitempty"`      // allowed deviation below Value, ≥ 0
	Plus       float64   `json:"plus,omitempty"`       // allowed deviation above Value, ≥ 0
	Tolerated  bool      `json:"tolerated,omitempty"`  // a tolerance was written
	Resolution float64   `json:"resolution,omitempty"` // one step of the last written digit of the value
	Unit       string    `json:"unit"`                 // as documents print it: "MHz"
	Text       string    `json:"text"`                 // as the technician wrote it
}

// Low returns the lower limit, or -Inf when no tolerance was written.
func (q Quantity) Low() float64 {
	if !q.Tolerated {
		return math.Inf(-1)
	}
	return q.Value - q.Minus
}

// High returns the upper limit, or +Inf when no tolerance was written.
func (q Quantity) High() float64 {
	if !q.Tolerated {
		return math.Inf(1)
	}
	return q.Value + q.Plus
}
