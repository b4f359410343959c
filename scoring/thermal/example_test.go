package thermal_test

import (
	"fmt"
	"math"

	"proveout/report/words"
	"proveout/scoring/thermal"
)

// A card warms up for 90 minutes, from 24 °C toward 68 °C with a time constant of
// five minutes. The thermometer on its heatsink shows tenths and is good to 0.4 °C;
// the limit of 90 °C holds at 40 °C ambient.
func Example() {
	var log thermal.Accumulator
	for second := range 5400 {
		t := float64(second)
		warm := 68 - 44*math.Exp(-t/300)
		log.Add(thermal.RowAt(t, math.Round(10*warm)/10))
	}
	ambient, rated, limit := 23.0, 40.0, 90.0
	report, err := log.Analyse(0.1, thermal.Options{
		U: 0.2, Place: thermal.Heatsink,
		Ambient: &ambient, AmbientU: 0.2,
		Limit: &limit, LimitPlace: thermal.Heatsink, RatedAmbient: &rated,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("goes to %.1f °C with a time constant of %.0f s\n", *report.TInf, *report.Tau)
	fmt.Printf("%s, by %+.1f K/h at most, since %.0f s\n", report.Settling, report.SlopeCI[1], *report.StableSince)
	fmt.Printf("%v: %.1f °C expected at %.0f °C ambient\n", report.Verdict, *report.Predicted, rated)
	english, _ := words.In("en")
	fmt.Println("Assumed:", english.Plain().Tell(report.Assumptions[0]))
	// Output:
	// goes to 68.0 °C with a time constant of 300 s
	// stable, by +0.7 K/h at most, since 1673 s
	// pass: 85.0 °C expected at 40 °C ambient
	// Assumed: the rise over ambient is the same at the rated ambient temperature: same power, same fan, same air flow
}

// A log that ends on the way up predicts nothing.
func ExampleReport() {
	var log thermal.Accumulator
	for second := range 200 {
		t := float64(second)
		log.Add(thermal.RowAt(t, math.Round(68-44*math.Exp(-t/300))))
	}
	report, err := log.Analyse(1, thermal.Options{})
	fmt.Println(report.DescribesLog, report.Reason, report.TInf == nil, err)
	// Output:
	// false log too short true <nil>
}
