package picture

import (
	"testing"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/simulate"
)

// With an address line of every chip stuck, half of the picture is seen where
// the other half belongs: the capture must not be laid over the wrong half.
func TestStuckAddressLineInAShiftedCapture(t *testing.T) {
	m := pattern.Mode{Width: 480, Height: 360, Format: pattern.RGB565}
	f := show(t, m, "random-1")
	lines, shifts := []int{3}, []float64{-11}
	if allChecks {
		lines, shifts = []int{0, 1, 2, 3, 5, 8}, []float64{-11, 5}
	}
	missed, all := 0, 0
	for _, shift := range shifts {
		for _, a := range lines {
			all++
			d := simulate.Device{Noise: 2.2, Blur: 0.32, ShiftX: shift, ShiftY: -shift}
			r := compared(
				t,
				f,
				captured(t, f, wider, d, 4, simulate.Fault{Kind: memory.AddressLine, Chip: -1, AddressLine: a}),
				Options{Memory: &wider},
			)
			if len(r.Findings) != 1 || r.Findings[0].Kind != memory.AddressLine || r.Findings[0].AddressLine != a ||
				r.Shift != [2]float64{shift, -shift} {
				missed++
				t.Logf("A%d, shift %g: shift %v, %q", a, shift, r.Shift, brief(r.Findings))
			}
		}
	}
	if missed > 0 {
		t.Errorf("%d of %d missed", missed, all)
	}
}
