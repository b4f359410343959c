package content_test

import (
	"testing"

	"proveout/report/content"
	"proveout/report/internal/sample"
)

// Text of a whole report, in English and translated.
func BenchmarkBuild(b *testing.B) {
	for _, l := range []string{"en", "de"} {
		b.Run(l, func(b *testing.B) {
			d := sample.Failed()
			d.Language = l
			for b.Loop() {
				if _, err := content.Build(d); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
