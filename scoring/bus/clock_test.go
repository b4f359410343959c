package bus_test

import (
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

// The reference is four times the NTSC colour subcarrier, 315/88 MHz, and
// makes the field rate of 60000/1001 Hz by way of the line rate 4.5 MHz / 286.
func TestReference(t *testing.T) {
	if math.Abs(bus.ReferenceHz/1e6-14.3181818182) > 1e-10 {
		t.Errorf("reference %.10f MHz", bus.ReferenceHz/1e6)
	}
	if line := bus.ReferenceHz / 4 * 2 / 455; math.Abs(line-4.5e6/286) > 1e-6 {
		t.Errorf("line rate %v", line)
	}
}

func synthesizer(leastN, mostN, leastM, mostM, mostK int) plans.Synthesizer {
	return plans.Synthesizer{
		N: plans.Span{Low: leastN, High: mostN}, M: plans.Span{Low: leastM, High: mostM}, K: plans.Span{High: mostK},
	}
}

// f = reference · N / (M · 2^K), computed with exact fractions.
func TestSynthesizerFormula(t *testing.T) {
	for _, tt := range []struct {
		n, m, k int
		mhz     float64
	}{{176, 100, 1, 12.600000000}, {123, 70, 1, 12.579545455}, {44, 25, 1, 12.600000000}, {79, 9, 5, 3.927556818}} {
		s := synthesizer(tt.n, tt.n, tt.m, tt.m, tt.k)
		s.K.Low = tt.k
		got, err := bus.Nearest(s, tt.mhz*1e6, 1)
		if err != nil || len(got) != 1 || math.Abs(got[0].Hz/1e6-tt.mhz) > 1e-9 {
			t.Errorf("%+v: %+v, %v", tt, got, err)
		}
	}
}

// Nearest agrees with trying every setting.
func TestNearestIsExhaustive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		leastN, leastM := rapid.IntRange(1, 20).Draw(t, "n"), rapid.IntRange(1, 5).Draw(t, "m")
		s := synthesizer(leastN, leastN+rapid.IntRange(0, 100).Draw(t, "dn"),
			leastM, leastM+rapid.IntRange(0, 30).Draw(t, "dm"), rapid.IntRange(0, 3).Draw(t, "k"))
		if rapid.Bool().Draw(t, "vco") {
			s.VCOMin, s.VCOMax = 100e6, 400e6
		}
		hz := rapid.Float64Range(1e6, 600e6).Draw(t, "hz")
		best := math.Inf(1)
		for n := s.N.Low; n <= s.N.High; n++ {
			for m := s.M.Low; m <= s.M.High; m++ {
				if vco := bus.ReferenceHz * float64(n) / float64(m); s.VCOMax > 0 && (vco < s.VCOMin || vco > s.VCOMax) {
					continue
				}
				for k := 0; k <= s.K.High; k++ {
					best = min(best, math.Abs(bus.ReferenceHz*float64(n)/float64(m)/math.Pow(2, float64(k))-hz))
				}
			}
		}
		got, err := bus.Nearest(s, hz, 5)
		if err != nil {
			t.Fatal(err)
		}
		if math.IsInf(best, 1) != (len(got) == 0) {
			t.Fatalf("best %v, got %v", best, got)
		}
		if len(got) > 0 && math.Abs(math.Abs(got[0].Hz-hz)-best) > 1e-3 {
			t.Fatalf("%.3f Hz off, the best is %.3f: %+v for %v", math.Abs(got[0].Hz-hz), best, got[0], hz)
		}
		for i := 1; i < len(got); i++ {
			if math.Abs(got[i].Hz-hz) < math.Abs(got[i-1].Hz-hz)-1e-6 || got[i].Hz == got[i-1].Hz {
				t.Fatalf("not ranked: %+v", got)
			}
		}
	})
}

func TestJudgeClock(t *testing.T) {
	// M fixed at 19 and K at 0: steps of 753.6 kHz. The nearest to 137 MHz is N=182, 137.153 MHz.
	reading := func(mhz, resolution, tolerance float64) bus.ClockReading {
		return bus.ClockReading{
			NominalHz: 137e6, ReadHz: mhz * 1e6, ResolutionHz: resolution, TolerancePPM: tolerance,
		}
	}
	inSteps, anything := synthesizer(1, 255, 19, 19, 0), synthesizer(8, 255, 2, 63, 3)
	setting := reading(137.2, 1e5, 500)
	setting.Synthesizer = &inSteps
	other := reading(112, 1e6, 10000)
	other.Synthesizer = &anything
	variant := other
	variant.Variants = []bus.ClockVariant{{Name: "112", Hz: 112e6}}
	beside, aside := variant, variant
	beside.ReadHz, beside.ResolutionHz = 112.1e6, 1e3
	aside.ReadHz = 114e6
	// 315/22 MHz times 4 or 5: 57.27 and 71.59 MHz.
	wide := synthesizer(4, 5, 1, 1, 0)
	far := bus.ClockReading{NominalHz: 50e6, ReadHz: 57.2727e6, ResolutionHz: 1e3, TolerancePPM: 10000, Synthesizer: &wide}
	coarseSetting := reading(137.7, 1e6, 500)
	coarseSetting.Synthesizer = &inSteps
	for _, tt := range []struct {
		name    string
		r       bus.ClockReading
		verdict conformity.Verdict
		kind    bus.ClockKind
		ppm     float64
	}{
		{"the nearest setting of 137", setting, conformity.Pass, bus.ClockSetting, 1459.9},
		{"a nearest setting 14 % off excuses nothing", far, conformity.Inconclusive, bus.ClockSetting, 145454},
		{"a setting, read too coarsely to tell", coarseSetting, conformity.Inconclusive, bus.ClockSetting, 5109.5},
		{"0.1 MHz beside a variant's clock", beside, conformity.Inconclusive, bus.ClockOfVariant, -181751.8},
		{"2 MHz beside a variant's clock", aside, conformity.Fail, bus.ClockOther, -167883.2},
		{"137 read in whole MHz", reading(137, 1e6, 10000), conformity.Pass, bus.ClockNominal, 0},
		{"137 read too coarsely", reading(137, 1e6, 1000), conformity.Inconclusive, bus.ClockNominal, 0},
		{"112 on a 137 board", variant, conformity.Inconclusive, bus.ClockOfVariant, -182481.8},
		{"112, no such variant", other, conformity.Fail, bus.ClockOther, -182481.8},
		{"drift", reading(137.1, 1e3, 200), conformity.Fail, bus.ClockDrift, 729.9},
	} {
		got, err := bus.JudgeClock(tt.r)
		if err != nil {
			t.Fatal(err)
		}
		if got.Verdict != tt.verdict || got.Kind != tt.kind || math.Abs(got.DeviationPPM-tt.ppm) > 0.06 {
			t.Errorf("%s: %v, %s, %.1f ppm (%v)", tt.name, got.Verdict, got.Kind, got.DeviationPPM, got.Text)
		}
	}
	// Half a last digit, rectangular: 1 MHz / √12 (JCGM 100:2008, 4.3.7).
	coarse := reading(137, 1e6, 1)
	coarse.Synthesizer = &inSteps
	got, _ := bus.JudgeClock(coarse)
	if math.Abs(got.ReadingU-1e6/math.Sqrt(12)) > 1 || got.Nearest.N != 182 || got.Nearest.M != 19 {
		t.Errorf("u %v, nearest %+v", got.ReadingU, got.Nearest)
	}
	for _, r := range []bus.ClockReading{
		{}, {NominalHz: 1e6}, {NominalHz: math.NaN(), ReadHz: 1},
		{NominalHz: 1e6, ReadHz: 1e6, Synthesizer: &plans.Synthesizer{}},
	} {
		if _, err := bus.JudgeClock(r); err == nil {
			t.Errorf("%+v is accepted", r)
		}
	}
}

func TestCounted(t *testing.T) {
	hz, resolution, err := bus.Counted(857_500, 0.1, 16)
	if err != nil || math.Abs(hz-137.2e6) > 1 || math.Abs(resolution-160) > 1e-9 {
		t.Errorf("%v Hz to %v Hz, %v", hz, resolution, err)
	}
	if _, _, err := bus.Counted(1, 0, 1); err == nil {
		t.Error("a gate of no time is accepted")
	}
}

func TestCoupling(t *testing.T) {
	p := func(core, memory float64) bus.ClockPair {
		return bus.ClockPair{CoreHz: core * 1e6, MemoryHz: memory * 1e6, CoreU: 3e4, MemoryU: 3e4}
	}
	for _, tt := range []struct {
		pairs []bus.ClockPair
		want  fact.Fact
	}{
		{[]bus.ClockPair{p(137, 137)}, fact.New("bus.in-ratio", "ratio", "1:1")},
		{[]bus.ClockPair{p(137, 137), p(112, 112)}, fact.New("bus.moved-together", "ratio", "1:1")},
		{[]bus.ClockPair{p(100, 150), p(110, 165)}, fact.New("bus.moved-together", "ratio", "2:3")},
		{[]bus.ClockPair{p(137, 137), p(112, 137)}, fact.New("bus.no-ratio")},
		{[]bus.ClockPair{p(118, 163)}, fact.New("bus.no-ratio")},
	} {
		if got, err := bus.CompareClocks(tt.pairs); err != nil || !reflect.DeepEqual(got, tt.want) {
			t.Errorf("%v: %v, %v", tt.pairs, got, err)
		}
	}
}

func FuzzNearest(f *testing.F) {
	f.Add(137e6, 1, 255, 1, 63, 3, 0.0)
	f.Add(1e300, 1, 65536, 1, 4096, 10, 1e-300)
	f.Fuzz(func(t *testing.T, hz float64, n0, n1, m0, m1, k1 int, ref float64) {
		s := synthesizer(n0, n1, m0, m1, k1)
		s.Reference = ref
		got, err := bus.Nearest(s, hz, 8)
		if err == nil && len(got) > 8 {
			t.Fatal("too many")
		}
		for _, x := range got {
			if x.N < n0 || x.N > n1 || x.M < m0 || x.M > m1 || x.K < 0 || x.K > k1 {
				t.Fatalf("%+v is outside the ranges", x)
			}
		}
	})
}
