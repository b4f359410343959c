package bus_test

import (
	"fmt"
	"os"

	"proveout/plans"
	"proveout/scoring/bus"
)

// A clock is read in whole megahertz and compared with what a synthesizer on
// the common reference can make.
func ExampleJudgeClock() {
	made := plans.Synthesizer{
		N: plans.Span{Low: 8, High: 129}, M: plans.Span{Low: 2, High: 31}, K: plans.Span{Low: 0, High: 3},
	}
	r, err := bus.JudgeClock(bus.ClockReading{
		NominalHz: 90e6, ReadHz: 90e6, ResolutionHz: 1e6, TolerancePPM: 10_000, Synthesizer: &made,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(r.Verdict, plain.Tell(r.Text))
	fmt.Printf("%.4f MHz, %s\n", r.Nearest.Hz/1e6, plain.Tell(r.Nearest.Fact()))
	// Output:
	// pass the reading agrees with 90 MHz
	// 90.0000 MHz, N=44, M=7, K=0
}

// A monitor's menu rounds line and frame rate.
func ExampleMatchTiming() {
	r, err := bus.MatchTiming(bus.TimingReading{
		LineHz: 48_400, LineResolution: 100, RefreshHz: 60, RefreshResolution: 1,
		HPolarity: bus.Negative, VPolarity: bus.Negative,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(plain.Tell(r.Text))
	// Output: 1024x768 at 60 Hz (DMT 0x10): the reading agrees within its last digit; the monitor rounds
}

// A dump is read, and the card in it is compared with what its family states.
func ExampleDetect() {
	text, err := os.ReadFile("testdata/displays.hex")
	if err != nil {
		fmt.Println(err)
		return
	}
	devices, problems := bus.ParseDump(text)
	for _, p := range problems {
		fmt.Println(plain.Tell(p.Fact()))
	}
	family := &plans.Family{IDs: []plans.DeviceID{{Vendor: "fee3", Device: "5158"}}}
	card, _ := bus.FindDevice(devices, family)
	found := bus.Detect(card, family, nil)
	fmt.Println(found.Verdict)
	for _, x := range found.Differences {
		fmt.Printf("%s: %s, not %s\n", plain.Tell(x.Title()), plain.Tell(x.Got), plain.Tell(x.Want))
		fmt.Println(plain.Tell(x.Meaning))
	}
	// Output:
	// fail
	// device id: 0x5159, not 0x5158
	// another chip or variant than the family's; they differ in bit 0: a bus line at fault looks like that
}
