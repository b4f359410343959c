package scoring_test

import (
	"math"
	"strings"
	"testing"

	"proveout/scoring/conformity"
)

// verdicts are those that are wanted of checks, by their names.
type verdicts = map[string]conformity.Verdict

// A stepCase is one attempt at a step and what must come of it.
type stepCase struct {
	name    string
	step    string // with keys of its own, as newBench takes them
	answers []string
	want    conformity.Verdict
	checks  verdicts
	says    string // in the step's reason, causes or findings
}

func runCases(t *testing.T, cases []stepCase) {
	t.Helper()
	for _, tt := range cases {
		t.Run(tt.name, func(t *testing.T) {
			id, _, _ := strings.Cut(tt.step, ";")
			b := newBench(t, tt.step)
			b.attempt(id, tt.answers...)
			s := b.step(id)
			if s.Verdict != tt.want {
				t.Errorf("%v, want %v: %s", s.Verdict, tt.want, said(s.Reason))
			}
			for name, want := range tt.checks {
				if got := checkNamed(t, s, name); got.Verdict != want {
					t.Errorf("%s: %v, want %v: %s", name, got.Verdict, want, said(got.Reason))
				}
			}
			if all := told(s); !strings.Contains(all, tt.says) {
				t.Errorf("%q is not said in %s", tt.says, all)
			}
		})
	}
}

func TestInspection(t *testing.T) {
	runCases(t, []stepCase{
		{"in order", "inspection", []string{"bridges=yes", "pins=yes"}, pass, nil, ""},
		{"one part is not there", "inspection", []string{"bridges=yes", "pins=n/a"}, pass, verdicts{"pins": na}, ""},
		{"a bridge", "inspection", []string{"bridges=no", "pins=yes"}, fail, verdicts{"bridges": fail, "pins": pass}, "Not in order: “No bridge”."},
		{"one line not looked at", "inspection", []string{"bridges=yes"}, notRun, verdicts{"pins": notRun}, "was not looked at"},
		{"a bridge, the rest not looked at", "inspection", []string{"bridges=no"}, fail, nil, ""},
		{"nothing looked at", "inspection", []string{"bridges=n/a", "pins=n/a"}, inconclusive, nil, "nothing was looked at"},
		{"put right before it was recorded", "inspection", []string{"bridges=no", "pins=yes", "bridges=yes"}, pass, nil, ""},
	})
}

func TestRails(t *testing.T) {
	good := []string{"core.ohm=10.8 ohm", "mem.ohm=39.5 ohm", "core.volt=2.51 V", "mem.volt=3.31 V"}
	runCases(t, []stepCase{
		{"good", "rails", good, pass, nil, ""},
		{"a short", "rails", []string{"core.ohm=0.3 ohm", "mem.ohm=39.5 ohm"}, fail,
			verdicts{"core.ohm": fail, "mem.ohm": pass, "core.volt": notRun, "mem.volt": notRun}, "the card must not get power"},
		{"a voltage not measured", "rails", good[:3], notRun, verdicts{"mem.volt": notRun}, "was not read"},
		{"a resistance not measured", "rails", good[1:], notRun, verdicts{"core.ohm": notRun}, "was not read"},
		{"too low", "rails", []string{"core.ohm=10.8 ohm", "mem.ohm=39.5 ohm", "core.volt=2.20 V", "mem.volt=3.31 V"}, fail, verdicts{"core.volt": fail}, "The regulator of core"},
		{"on the limit", "rails", []string{"core.ohm=10.8 ohm", "mem.ohm=39.5 ohm", "core.volt=2.62 V", "mem.volt=3.31 V"}, inconclusive, verdicts{"core.volt": inconclusive}, "too near to a limit"},
		{"far from usual, no short", "rails", []string{"core.ohm=50 ohm", "mem.ohm=39.5 ohm", "core.volt=2.51 V", "mem.volt=3.31 V"}, pass, nil, "a factor of 4.5 above the usual"},
		{"open, nothing loads it", "rails", []string{"core.ohm=36 kohm", "mem.ohm=39.5 ohm", "core.volt=2.51 V", "mem.volt=3.31 V"}, fail, verdicts{"core.ohm": fail, "core.volt": pass}, "The feed of core"},
		{"open, above what the meter shows", "rails", []string{"core.ohm=OL", "mem.ohm=39.5 ohm", "core.volt=2.51 V", "mem.volt=3.31 V"}, fail, verdicts{"core.ohm": fail}, "Core is open: OL to ground"},
		{"open, no limit stated", "rails", []string{"core.ohm=10.8 ohm", "mem.ohm=OL", "core.volt=2.51 V", "mem.volt=3.31 V"}, fail, verdicts{"mem.ohm": fail}, "mem is open"},
		{"a range too small", "rails", []string{"core.ohm=>200 ohm", "mem.ohm=39.5 ohm", "core.volt=2.51 V", "mem.volt=3.31 V"}, inconclusive, verdicts{"core.ohm": inconclusive}, "higher range"},
		{"open, the family states no limit", "rails", []string{"core.ohm=10.8 ohm", "mem.ohm=36 kohm", "core.volt=2.51 V", "mem.volt=3.31 V"}, inconclusive, verdicts{"mem.ohm": inconclusive}, "above the usual 40"},
		{"a tenth of the usual, no short", "rails", []string{"core.ohm=10.8 ohm", "mem.ohm=3.5 ohm", "core.volt=2.51 V", "mem.volt=3.31 V"}, inconclusive, verdicts{"mem.ohm": inconclusive}, "below the usual 40"},
		{"one rail asked for", "rails;rails = [\"mem\"]", []string{"mem.ohm=39.5 ohm", "mem.volt=3.31 V"}, pass, nil, ""},
	})
}

func TestDetection(t *testing.T) {
	runCases(t, []stepCase{
		{"found", "detection", []string{"detected=yes", "bus=AGP", "id=F5E1:0A01", "rate=2x"}, pass, nil, ""},
		{"not found", "detection", []string{"detected=no"}, fail, nil, "The card is not detected."},
		{"another card", "detection", []string{"detected=yes", "bus=AGP", "id=f5e1:0a02", "rate=2x"}, fail, verdicts{"id": fail}, "not f5e1:0a01"},
		{"slow link", "detection", []string{"detected=yes", "bus=AGP", "id=f5e1:0a01", "rate=1x"}, fail, verdicts{"rate": fail}, "card and slot both offer 2x"},
		{"no rate read", "detection", []string{"detected=yes", "bus=AGP", "id=f5e1:0a01"}, notRun, verdicts{"rate": notRun}, ""},
		{"another bus", "detection", []string{"detected=yes", "bus=PCI", "id=f5e1:0a01", "rate=2x"}, fail, verdicts{"bus": fail}, ""},
	})
}

// The rate that counts is the highest that card and slot both offer.
func TestSlotLimitsTheRate(t *testing.T) {
	b := newBench(t, "detection")
	b.Shop.Benches[0].Slot.Rates = []string{"1x"}
	b.attempt("detection", "detected=yes", "bus=AGP", "id=f5e1:0a01", "rate=1x")
	if s := b.step("detection"); s.Verdict != pass {
		t.Errorf("1x in a slot of 1x: %v, %s", s.Verdict, said(s.Reason))
	}
	b.attempt("detection", "detected=yes", "bus=AGP", "id=f5e1:0a01", "rate=2x")
	s := b.step("detection")
	if s.Verdict != fail || !strings.Contains(said(s.Reason), "the slot offers no more than 1x") {
		t.Errorf("2x in a slot of 1x: %v, %s", s.Verdict, said(s.Reason))
	}
}

// 11 of 12 MiB is a matter of display and no fault if the picture and the other
// checks are clean; half the memory is a fault (common practice, no source).
func TestMemorySize(t *testing.T) {
	clean := []string{"640x480x16@75=clean", "800x600x16@75=clean", "depth=32 bit"}
	for _, tt := range []struct {
		name, size string
		picture    []string
		clocks     []string
		want       conformity.Verdict
		says       string
	}{
		{"all", "12 MiB", nil, nil, pass, ""},
		{"all, spelt MB", "12 MB", nil, nil, pass, ""},
		{"11 with a clean picture", "11 MiB", clean, []string{"core=100.1 MHz", "memory=118.2 MHz"}, pass, "a matter of display, not a fault"},
		{"11 without a picture", "11 MiB", nil, nil, inconclusive, "picture (not run)"},
		{"11 with a spoilt picture", "11 MiB", []string{"640x480x16@75=red dots", "800x600x16@75=clean"}, nil, inconclusive, "picture (fail)"},
		{"11 with a picture half looked at", "11 MiB", clean[:1], nil, inconclusive, "picture (not run)"},
		{"11 with a wrong clock", "11 MiB", clean, []string{"core=90 MHz", "memory=118.2 MHz"}, inconclusive, "clocks (fail)"},
		{"more gone than is reserved", "10 MiB", clean, nil, fail, "fits no simple loss"},
		{"1 GiB", "1 GiB", clean, nil, inconclusive, "another variant of the board"},
		{"half", "6 MiB", clean, nil, fail, "U4, U5 and U6"},
		{"nothing", "0 MiB", clean, nil, fail, ""},
		{"double", "24 MiB", clean, nil, inconclusive, "another variant of the board"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, "memory-size", "clocks", "picture")
			b.attempt("memory-size", "size="+tt.size)
			if tt.picture != nil {
				b.attempt("picture", tt.picture...)
			}
			if tt.clocks != nil {
				b.attempt("clocks", tt.clocks...)
			}
			s := b.step("memory-size")
			if all := told(s); s.Verdict != tt.want || !strings.Contains(all, tt.says) {
				t.Errorf("%v, want %v with %q: %s", s.Verdict, tt.want, tt.says, all)
			}
			if c := checkNamed(t, s, "size"); c.Verdict != tt.want {
				t.Errorf("the check says %v: %s", c.Verdict, said(c.Reason))
			}
		})
	}
	// A plan without any picture never calls 11 MiB a matter of display.
	b := newBench(t, "memory-size")
	b.attempt("memory-size", "size=11 MiB")
	s := b.step("memory-size")
	if s.Verdict != inconclusive || !strings.Contains(said(s.Reason), "no picture was checked") {
		t.Errorf("%v, %s", s.Verdict, said(s.Reason))
	}
}

func TestImage(t *testing.T) {
	runCases(t, []stepCase{
		{"clean", "picture", []string{"640x480x16@75=clean", "800x600x16@75=Clean", "depth=32 bit"}, pass, nil, ""},
		{"dots", "picture", []string{"640x480x16@75=clean", "800x600x16@75=red dots"}, fail, verdicts{"800x600x16@75": fail}, "At 800x600x16@75 was seen: red dots."},
		{"a mode not tried", "picture", []string{"640x480x16@75=clean"}, notRun, nil, "was not looked at"},
		{"no depth", "picture", []string{"640x480x16@75=clean", "800x600x16@75=clean", "depth=16 bit"}, fail, verdicts{"depth": fail}, "only up to 16 bit"},
		{"modes of the plan", "picture;modes = [\"1024x768x16@75\"]", []string{"1024x768x16@75=clean"}, pass, nil, ""},
	})
}

func TestClock(t *testing.T) {
	runCases(t, []stepCase{
		{"in tolerance", "clocks", []string{"core=100.1 MHz", "memory=118.2 MHz"}, pass, nil, ""},
		{"off", "clocks", []string{"core=98.0 MHz", "memory=118.2 MHz"}, fail, verdicts{"core": fail, "memory": pass}, "-20000 ppm"},
		{"near the limit", "clocks", []string{"core=100.95 MHz", "memory=118.2 MHz"}, inconclusive, nil, "too near to a limit"},
		{"the same by shared risk", "clocks;rule = \"simple\"", []string{"core=100.95 MHz", "memory=118.2 MHz"}, pass, nil, ""},
		{"one not read", "clocks", []string{"core=100.1 MHz"}, notRun, verdicts{"memory": notRun}, ""},
		{"only one asked for", "clocks;clocks = [\"core\"]", []string{"core=100.1 MHz"}, pass, nil, ""},
		{"one the family does not have", "clocks;clocks = [\"core\", \"texture\"]", []string{"core=100.1 MHz"}, notRun, verdicts{"texture": notRun}, "The family has no clock"},
	})
}

// U from the limits of the instrument, the step of the display and the scatter
// of the readings, by hand. Source of the arithmetic: JCGM 100:2008, 4.2.3 (mean
// and s/√n), 4.3.7 (limits ±a, rectangular: a/√3), F.2.2.1 (display step δ:
// δ/√12), 5.1.2 (in quadrature), G.4 (k from the degrees of freedom).
func TestClockUncertaintyByHand(t *testing.T) {
	b := newBench(t, "clocks")
	b.attempt("clocks", "core=100.1 MHz, 100.3 MHz, 100.2 MHz, 100.4 MHz", "memory=118.2 MHz")
	s := b.step("clocks")
	// mean = 100.25; deviations −0.15, 0.05, −0.05, 0.15; Σd² = 0.05
	// s² = 0.05/3, s/√4 = √(0.05/12) = 0.0645497
	// a = 0.1: 0.1/√3 = 0.0577350; δ = 0.1: 0.1/√12 = 0.0288675
	// u² = 0.00416667 + 0.00333333 + 0.00083333 = 0.00833333
	c := checkNamed(t, s, "core")
	near(t, "value", c.Value, 100.25)
	// u = √0.00833333 = 0.0912871. The scatter is half of u²: ν = 3/(1/2)² = 12, and
	// t(95.45 %; 12) = 2.2313 would give U = 0.2037. The readings alone are uncertain
	// by t(95.45 %; 3)·s/√4 = 3.3068·0.0645497 = 0.213454, and instrument and display
	// make them no better. (Student's t worked out with an independent library.)
	near(t, "U", c.U, *c.K*math.Sqrt(0.05/12+0.01/3+0.01/12))
	if math.Abs(*c.U-0.213454) > 5e-7 {
		t.Errorf("U = %g", *c.U)
	}
	if len(c.Budget) != 3 {
		t.Errorf("budget %+v", c.Budget)
	}
	near(t, "low limit", c.Limits.Low, 99)
	near(t, "high limit", c.Limits.High, 101)
	if said(c.Text) != "(100.25 ± 0.21) MHz" {
		t.Errorf("text %q", said(c.Text))
	}
	// A single reading: no scatter. U = 2·√(0.01/3 + 0.01/12) = 0.129099
	near(t, "U of one reading", checkNamed(t, s, "memory").U, 0.129099445)
	// Limits that state k: u = a/k (JCGM 100:2008, 4.3.3).
	inst, _ := b.Shop.Benches[0].Instrument("counter")
	inst.Coverage = 2
	near(t, "U with k = 2 stated", checkNamed(t, b.step("clocks"), "memory").U, 2*math.Sqrt(0.0025+0.01/12))
}

// ±0.5 % + 2 digits of 0.01 V at 2.51 V: a = 0.01255 + 0.02 = 0.03255.
func TestRelativeLimitsByHand(t *testing.T) {
	b := newBench(t, "rails")
	b.attempt("rails", cleanAnswers["rails"]...)
	near(t, "U", checkNamed(t, b.step("rails"), "core.volt").U, 2*math.Sqrt(0.03255*0.03255/3+0.01*0.01/12))
}

// Value and U end at the same digit wherever they are said, U with two digits:
// 0.0996 is 0.10, 150 moves the value to tens (JCGM 100:2008, 7.2.6).
func TestValueAndLimitsAsTheyAreSaid(t *testing.T) {
	family := strings.Replace(familyText, `"100 MHz ±1 %"`, `"167.6 MHz ±60 ppm"`, 1)
	plan := planOf("clocks", "clock", `clocks = ["core"]`)
	for _, tt := range []struct{ accuracy, read, text string }{
		{"±0.08625 MHz", "167.6000 MHz", "(167.60 ± 0.10) MHz"},
		{"±129.9 MHz", "1234.0 MHz", "(1230 ± 150) MHz"},
	} {
		shop := strings.Replace(shopText, "±0.1 MHz", tt.accuracy, 1)
		b := newBenchOf(t, plan, family, shop)
		b.attempt("clocks", "core="+tt.read)
		s := b.step("clocks")
		c := checkNamed(t, s, "core")
		if said(c.Text) != tt.text || !strings.Contains(said(s.Reason), tt.text) {
			t.Errorf("%s: %s: %s", tt.read, said(c.Text), said(s.Reason))
		}
		// 60 ppm of 167.6 MHz are 0.010056 MHz.
		if got := said(c.Limits.Text); got != "167.58994 to 167.61006 MHz" {
			t.Errorf("limits %s", got)
		}
	}
}

// Without a known instrument nothing numeric is decided, whatever the value.
func TestNoInstrumentNoVerdict(t *testing.T) {
	for _, tt := range []struct {
		name  string
		spoil func(b *bench)
	}{
		{"none on the bench", func(b *bench) { b.Shop.Benches[0].Instruments = nil }},
		{"two to choose from", func(b *bench) {
			in := &b.Shop.Benches[0].Instruments
			again := (*in)[4]
			again.ID = "second"
			*in = append(*in, again)
		}},
		{"one that is not there", func(b *bench) { name(b, "gone") }},
		{"one that measures something else", func(b *bench) { name(b, "probe") }},
		{"no such bench", func(b *bench) { b.Job.Bench = "sold" }},
	} {
		b := newBench(t, "clocks")
		b.attempt("clocks", "core=100.1 MHz", "memory=118.2 MHz")
		tt.spoil(b)
		s := b.step("clocks")
		c := checkNamed(t, s, "core")
		if s.Verdict != inconclusive || c.U != nil || c.Settle.IsZero() || said(c.Text) != "100.1 MHz" {
			t.Errorf("%s: %v, %s", tt.name, s.Verdict, said(s.Reason))
		}
	}
}

func name(b *bench, instrument string) {
	a := &b.Job.Attempts["clocks"][0]
	for i := range a.Readings {
		a.Readings[i].Instrument = instrument
	}
}

func near(t testing.TB, what string, got *float64, want float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s is not given, want %v", what, want)
		return
	}
	if math.Abs(*got-want) > 1e-8*math.Abs(want) {
		t.Errorf("%s = %v, want %v", what, *got, want)
	}
}
