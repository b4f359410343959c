package quantity

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// JCGM 100:2008: 7.2.2 writes mS = 100.02147 g with u = 0.35 mg, 7.2.4 the same
// mass as (100.02147 ± 0.00079) g; 7.2.6 rounds 10.057 62 Ω with u = 27 mΩ to
// 10.058 Ω. (Clause numbers and values from memory.)
func TestRoundedAsTheGuideWritesIt(t *testing.T) {
	for _, tt := range []struct {
		v, u         float64
		value, uText string
	}{
		{100.02147, 0.00035, "100.02147", "0.00035"},
		{100.02147, 0.00079, "100.02147", "0.00079"},
		{10.05762, 0.027, "10.058", "0.027"},
		// Edges, by hand: 0.0996 is 0.10 to two digits, 99.6 is 100.
		{1.23456, 0.0996, "1.23", "0.10"},
		{1234.56, 99.6, "1230", "100"},
		{1234.56, 12, "1235", "12"},
		{123456, 1234, "123500", "1200"},
		{-0.004, 0.12, "0.00", "0.12"},
		{0, 5, "0.0", "5.0"},
	} {
		if v, u := Rounded(tt.v, tt.u); v != tt.value || u != tt.uText {
			t.Errorf("Rounded(%g, %g) = %s ± %s, want %s ± %s", tt.v, tt.u, v, u, tt.value, tt.uText)
		}
	}
}

// What is written is never further from the value than half a unit of its last
// digit, and value and uncertainty end at the same digit.
func TestRoundedStaysNear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := math.Pow(10, rapid.Float64Range(-6, 6).Draw(t, "log u"))
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "v")
		vt, ut := Rounded(v, u)
		gv, err1 := strconv.ParseFloat(vt, 64)
		gu, err2 := strconv.ParseFloat(ut, 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("%q ± %q", vt, ut)
		}
		if d := math.Abs(gv - v); d > 0.051*u+1e-9 {
			t.Fatalf("%g ± %g is written %s ± %s, %g off", v, u, vt, ut, d)
		}
		if d := math.Abs(gu - u); d > 0.051*u {
			t.Fatalf("U %g is written %s", u, ut)
		}
		if _, a, _ := strings.Cut(vt, "."); true {
			if _, b, _ := strings.Cut(ut, "."); len(a) != len(b) {
				t.Fatalf("%s and %s end at different digits", vt, ut)
			}
		}
	})
}
