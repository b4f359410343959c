package pacing_test

import (
	"fmt"

	"proveout/report/words"
	"proveout/scoring/pacing"
)

// A run of 3000 frames at 60 frames per second, with one frame of a tenth of a
// second in the middle.
func Example() {
	var run pacing.Accumulator
	for frame := range 3000 {
		ms := 16.7
		if frame == 1500 {
			ms = 100
		}
		run.Add(ms)
	}
	report, err := run.Report(pacing.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	english, err := words.In("en")
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, sentence := range english.Plain().TellAll(report.Sentence) {
		fmt.Println(sentence)
	}
	// Output:
	// 3000 frames in 50.2 s: 59.78 frames per second; half of the frames took 16.70 ms or less.
	// The slowest 1 % of frames ran at 51.34 frames per second, the slowest 0.1 % at 22.49 (mean of those frames).
	// 1 stall longer than 50.1 ms: 100.0 ms at 25.1 s.
	// No drift: the frame time stays as it is from the beginning to the end.
}
