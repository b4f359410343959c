package picture

import (
	"testing"

	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/simulate"
)

func benchmarkCompare(b *testing.B, format pattern.Format, d simulate.Device) {
	f := show(b, pattern.Mode{Width: 1024, Height: 768, Format: format}, "random-1")
	c := captured(b, f, wide, d, 1)
	b.ReportAllocs()
	for b.Loop() {
		compared(b, f, c, Options{Memory: &wide})
	}
}

func BenchmarkCompareDigital565(b *testing.B) { benchmarkCompare(b, pattern.RGB565, simulate.Device{}) }
func BenchmarkCompareDigital888(b *testing.B) { benchmarkCompare(b, pattern.RGB888, simulate.Device{}) }
func BenchmarkCompareAnalogue888(b *testing.B) {
	benchmarkCompare(
		b,
		pattern.RGB888,
		simulate.Device{Noise: 5, Blur: 0.4, ShiftX: 3, Gain: [3]float64{1.05, 1.05, 1.05}},
	)
}

// Peak memory at 1600×1200: run alone and look at the resident set.
func BenchmarkCompareLarge(b *testing.B) {
	f := show(b, pattern.Mode{Width: 1600, Height: 1200, Format: pattern.RGB565}, "random-1")
	c := captured(b, f, wide, simulate.Device{Noise: 5, Blur: 0.4, ShiftX: 3}, 1)
	b.ReportAllocs()
	for b.Loop() {
		compared(b, f, c, Options{Memory: &wide})
	}
}
