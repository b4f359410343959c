package scoring

import (
	"math"
	"slices"
	"testing"

	"proveout/plans"
	"proveout/plans/quantity"
)

// columns are the quantities of a log in their order.
func columns(names ...string) func(string) int {
	return func(quantity string) int { return slices.Index(names, quantity) }
}

func row(values ...float64) func(int) float64 {
	return func(place int) float64 { return values[place] }
}

// A log without a time is timed by its frames' stamps, and frames are counted over
// the last five seconds.
func TestWatchCountsFrames(t *testing.T) {
	w := NewWatch(&plans.Step{Kind: plans.LoadKind}, &plans.Family{})
	w.Begin(columns("frame-stamp", "temperature"))
	for i := range 200 { // 10 s at 10 frames per second, then 5 s at 20
		stamp := 100 + float64(i)/10
		if i > 100 {
			stamp = 110 + float64(i-100)/20
		}
		w.Row(row(stamp, 40))
	}
	s := w.Standing()
	if s.Rows != 200 || math.Abs(s.Seconds-14.95) > 1e-9 || math.Abs(s.FPS-20) > 0.5 || s.Temperature != 40 {
		t.Errorf("%+v", s)
	}
	if !math.IsNaN(s.Limit) || s.Over {
		t.Errorf("a load step has no limit of temperature: %+v", s)
	}
	w.Begin(columns("time", "fps"))
	w.Row(row(0, 58))
	w.Row(row(1, math.NaN()))
	if s := w.Standing(); s.Rows != 2 || s.FPS != 58 || s.Seconds != 1 || !math.IsNaN(s.Temperature) || w.Analyse() {
		t.Errorf("begun anew: %+v", s)
	}
}

// A limit that holds for the chip alarms a sensor on the heatsink too.
func TestWatchAlarmsAtTheLimit(t *testing.T) {
	family := &plans.Family{}
	family.Thermal.Sensor = "die"
	soak := &plans.Soak{Sensor: "heatsink", MaxTemp: &quantity.Quantity{Value: 60}}
	step := &plans.Step{Kind: plans.SoakKind, Spec: soak}
	w := NewWatch(step, family)
	w.Add(0, 59)
	if w.Standing().Over {
		t.Error("59 °C is called above 60")
	}
	w.Add(1, 61)
	if s := w.Standing(); !s.Over || s.Limit != 60 || s.Rows != 0 {
		t.Errorf("%+v", s)
	}
	if !w.Analyse() || w.Analyse() {
		t.Error("it is analysed when temperatures came in, and only then")
	}
}

// A sensor that stands still is doubted once a card had time to warm, and has no end to
// go to.
func TestWatchDoubts(t *testing.T) {
	step := &plans.Step{Kind: plans.SoakKind, Spec: &plans.Soak{}}
	w := NewWatch(step, &plans.Family{})
	for at := range 700 {
		w.Add(float64(at), 47.6)
		if at == 300 && (!w.Analyse() || !w.Standing().Doubt.IsZero()) {
			t.Error("doubted before a card could warm")
		}
	}
	w.Analyse()
	if s := w.Standing(); s.Doubt.Key != "thermal.doubt-never-moved" || s.Stable || !math.IsNaN(s.Plateau) {
		t.Errorf("%+v", s)
	}
}
