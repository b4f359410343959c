package scoring_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"proveout/scoring"
	"proveout/scoring/conformity"
)

// A warming is what a sensor shows of a card: the ambient temperature, how far the
// card rises over it and how fast, and how the sensor reads.
type warming struct {
	ambient, rise, tau float64
	noise              float64 // °C, standard deviation
	digit              float64 // °C
	every              float64 // s
	seed               uint64
}

var goodCard = warming{ambient: 23, rise: 25, tau: 300, noise: 0.05, digit: 0.1, every: 1, seed: 1}

// log is a soak of so many minutes; spoil changes what is there before the sensor
// reads it.
func (w warming) log(minutes float64, spoil func(at, temp float64) float64) [][]float64 {
	rng := rand.New(rand.NewPCG(w.seed, 11))
	var rows [][]float64
	for at := 0.0; at <= 60*minutes; at += w.every {
		temp := w.ambient + w.rise*(1-math.Exp(-at/w.tau))
		if spoil != nil {
			temp = spoil(at, temp)
		}
		temp += w.noise * rng.NormFloat64()
		rows = append(rows, []float64{at, math.Round(temp/w.digit) * w.digit})
	}
	return rows
}

// readings changes rows after the sensor read them; NaN takes a row out.
func readings(rows [][]float64, change func(at, temp float64) float64) [][]float64 {
	var out [][]float64
	for _, r := range rows {
		if temp := change(r[0], r[1]); !math.IsNaN(temp) {
			out = append(out, append([]float64{r[0], temp}, r[2:]...))
		}
	}
	return out
}

// What else than a good card would have given these readings.
func TestSoakPassIsAttacked(t *testing.T) {
	good := goodCard.log(45, nil)
	with := func(change func(*warming)) warming { w := goodCard; change(&w); return w }
	coarse := with(func(w *warming) { w.digit = 1 })
	quiet := with(func(w *warming) { w.noise = 0 })
	frozenAt := func(rows [][]float64, minute float64) [][]float64 {
		stuck := math.NaN()
		return readings(rows, func(at, temp float64) float64 {
			if at < 60*minute {
				return temp
			}
			if math.IsNaN(stuck) {
				stuck = temp
			}
			return stuck
		})
	}
	gone := func(rows [][]float64, from, to float64) [][]float64 {
		return readings(rows, func(at, temp float64) float64 {
			if at > 60*from && at < 60*to {
				return math.NaN()
			}
			return temp
		})
	}
	instead := func(value float64, when func(at float64) bool) [][]float64 {
		return readings(good, func(at, temp float64) float64 {
			if when(at) {
				return value
			}
			return temp
		})
	}
	late := func(at, off float64) float64 { return 25 * (1 - math.Exp(-math.Max(0, at-off)/300)) }
	for _, tt := range []struct {
		name string
		step string
		rows [][]float64
		want conformity.Verdict
		says string
	}{
		{"a good card", "soak;compare_rise = true", good, pass, ""},
		{"a good card, tenths without noise", "soak", quiet.log(45, nil), pass, ""},
		{"3,600 equal readings", "soak", quiet.log(60, func(float64, float64) float64 { return 47.6 }), inconclusive, "does not move"},
		{"sensor in its drawer", "soak", goodCard.log(60, func(float64, float64) float64 { return 23.1 }), inconclusive, "is the sensor on the card"},
		{"the room warms by 0.1 K", "soak", quiet.log(45, func(at, _ float64) float64 { return 23 + at/27000 }), inconclusive, "is the sensor on the card"},
		{"a warm card that idles", "soak", goodCard.log(60, func(float64, float64) float64 { return 47.6 }), inconclusive, "was the load running"},
		{"frozen after 6 min", "soak", frozenAt(good, 6), inconclusive, "stands still"},
		{"frozen after 9 min, 1 °C display", "soak", frozenAt(coarse.log(45, nil), 9), inconclusive, "stands still"},
		{"frozen when settled, noise gone", "soak", frozenAt(with(func(w *warming) { w.noise = 0.1 }).log(60, nil), 40), inconclusive, "up and down"},
		{"half of what good cards rise", "soak", with(func(w *warming) { w.rise = 13 }).log(45, nil), inconclusive, "far less than any known-good card"},
		{"first reading 85", "soak;compare_rise = true", instead(85, func(at float64) bool { return at == 0 }), pass, "left out: 85 °C"},
		{"three samples of 85", "soak", instead(85, func(at float64) bool { return at >= 900 && at < 903 }), pass, "3 readings that no card can give"},
		{"drops to 0 and −127", "soak", readings(good, func(at, temp float64) float64 {
			return map[float64]float64{700: 0, 1400: -127, 1401: -127}[at] + map[bool]float64{true: temp}[at != 700 && at != 1400 && at != 1401]
		}), pass, "3 readings"},
		{"every tenth reading −127", "soak", instead(-127, func(at float64) bool { return math.Mod(at, 10) == 3 }), inconclusive, "its plug and its cable"},
		{"sensor off at 30 min", "soak", instead(0, func(at float64) bool { return at > 1800 }), inconclusive, "leap"},
		{"38 of 60 min missing", "soak;duration = \"60 min\"", gone(goodCard.log(60, nil), 10, 48), inconclusive, "from 10.0 min to 48.0 min"},
		{"23 min missing, a reading every 2 min asked for", "soak;every = \"2 min\"", gone(good, 12, 35), inconclusive, "from 12.0 min to 35.0 min"},
		{"a minute missing of a long soak", "soak;every = \"1 min\"", gone(goodCard.log(47, nil), 20, 21.6), pass, "these 1.6 min are not counted"},
		{"two loads of 22 min", "soak", goodCard.log(60, func(at, _ float64) float64 {
			switch {
			case at < 1320:
				return 23 + late(at, 0)
			case at < 2280:
				return 23 + late(1320, 0)*math.Exp(-(at-1320)/300)
			}
			return 23 + 1 + late(at, 2280)
		}), inconclusive, "2 loads"},
		{"load over after 20 min", "soak", goodCard.log(45, func(at, temp float64) float64 {
			if at < 1200 {
				return temp
			}
			return 23 + late(1200, 0)*math.Exp(-(at-1200)/300)
		}), inconclusive, "It ran 20"},
		{"growth without end", "soak;at_rated = true", goodCard.log(45, func(at, _ float64) float64 { return 23 + 8*math.Log1p(at/120) }), inconclusive, ""},
		{"growth without end, 1 °C display", "soak;at_rated = true;stability =", coarse.log(45, func(at, _ float64) float64 { return 23 + 8*math.Log1p(at/120) }), inconclusive, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, tt.step)
			b.attempt("soak", "ambient=23 °C")
			b.log("soak", "time temperature", tt.rows)
			s := b.step("soak")
			if all := told(s); s.Verdict != tt.want || !strings.Contains(all, tt.says) {
				t.Errorf("%v, want %v with %q: %s", s.Verdict, tt.want, tt.says, all)
			}
		})
	}
}

// A thermometer that cannot show what the plan asks for is named before the soak.
func TestSoakNotice(t *testing.T) {
	for _, tt := range []struct {
		step  string
		digit float64
		says  string
	}{
		{"soak", 0.1, ""},
		{"soak", 1, "take one with steps of 0.2 °C or finer"},
		{"soak;stability = { window = \"10 min\", rate = \"12 K/h\", source = \"common practice, no source\" }", 1, ""},
		{"soak;stability =", 1, ""},
	} {
		b := newBench(t, tt.step)
		inst, _ := b.Shop.Benches[0].Instrument("probe")
		inst.Resolution.Value = tt.digit
		inst.Resolution.Text = map[float64]string{0.1: "0.1 °C", 1: "1 °C"}[tt.digit]
		notice := scoring.SoakNotice(&b.Plan.Steps[0], b.Family, &b.Shop.Benches[0])
		if text := said(notice); notice.IsZero() != (tt.says == "") || !strings.Contains(text, tt.says) {
			t.Errorf("%s, %g °C: %q, want %q", tt.step, tt.digit, text, tt.says)
		}
	}
}

// The largest of 2,701 noisy readings lies a degree above the card: a good card keeps
// its margin all the same, of 1.3 to 2 U, and one above the limit does not.
func TestPeakOfNoisyReadings(t *testing.T) {
	const u = 1.733 // °C, as in TestPeakUncertaintyByHand
	for seed := range uint64(8) {
		for _, tt := range []struct {
			margin float64
			want   conformity.Verdict
		}{{u * (1.3 + 0.1*float64(seed)), pass}, {-u * (1.1 + 0.1*float64(seed)), fail}} {
			w := warming{ambient: 23, rise: 70 - tt.margin - 23, tau: 300, noise: 0.3, digit: 0.1, every: 1, seed: seed}
			b := newBench(t, "soak")
			b.attempt("soak", "ambient=23 °C")
			b.log("soak", "time temperature", w.log(45, nil))
			if c := checkNamed(t, b.step("soak"), "peak"); c.Verdict != tt.want {
				t.Errorf("seed %d, margin %.2f °C: %v, %s", seed, tt.margin, c.Verdict, said(c.Reason))
			}
		}
	}
}
