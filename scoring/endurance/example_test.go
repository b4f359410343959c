package endurance_test

import (
	"fmt"

	"proveout/report/words"
	"proveout/scoring/endurance"
)

// A fault came back about every 20 minutes. Two hours without it are not enough to
// say that it is five times rarer now; four hours are.
func ExampleJudge() {
	question := endurance.Question{Interval: 20 * 60, Multiple: 5, Confidence: 0.9}
	for _, runs := range [][]endurance.Run{nil, {{Seconds: 2 * 3600}}, {{Seconds: 2 * 3600}, {Seconds: 2 * 3600}}} {
		outcome, err := endurance.Judge(question, runs)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%v: ran %.0f of %.0f s\n", outcome.Verdict, outcome.Ran, outcome.Needed)
		if !outcome.Settle.IsZero() {
			english, _ := words.In("en")
			fmt.Println("To settle it:", english.Plain().Tell(outcome.Settle))
		}
	}
	// Output:
	// not run: ran 0 of 13816 s
	// inconclusive: ran 7200 of 13816 s
	// To settle it: run 1 h 51 min more, without a failure in all
	// pass: ran 14400 of 13816 s
}

// How many passes of a test must be good before nine in ten may be called good, with
// 95 % confidence.
func ExampleNeededPasses() {
	passes, err := endurance.NeededPasses(0.9, 0.95, 0)
	fmt.Println(passes, err)
	// Output: 29 <nil>
}
