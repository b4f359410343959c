package conformity_test

import (
	"fmt"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// named is the name of a contribution as it stands in every language.
func named(name string) fact.Fact { return fact.Text(fact.Name(name)) }

// A thermometer good to ±1.5 °C with a display in steps of 1 °C reads 84 °C
// where 85 °C are allowed. The interval 84 °C ± 1.8 °C reaches over the limit, so
// nothing is decided; a finer thermometer with the same reading would pass.
func ExampleJudge() {
	budget, err := conformity.Combine(
		conformity.InstrumentLimits(named("thermometer"), 1.5, 0),
		conformity.Resolution(named("display"), 1),
	)
	if err != nil {
		fmt.Println(err)
		return
	}
	r, err := conformity.Judge(84, budget.Uncertainty(), conformity.AtMost(85), conformity.Guarded)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%v, U = %.1f °C, probability %.2f\n", r.Verdict, r.Expanded, r.Probability)
	fmt.Printf("%v with U up to %.1f °C\n", r.Settle.Verdict, r.Settle.LargestExpanded)
	// Output:
	// inconclusive, U = 1.8 °C, probability 0.86
	// pass with U up to 1.0 °C
}

// Where the uncertainty of a reading comes from: the larger part of its variance
// is the thermometer's.
func ExampleCombine() {
	repeats, err := conformity.Repeatability(named("three readings"), []float64{71, 72, 71})
	if err != nil {
		fmt.Println(err)
		return
	}
	budget, err := conformity.Combine(
		conformity.InstrumentLimits(named("thermometer"), 1.5, 0),
		conformity.Resolution(named("display"), 1),
		repeats,
	)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, line := range budget.Contributions {
		name := line.Name.Args["text"]
		fmt.Printf("%-14s %-11s u = %.2f  %2.0f %%\n", name, line.Distribution, line.Standard, 100*line.Share)
	}
	fmt.Printf("U = %.1f (k = %.2f)\n", budget.Expanded, budget.Uncertainty().K)
	// Output:
	// thermometer    rectangular u = 0.87  79 %
	// display        rectangular u = 0.29   9 %
	// three readings type A      u = 0.33  12 %
	// U = 2.0 (k = 2.02)
}

// Over a family whose cards draw (2.0 ± 0.1) A, with 2.2 A allowed and an ammeter
// with u = 0.03 A, the guarded rule lets next to no bad card through.
func ExampleGlobal() {
	family := conformity.Prior{Mean: 2.0, SD: 0.1}
	limits := conformity.AtMost(2.2)
	for _, rule := range []conformity.Rule{conformity.Simple, conformity.Guarded} {
		r, err := conformity.Judge(2.0, conformity.StandardUncertainty(0.03), limits, rule)
		if err != nil {
			fmt.Println(err)
			return
		}
		risk, err := conformity.Global(family, 0.03, limits, r.Acceptance)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%s: bad and accepted %.4f, good and rejected %.4f\n", rule, risk.Consumer, risk.Producer)
	}
	// Output:
	// simple: bad and accepted 0.0045, good and rejected 0.0095
	// guarded: bad and accepted 0.0001, good and rejected 0.0673
}
