package scoring_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"proveout/scoring/conformity"
)

func TestSoakLog(t *testing.T) {
	for _, tt := range []struct {
		name   string
		step   string
		answer string
		rows   [][]float64
		spoil  func(b *bench)
		want   conformity.Verdict
		checks verdicts
		says   string
	}{
		{"cool and settled", "soak", "ambient=23 °C", soakRows(2700, 23, 25, 300), nil, pass,
			verdicts{"duration": pass, "peak": pass, "stability": pass}, ""},
		{"too hot", "soak", "ambient=23 °C", soakRows(2700, 23, 60, 300), nil, fail, verdicts{"peak": fail}, "Heatsink seating"},
		{"near the limit", "soak", "ambient=23 °C", soakRows(2700, 23, 46, 300), nil, inconclusive, verdicts{"peak": inconclusive}, "too near to a limit"},
		{"too short", "soak", "ambient=23 °C", soakRows(1800, 23, 25, 300), nil, inconclusive, verdicts{"duration": inconclusive}, "It ran 30 min only"},
		{"still rising", "soak", "ambient=23 °C", soakRows(2700, 23, 40, 3000), nil, inconclusive, verdicts{"stability": inconclusive, "duration": pass}, "Not settled"},
		{"ended early when stable, as the plan allows", "soak;duration = \"2 h\";end_early = true", "ambient=23 °C", soakRows(2700, 23, 25, 300), nil, pass, verdicts{"duration": pass}, ""},
		{"ended early without leave", "soak;duration = \"2 h\"", "ambient=23 °C", soakRows(2700, 23, 25, 300), nil, inconclusive, nil, ""},
		{"cool on the bench, hot at the rated ambient", "soak;at_rated = true", "ambient=18 °C", soakRows(2700, 18, 38, 300), nil, fail, verdicts{"peak": pass, "at-rated-ambient": fail}, ""},
		{"the same, only shown", "soak", "ambient=18 °C", soakRows(2700, 18, 38, 300), nil, pass, verdicts{"at-rated-ambient": fail}, ""},
		{"rated ambient, but no ambient read", "soak;at_rated = true", "", soakRows(2700, 23, 25, 300), nil, inconclusive, verdicts{"at-rated-ambient": inconclusive},
			"No prediction for 40 °C: the ambient temperature of the run was not read."},
		{"good cards to compare with, but no ambient read", "soak;compare_rise = true", "", soakRows(2700, 23, 25, 300), nil, inconclusive,
			verdicts{"rise": inconclusive}, "is not known: the ambient temperature of the run was not read."},
		{"rises as good cards do", "soak;compare_rise = true", "ambient=23 °C", soakRows(2700, 23, 25, 300), nil, pass, verdicts{"rise": pass}, ""},
		{"rises far more", "soak;compare_rise = true", "ambient=23 °C", soakRows(2700, 23, 38, 300), nil, fail, verdicts{"rise": fail, "peak": pass}, "more than good cards"},
		{"in the surroundings asked for", "soak;ambient = \"23 °C ±5 °C\"", "ambient=23 °C", soakRows(2700, 23, 25, 300), nil, pass, verdicts{"ambient": pass}, ""},
		{"in a cold room", "soak;ambient = \"23 °C ±5 °C\"", "ambient=10 °C", soakRows(2700, 10, 25, 300), nil, inconclusive, verdicts{"ambient": inconclusive}, "the plan asks for 18 to 28"},
		{"nobody knows the surroundings", "soak;ambient = \"23 °C ±5 °C\"", "", soakRows(2700, 23, 25, 300), nil, notRun, verdicts{"ambient": notRun}, "was not read"},
		{"sensor elsewhere", "soak", "ambient=23 °C", soakRows(2700, 23, 25, 300), func(b *bench) { place(b, "board") }, inconclusive, verdicts{"peak": inconclusive}, "heatsink"},
		{"no thermometer with limits", "soak", "ambient=23 °C", soakRows(2700, 23, 25, 300), func(b *bench) { b.Shop.Benches[0].Instruments = nil }, inconclusive, verdicts{"peak": inconclusive}, "without the uncertainty"},
		{"no thermometer, and the rise compared", "soak;compare_rise = true;at_rated = true", "ambient=23 °C", soakRows(2700, 23, 25, 300), func(b *bench) { b.Shop.Benches[0].Instruments = nil }, inconclusive,
			verdicts{"peak": inconclusive, "rise": inconclusive, "at-rated-ambient": inconclusive}, ""},
		{"no time in the log", "soak", "ambient=23 °C", soakRows(2700, 23, 25, 300), func(b *bench) { b.Job.Attempts["soak"][0].Logs[0].Columns[0].Name = "power" }, inconclusive, nil, "no column of time"},
		{"no temperature at all", "soak", "ambient=23 °C", nil, nil, notRun, verdicts{"peak": notRun}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, tt.step)
			if tt.answer == "" {
				b.attempt("soak")
			} else {
				b.attempt("soak", tt.answer)
			}
			if tt.rows != nil {
				b.log("soak", "time temperature", tt.rows)
			}
			if tt.spoil != nil {
				tt.spoil(b)
			}
			s := b.step("soak")
			all := told(s)
			if s.Verdict != tt.want || !strings.Contains(all, tt.says) {
				t.Errorf("%v, want %v with %q: %s", s.Verdict, tt.want, tt.says, said(s.Reason))
			}
			for name, want := range tt.checks {
				if c := checkNamed(t, s, name); c.Verdict != want {
					t.Errorf("%s: %v, want %v: %s", name, c.Verdict, want, said(c.Reason))
				}
			}
		})
	}
}

func place(b *bench, where string) {
	l := &b.Job.Attempts["soak"][0].Logs[0]
	for i := range l.Columns {
		if l.Columns[i].Name == "temperature" {
			l.Columns[i].Place = where
		}
	}
}

// U of the peak: limits ±1.5 °C and a display of 0.1 °C,
// 2·√(1.5²/3 + 0.1²/12) = 1.733013 (JCGM 100:2008, 4.3.7, F.2.2.1, 5.1.2), and what
// the noise of 2,701 readings leaves open, which is a few thousandths.
func TestPeakUncertaintyByHand(t *testing.T) {
	b := newBench(t, "soak")
	b.attempt("soak", "ambient=23 °C")
	b.log("soak", "time temperature", soakRows(2700, 23, 25, 300))
	c := checkNamed(t, b.step("soak"), "peak")
	noise := 0.0
	for _, line := range c.Budget {
		if line.Name.Key == "soak.noise" {
			noise = line.Standard
		}
	}
	if noise <= 0 || noise > 0.01 {
		t.Errorf("noise %g", noise)
	}
	near(t, "U", c.U, math.Hypot(1.7330127908741, 2*noise))
	near(t, "limit", c.Limits.High, 70)
	// A thermometer of ±2 % is uncertain by 2 % of what it reads, not of zero:
	// at 48 °C a = 0.96 °C.
	inst, _ := b.Shop.Benches[0].Instrument("probe")
	inst.Limits.Dimension, inst.Limits.Value = "ratio", 0.02
	c = checkNamed(t, b.step("soak"), "peak")
	near(t, "U of ±2 %", c.U, 2*math.Sqrt(math.Pow(0.02*float64(*c.Value), 2)/3+0.01/12+noise*noise))
	rated := checkNamed(t, b.step("soak"), "at-rated-ambient")
	if u := float64(*rated.U); u < 2*0.02*48/math.Sqrt(3) {
		t.Errorf("U at the rated ambient is %.3f °C, less than the thermometer alone", u)
	}
}

// soakAnswers types a reading every two minutes, with the minute behind @.
func soakAnswers(minutes int, ambient, rise, tau float64) []string {
	var out []string
	for m := 0; m <= minutes; m += 2 {
		out = append(out, fmt.Sprintf("temperature=%.1f °C @ %d min", ambient+rise*(1-math.Exp(-float64(m)*60/tau)), m))
	}
	return out
}

func TestSoakTyped(t *testing.T) {
	b := newBench(t, "soak")
	b.attempt("soak", append(soakAnswers(44, 23, 25, 300), "ambient=23.0 °C", "duration=44 min")...)
	s := b.step("soak")
	if s.Verdict != pass {
		t.Errorf("%v, %s", s.Verdict, said(s.Reason))
	}
	if peak := *checkNamed(t, s, "peak").Value; math.Abs(peak-48) > 0.02 {
		t.Errorf("peak %g, want 48", peak)
	}
	if !strings.Contains(told(s.Warnings), "typed at intervals") {
		t.Errorf("no word that a peak between readings is not seen: %q", told(s.Warnings))
	}
	// A soak said to have lasted longer than anybody watched it.
	b = newBench(t, "soak;stability =")
	b.attempt("soak", append(soakAnswers(12, 23, 25, 300), "ambient=23.0 °C", "duration=44 min")...)
	s = b.step("soak")
	if c := checkNamed(t, s, "duration"); c.Verdict != inconclusive {
		t.Errorf("12 min of readings for 44 min: %v, %s", c.Verdict, said(c.Reason))
	}
	// Typed too hot.
	b = newBench(t, "soak")
	b.attempt("soak", append(soakAnswers(44, 23, 60, 300), "ambient=23.0 °C", "duration=44 min")...)
	if s = b.step("soak"); s.Verdict != fail {
		t.Errorf("%v, %s", s.Verdict, said(s.Reason))
	}
}

// Throttling is a remark, and a failure where the plan says so.
func TestThrottling(t *testing.T) {
	rows := soakRows(2700, 23, 35, 400)
	for i := range rows {
		clock := 100e6
		if rows[i][1] > 50 {
			clock = 85e6
		}
		rows[i] = append(rows[i], clock)
	}
	for _, tt := range []struct {
		step string
		want conformity.Verdict
	}{{"soak", pass}, {"soak;throttle_fails = true", fail}} {
		b := newBench(t, tt.step)
		b.attempt("soak", "ambient=23 °C")
		b.log("soak", "time temperature core-clock", rows)
		s := b.step("soak")
		if c := checkNamed(t, s, "throttling"); c.Informative != (tt.want == pass) || s.Verdict != tt.want {
			t.Errorf("%s: %v, %s", tt.step, s.Verdict, said(c.Reason))
		}
	}
	for i := range rows {
		rows[i][2] = 100e6
	}
	b := newBench(t, "soak;throttle_fails = true")
	b.attempt("soak", "ambient=23 °C")
	b.log("soak", "time temperature core-clock", rows)
	if s := b.step("soak"); hasCheck(s, "throttling") || s.Verdict != pass {
		t.Errorf("a steady clock: %v, %s", s.Verdict, said(s.Reason))
	}
}

// The ambient may be logged beside the temperature.
func TestSoakLoggedAmbient(t *testing.T) {
	rows := soakRows(2700, 23, 25, 300)
	for i := range rows {
		rows[i] = append(rows[i], 23.1)
	}
	b := newBench(t, "soak;ambient = \"23 °C ±5 °C\";at_rated = true;compare_rise = true")
	b.attempt("soak")
	b.log("soak", "time temperature ambient", rows)
	s := b.step("soak")
	if s.Verdict != pass {
		t.Errorf("%v, %s", s.Verdict, said(s.Reason))
	}
	near(t, "ambient", checkNamed(t, s, "ambient").Value, 23.1)
}
