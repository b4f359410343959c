package chain

import (
	"testing"

	"proveout/scoring/picture/pattern"
)

// A capture device's picture: one that is exact costs next to nothing.
func BenchmarkExamine(b *testing.B) {
	p, err := pattern.ParseName("random-1", pattern.Mode{Width: 640, Height: 480, Format: pattern.RGB565})
	if err != nil {
		b.Fatal(err)
	}
	f, err := p.Render()
	if err != nil {
		b.Fatal(err)
	}
	wanted := f.RGB()
	g := gridOf(noisy(wanted, 3))
	b.ReportAllocs()
	for b.Loop() {
		Examine(wanted, g, Way{1280, 1, 1})
	}
}
