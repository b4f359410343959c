package pattern_test

import (
	"fmt"

	"proveout/scoring/picture/pattern"
)

// A picture tells by the strips at its edges which one it is.
func ExampleIdentify() {
	m := pattern.Mode{Width: 320, Height: 240, Format: pattern.RGB565}
	p, err := pattern.ParseName("random-7", m)
	if err != nil {
		fmt.Println(err)
		return
	}
	f, err := p.Render()
	if err != nil {
		fmt.Println(err)
		return
	}
	found, err := pattern.Identify(f.RGB())
	fmt.Println(found.Name(), found.Mode, err)
	// Output: random-7 320x240x16 <nil>
}
