package page

import (
	"math"
	"strconv"
	"testing"
)

// luminance is the relative luminance of an sRGB colour, "rrggbb" or "rgb"
// (WCAG 2.2, definition of relative luminance).
func luminance(hex string) float64 {
	if len(hex) == 3 {
		hex = string([]byte{hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]})
	}
	sum := 0.0
	for i, k := range [3]float64{0.2126, 0.7152, 0.0722} {
		n, err := strconv.ParseUint(hex[2*i:2*i+2], 16, 8)
		if err != nil {
			return math.NaN()
		}
		v := float64(n) / 255
		if v <= 0.04045 {
			v /= 12.92
		} else {
			v = math.Pow((v+0.055)/1.055, 2.4)
		}
		sum += k * v
	}
	return sum
}

// White on black is 21 : 1 (WCAG 2.2, note to the definition of contrast
// ratio).
func TestLuminance(t *testing.T) {
	if r := (luminance("fff") + 0.05) / (luminance("000000") + 0.05); math.Abs(r-21) > 1e-9 {
		t.Errorf("white on black is %g : 1", r)
	}
}
