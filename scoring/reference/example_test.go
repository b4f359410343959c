package reference_test

import (
	"fmt"

	"proveout/report/words"
	"proveout/scoring/reference"
)

// Ten good cards of a family on this bench, and a card that is slower than any
// of them.
func ExampleJudge() {
	good := reference.Set{
		Unit:   "fps",
		Scores: []float64{41.2, 40.8, 41.9, 40.1, 41.5, 40.6, 41.0, 41.4, 40.9, 41.1},
	}
	o, err := reference.Judge(good, 38.7, reference.Options{Direction: reference.HigherIsBetter})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%v: %.2f to %.2f\n", o.Verdict, *o.Prediction.Low, *o.Prediction.High)
	english, err := words.In("en")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(english.Plain().Tell(o.Sentence))
	// Output:
	// fail: 39.86 to 42.24
	// 38.70 fps: after 10 known-good cards the next good card is expected at 39.86 fps or more (97.5 %): fail.
}

// The control card ran every morning; on the ninth the bench had changed. No
// verdict stands on this bench until someone has looked into it.
func ExampleControlChart() {
	chart, err := reference.ControlChart([]float64{60.1, 60.3, 59.9, 60.2, 60.0, 60.2, 60.1, 59.9, 57.2})
	if err != nil {
		fmt.Println(err)
		return
	}
	english, err := words.In("en")
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, signal := range chart.Signals {
		fmt.Println(english.Plain().Tell(signal.Why))
	}
	// Output:
	// run 9, 57.20, lies outside 58.34 to 61.20: a sudden change
	// run 9 differs from the run before by 2.70, more than 1.76: a jump
}
