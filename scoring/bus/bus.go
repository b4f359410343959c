// Package bus decodes what a card and a monitor say of themselves and judges
// what the clocks and rails show: PCI configuration space with its AGP and
// PCI Express capabilities, EDID, video timing, clock synthesis, resistances
// of supply rails.
//
// Bytes, dumps and typed readings come in; decoded structures, deviations and
// reasons go out, the reasons as facts without words. The package opens no files
// and reads no devices. Quantities are in base units: hertz, volts, ohms, bytes;
// deviations are in parts per million where a name says ppm.
package bus

import "math"

// ppm returns the deviation of x from nominal in parts per million; NaN when
// nominal is 0.
func ppm(x, nominal float64) float64 {
	if nominal == 0 {
		return math.NaN()
	}
	return (x/nominal - 1) * 1e6
}
