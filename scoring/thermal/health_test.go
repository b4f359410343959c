package thermal

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"proveout/plans/fact"
)

// Readings that no card can give are left out, others are not.
func TestImpossibleReadings(t *testing.T) {
	for _, c := range []struct {
		name  string
		every float64 // s
		temps []float64
		left  []float64
		leaps int
	}{
		{"nothing odd", 1, []float64{23, 23.5, 24, 24.5}, nil, 0},
		{"first one not asked yet", 1, []float64{85, 23, 23.1, 23.2, 23.3}, []float64{85}, 0},
		{"first one not asked yet, every 10 s", 10, []float64{85, 23, 25, 27, 29}, []float64{85}, 0},
		{"first one not asked yet, typed", 120, []float64{85, 23, 30, 36, 41}, []float64{85}, 0},
		{"not connected for a moment", 1, []float64{40, 40, 40, -127, -127, 40, 40}, []float64{-127, -127}, 0},
		{"drops to nothing, every 10 s", 10, []float64{40, 41, 42, 0, 43, 43}, []float64{0}, 0},
		{"last one", 1, []float64{40, 40, 40, 40, 85}, []float64{85}, 0},
		{"beyond every card", 1, []float64{40, 40, 40, 655.35, 40}, []float64{655.35}, 0},
		{"passes 85 on its way", 10, []float64{81, 83, 85, 87, 85, 83}, nil, 0},
		{"a chip under a load in bursts", 1, []float64{45, 45, 45, 58, 63, 66, 48, 46}, nil, 0},
		{"typed every 2 min from cold", 120, []float64{23, 41, 49, 52, 53}, nil, 0},
		{"a few readings only", 1, []float64{23, 85}, nil, 0},
		{"another level for good", 1, slices.Concat(slices.Repeat([]float64{50}, 10), slices.Repeat([]float64{0}, 30)), nil, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			var a Accumulator
			for i, temp := range c.temps {
				a.Add(RowAt(float64(i)*c.every, temp))
			}
			r, err := a.Analyse(0, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if r.Impossible != len(c.left) || r.Readings != len(c.temps)-len(c.left) || len(r.Leaps) != c.leaps {
				t.Errorf("%d left out, %d kept, %d leaps; want %v left out and %d leaps",
					r.Impossible, r.Readings, len(r.Leaps), c.left, c.leaps)
			}
			if r.Peak > 100 || r.Impossible > 0 && c.name != "last one" && (r.Peak == 85) {
				t.Errorf("peak %g", r.Peak)
			}
		})
	}
}

// A doubtful log is said to be one, and no settled temperature comes out of it.
func TestDoubts(t *testing.T) {
	ambient := 23.0
	card := rise{t0: 23, tInf: 48, tau: 300}
	stuck := func(from float64) func(float64) float64 {
		return func(at float64) float64 { return card.at(math.Min(at, from)) }
	}
	for _, c := range []struct {
		name  string
		log   logged
		doubt string
	}{
		{"a good card", made(2700, 1, 0.05, 0.1, 1, card.at), ""},
		{"whole degrees without noise", made(2700, 1, 0, 1, 1, card.at), ""},
		{"typed every 2 min", made(2700, 120, 0.05, 0.1, 1, card.at), ""},
		{"typed in whole degrees", made(2700, 120, 0, 1, 1, card.at), ""},
		{"a slow card", made(2700, 1, 0.1, 1, 1, rise{t0: 23, tInf: 50, tau: 900}.at), ""},
		{"two time constants", made(2700, 1, 0, 0.5, 1, func(at float64) float64 {
			return 23 + 10*(1-math.Exp(-at/15)) + 17*(1-math.Exp(-at/500))
		}), ""},
		{"never moved", made(3600, 1, 0, 0.1, 1, func(float64) float64 { return 47.6 }), "thermal.doubt-never-moved"},
		{"no load", made(3600, 1, 0.1, 0.1, 1, func(float64) float64 { return 47.6 }), "thermal.doubt-no-rise"},
		{"the room warms", made(3600, 1, 0.1, 0.1, 1, func(at float64) float64 { return 22 + at/1200 }), "thermal.doubt-room"},
		{"little", made(3600, 1, 0.1, 0.1, 1, rise{t0: 23, tInf: 36, tau: 300}.at), "thermal.doubt-little"},
		{"frozen on the way", made(2700, 1, 0, 0.1, 1, stuck(400)), "thermal.doubt-frozen"},
		{"frozen on the way, whole degrees", made(2700, 1, 0, 1, 1, stuck(400)), "thermal.doubt-frozen"},
		{"frozen on the way, typed", made(2700, 60, 0, 0.1, 1, stuck(600)), "thermal.doubt-frozen"},
	} {
		r := judged(t, c.log, Options{Ambient: &ambient, AmbientU: 0.3, GoodRise: 23})
		if r.Doubt.Key != c.doubt || c.doubt != "" && (r.Settling == Stable || len(r.Look) == 0) {
			t.Errorf("%s: %q, want %q; %s", c.name, r.Doubt.Key, c.doubt, r.Settling)
		}
	}
}

// A temperature that goes up and down is named as cycling; noise is none.
func TestCycling(t *testing.T) {
	fan := func(at float64) float64 { return step.at(at) + 2*math.Sin(2*math.Pi*at/240) }
	for _, digit := range []float64{0.1, 1} {
		r := judged(t, made(2700, 1, 0.1, digit, 1, fan), Options{})
		if r.Cycling == nil || math.Abs(r.Cycling.Period-240) > 12 || math.Abs(r.Cycling.PeakToPeak-4) > 0.6+0.5*digit {
			t.Errorf("step %g: %+v", digit, r.Cycling)
		}
		if len(r.Loads) > 0 {
			t.Errorf("step %g: cycles were taken for loads: %v", digit, r.Loads)
		}
	}
	for seed := range uint64(20) {
		rng := rand.New(rand.NewPCG(seed, 7))
		e := 0.0
		l := made(2700, 1, 0, 0.1, seed, func(at float64) float64 {
			e = 0.95*e + 0.1*rng.NormFloat64()
			return step.at(at) + e
		})
		if r := judged(t, l, Options{}); r.Cycling != nil || len(r.Loads) > 0 {
			t.Errorf("seed %d: noise was taken for %+v, %v", seed, r.Cycling, r.Loads)
		}
	}
}

// Two loads are two: by the temperature, and by the power.
func TestTwoLoads(t *testing.T) {
	l := made(4000, 1, 0.1, 0.1, 1, func(at float64) float64 {
		switch {
		case at < 1200:
			return rise{t0: 23, tInf: 50, tau: 200}.at(at)
		case at < 2000:
			return rise{t0: 50, tInf: 23, tau: 200}.at(at - 1200)
		}
		return rise{t0: 23.5, tInf: 50, tau: 200}.at(at - 2000)
	})
	check := func(how string) {
		r := judged(t, l, Options{})
		if len(r.Loads) != 2 || math.Abs(r.LoadStart-2000) > 30 || r.LoadEnd != 4000 || math.Abs(r.Tested-2000) > 30 {
			t.Errorf("%s: loads %v, judged %g to %g", how, r.Loads, r.LoadStart, r.LoadEnd)
		}
		if !r.DescribesLog {
			t.Errorf("%s: %s", how, r.Why)
		}
	}
	check("by temperature")
	for _, at := range l.Time {
		power := 30.0
		if at >= 1200 && at < 2000 {
			power = 4
		}
		l.Power = append(l.Power, power)
	}
	check("by power")
}

// A clock that falls takes the temperature down with it.
func TestClockFallsWithTemperature(t *testing.T) {
	l := made(2400, 1, 0.1, 0.1, 1, func(at float64) float64 {
		if at < 900 {
			return step.at(at)
		}
		return step.at(900) - 12*(1-math.Exp(-(at-900)/200))
	})
	for _, at := range l.Time {
		clock := 137e6
		if at > 900 {
			clock = 100e6
		}
		l.Clock = append(l.Clock, clock)
	}
	r := judged(t, l, Options{})
	if len(r.Throttling) != 1 || math.Abs(r.Throttling[0].Since-900) > 130 {
		t.Errorf("%+v", r.Throttling)
	}
	if r.Reason != Overshoot || !mentions(r.Why, "thermal.cause-clock") {
		t.Errorf("%s: %+v", r.Reason, r.Why)
	}
}

// mentions says whether a fact says another one inside of itself.
func mentions(f fact.Fact, key string) bool {
	if f.Key == key {
		return true
	}
	for _, a := range f.Args {
		switch inner := a.(type) {
		case fact.Fact:
			if mentions(inner, key) {
				return true
			}
		case fact.List:
			for _, item := range inner.Items {
				if of, ok := item.(fact.Fact); ok && mentions(of, key) {
					return true
				}
			}
		}
	}
	return false
}
