package pacing

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/holes"
)

func report(t testing.TB, ms []float64, o Options) Report {
	t.Helper()
	a := taken(ms)
	r, err := a.Report(o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func taken(ms []float64) *Accumulator {
	var a Accumulator
	for _, x := range ms {
		a.Add(x)
	}
	return &a
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s %.12g, want %.12g", what, got, want)
	}
}

// quantileOf is the quantile of type 7 of a list, from its sorted values.
func quantileOf(values []float64, p float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	lower, upper, weight := quantileRanks(int64(len(sorted)), p)
	low, high := sorted[lower-1], sorted[upper-1]
	return low + weight*(high-low)
}

// Hyndman & Fan, The American Statistician 50(4), 1996: type 7 of the data 15 20 35
// 40 50 at p = 0.40 is 29, as asserted in the tests of a public numerical library.
func TestQuantile(t *testing.T) {
	near(t, "of the list", quantileOf([]float64{15, 20, 35, 40, 50}, 0.40), 29, 1e-12)
	near(t, "of the histogram", taken([]float64{40, 15, 50, 20, 35}).quantile(0.40), 29, 1e-12)
}

// NIST StRD univariate: certified mean, standard deviation and lag-1
// autocorrelation. Lew holds negative values and is moved up by 1000.
func TestMomentsMeetCertifiedValues(t *testing.T) {
	for _, c := range []struct {
		name           string
		data           []float64
		add            float64
		mean, sd, lag1 float64
	}{
		{"Lew", strdLew, 1000, -177.435, 277.332168044316, -0.307304800605679},
		{"Lottery", strdLottery, 1, 518.958715596330, 291.699727470969, -0.120948622967393},
		{"Michelso", strdMichelso, 0, 299.852400000000, 0.0790105478190518, 0.535199668621283},
	} {
		moved := make([]float64, len(c.data))
		for i, v := range c.data {
			moved[i] = v + c.add
		}
		r := report(t, moved, Options{})
		near(t, c.name+" mean", r.MeanMs-c.add, c.mean, 1e-10)
		near(t, c.name+" sd", *r.SD, c.sd, 1e-11*c.sd)
		near(t, c.name+" lag-1", conformity.Autocorrelation(c.data), c.lag1, 1e-11)
	}
}

// Frames over time, not the mean of rates: ten frames in one second and ninety
// in the next are 50 frames per second; the mean of 1/t would be 82.
func TestMeanIsFramesOverTime(t *testing.T) {
	var ms []float64
	for range 10 {
		ms = append(ms, 100)
	}
	for range 90 {
		ms = append(ms, 1000.0/90)
	}
	r := report(t, ms, Options{})
	near(t, "mean", *r.MeanFPS, 50, 1e-9)
	near(t, "duration", r.Duration, 2, 1e-12)

	var a Accumulator
	a.addRate(10, 1)
	a.addRate(90, 1)
	a.addRate(0, 2)
	a.addRate(0, 1)
	a.addRate(20, 1)
	r, err := a.Report(Options{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean of samples", *r.MeanFPS, 120.0/6, 1e-12)
	if len(r.Freezes) != 1 || r.Freezes[0] != (Freeze{At: 2, Seconds: 3}) || r.Slow1 != nil {
		t.Errorf("freezes %v, slowest 1 %% %v", r.Freezes, r.Slow1)
	}

	var b Accumulator
	for _, s := range []float64{1, 1.5, 1.75, 1.75, 2} {
		b.addStamp(s)
	}
	r, err = b.Report(Options{})
	if err != nil || r.Frames != 3 || r.BadRows != 1 {
		t.Errorf("stamps: %d frames, %d bad rows, %v", r.Frames, r.BadRows, err)
	}
	near(t, "duration of stamps", r.Duration, 1, 1e-12)
}

func TestRecent(t *testing.T) {
	var r Recent
	if !math.IsNaN(r.Rate()) {
		t.Errorf("before the first frame: %g", r.Rate())
	}
	for range 100 {
		r.Add(0.1)
	}
	r.Add(math.NaN())
	r.Add(-1)
	near(t, "rate", r.Rate(), 10, 1e-9)
	for range 200 { // five seconds of faster frames push the slow ones out
		r.Add(0.025)
	}
	near(t, "rate", r.Rate(), 40, 1)
	r.Add(30)
	near(t, "rate of one long frame", r.Rate(), 1.0/30, 1e-12)
}

func TestSlowestStallsAndFreezes(t *testing.T) {
	ms := make([]float64, 20000)
	for i := range ms {
		ms[i] = 16.667
	}
	for i := range 200 { // the slowest 1 %: 100 of 25 ms, 100 of 35 ms
		ms[50*i+7] = 25 + float64(i%2)*10
	}
	ms[12345] = 120
	ms[15000] = 2500
	r := report(t, ms, Options{})
	// 200 slowest: 2500, 120, 100 of 35, 98 of 25.
	near(t, "slowest 1 %", *r.Slow1, 1000*200/(2500+120+100*35.0+98*25), 1e-9)
	near(t, "slowest 0.1 %", *r.Slow01, 1000*20/(2500+120+18*35.0), 1e-9)
	near(t, "stall limit", r.StallLimit, 3*16.667, 1e-9)
	if r.StallCount != 2 || len(r.Stalls) != 2 || r.Stalls[0].Frame != 12345 || r.Stalls[1].Ms != 2500 {
		t.Errorf("stalls %v", r.Stalls)
	}
	at := 0.0
	for _, x := range ms[:15000] {
		at += x / 1000
	}
	if len(r.Freezes) != 1 || math.Abs(r.Freezes[0].At-at) > 1e-9 || r.Freezes[0].Seconds != 2.5 {
		t.Errorf("freezes %v, want one at %.3f s", r.Freezes, at)
	}
	if r.Change != nil {
		t.Errorf("change point in an even run: %v", r.Change)
	}
}

func TestMoreStallsThanAreKept(t *testing.T) {
	ms := make([]float64, 30000)
	for i := range ms {
		ms[i] = 10
		if i%10 == 0 {
			ms[i] = 50 + float64(i%7)
		}
	}
	if r := report(t, ms, Options{}); r.StallCount != 3000 || len(r.Stalls) != 100 {
		t.Errorf("%d stalls, %d listed; want 3000 and 100", r.StallCount, len(r.Stalls))
	}
}

func TestDriftAndChange(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	make_ := func(n int, f func(i int) float64) []float64 {
		ms := make([]float64, n)
		for i := range ms {
			ms[i] = math.Round(1e4*(f(i)+0.3*rng.NormFloat64())) / 1e4
		}
		return ms
	}
	for _, n := range []int{6000, 100000} {
		steady := report(t, make_(n, func(int) float64 { return 12 }), Options{})
		if steady.Drift == nil || steady.Drift.High-steady.Drift.Low > 0.2*6000/float64(n) || steady.Change != nil {
			t.Errorf("%d steady frames: drift %+v, change %v", n, steady.Drift, steady.Change)
		}
		// 12 ms rising by 1 ms over the run.
		r := report(t, make_(n, func(i int) float64 { return 12 + float64(i)/float64(n) }), Options{})
		minutes := 12.5 * float64(n) / 60000
		if !r.Drift.Significant || math.Abs(r.Drift.PerMinute*minutes-1) > 0.06 {
			t.Errorf("%d frames: drift %+v, want %.4g per minute", n, r.Drift, 1/minutes)
		}
		r = report(t, make_(n, func(i int) float64 {
			if i < n/3 {
				return 12
			}
			return 14
		}), Options{})
		if c := r.Change; c == nil || math.Abs(c.At-0.012*float64(n)/3) > 0.01*r.Duration ||
			math.Abs(c.Before-12) > 0.1 || math.Abs(c.After-14) > 0.1 {
			t.Errorf("%d frames: change %+v, want at %.2f s", n, r.Change, 0.012*float64(n)/3)
		}
	}
}

// The interval of the Theil–Sen slope holds the truth about 19 times in 20.
func TestTheilSenCovers(t *testing.T) {
	inside := 0
	for seed := range 400 {
		rng := rand.New(rand.NewPCG(uint64(seed), 3))
		var x, y []float64
		for i := range 60 {
			x, y = append(x, float64(i)), append(y, 3+0.02*float64(i)+rng.NormFloat64())
		}
		_, low, high, ok := theilSen(x, y, 1)
		if ok && low <= 0.02 && 0.02 <= high {
			inside++
		}
	}
	if inside < 368 || inside > 394 {
		t.Errorf("%d of 400 intervals hold the slope, want about 380", inside)
	}
}

// ISO 5725-6:1994, table 1, critical range factors f(n) (from memory).
func TestRangeFactor(t *testing.T) {
	for n, want := range map[int]float64{
		2: 2.8, 3: 3.3, 4: 3.6, 5: 3.9, 6: 4.0, 7: 4.2, 8: 4.3, 9: 4.4, 10: 4.5, 20: 5.0,
	} {
		if got := rangeFactor(n); math.Abs(got-want) > 0.05 {
			t.Errorf("f(%d) = %.4f, want %.1f", n, got, want)
		}
	}
	// For two runs it is 1.95996·√2 exactly.
	near(t, "f(2)", rangeFactor(2), 1.959963984540054*math.Sqrt2, 1e-9)
	r, err := Repeat([]float64{60.1, 59.8, 60.3})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", r.Mean, 60.0666666666667, 1e-10)
	near(t, "s", r.SD, 0.251661147842358, 1e-12)
	near(t, "range", r.Range, 0.5, 1e-12)
	near(t, "critical range", r.Critical, rangeFactor(3)*r.SD, 1e-12)
	if _, err := Repeat([]float64{1}); err == nil {
		t.Error("one run was called repeatable")
	}
}

// Whatever the frames, the histogram gives the quantiles of the sorted list:
// exactly for decimals it can keep apart, within half a part of it otherwise.
func TestHistogramAgreesWithSorting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		digits := rapid.IntRange(0, 8).Draw(t, "decimals")
		scale := math.Pow10(digits)
		spread := rapid.SampledFrom([]float64{0.2, 5, 300}).Draw(t, "spread")
		n := rapid.IntRange(1, 3000).Draw(t, "n")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		ms := make([]float64, n)
		for i := range ms {
			ms[i] = math.Round(scale*(2+spread*rng.ExpFloat64())) / scale
		}
		r, err := taken(ms).Report(Options{})
		if err != nil {
			t.Fatal(err)
		}
		exact := digits <= 3 && slices.Max(ms) < 128
		for _, p := range []float64{1, 50, 99.9} {
			got := r.Median
			if p != 50 {
				got = r.Percentiles[map[float64]string{1: "1", 99.9: "99.9"}[p]]
			}
			want := quantileOf(ms, p/100)
			limit := want * 1.001 / (1 << (partBits + 1))
			if exact {
				limit = 1e-12 * want
			}
			if math.Abs(got-want) > limit {
				t.Fatalf("%g %%: %.12g, sorted %.12g (exact %v)", p, got, want, exact)
			}
		}
		if r.Min != slices.Min(ms) || r.Max != slices.Max(ms) {
			t.Fatalf("extremes %g %g", r.Min, r.Max)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
	})
}

func TestBadFramesAreCounted(t *testing.T) {
	r := report(t, []float64{10, 0, -3, math.NaN(), math.Inf(1), 12, 1e-9, 1e9}, Options{})
	if r.Frames != 4 || r.BadRows != 4 {
		t.Errorf("%d frames, %d bad", r.Frames, r.BadRows)
	}
	var a Accumulator
	_, err := a.Report(Options{})
	var said fact.Error
	if !errors.As(err, &said) || said.Fact.Key != "pacing.no-frame" {
		t.Errorf("of an empty run is said %v", err)
	}
}

func run(n int) []float64 {
	rng := rand.New(rand.NewPCG(7, 7))
	ms := make([]float64, n)
	for i := range ms {
		ms[i] = math.Round(1e4*(11.3+0.4*rng.NormFloat64())) / 1e4
		if rng.IntN(5000) == 0 {
			ms[i] *= 5
		}
	}
	return ms
}

// Memory stays bounded even when frame times are scattered over every octave.
func TestMemoryIsBounded(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	var a Accumulator
	for range 500_000 {
		a.Add(math.Exp2(-7 + 27*rng.Float64()))
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	if mib := float64(after.HeapAlloc-before.HeapAlloc) / (1 << 20); mib > 32 {
		t.Errorf("%.1f MiB held for half a million scattered frames", mib)
	}
	r, err := a.Report(Options{})
	if err != nil || len(r.Series) > 2000 || len(r.Shape) > 60 {
		t.Errorf("%d points, %d bars, %v", len(r.Series), len(r.Shape), err)
	}
}

func BenchmarkAdd(b *testing.B) {
	ms := run(1 << 16)
	var a Accumulator
	i := 0
	for b.Loop() {
		a.Add(ms[i&(1<<16-1)])
		i++
	}
}

func BenchmarkReport(b *testing.B) {
	a := taken(run(1 << 20))
	for b.Loop() {
		if _, err := a.Report(Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// Time without samples is no time tested: the frames of a run whose computer stood
// still, or whose log was not written, count for what was logged.
func TestHoles(t *testing.T) {
	rates := Columns{Frame: -1, Stamp: -1, Rate: 1, Time: 0}
	frames := Columns{Frame: 1, Stamp: -1, Rate: -1, Time: 0}
	for _, c := range []struct {
		name    string
		columns Columns
		step    float64 // s
		value   float64
		gone    func(at float64) bool
		seconds float64
		holes   []holes.Hole
	}{
		{"a sample a second", rates, 1, 60, func(float64) bool { return false }, 600, nil},
		{"a sample every 10 s", rates, 10, 60, func(float64) bool { return false }, 600, nil},
		{"a slow sample", rates, 1, 60, func(at float64) bool { return at > 100 && at < 104 }, 600, nil},
		{"five minutes missing", rates, 1, 60, func(at float64) bool { return at > 100 && at < 400 }, 300,
			[]holes.Hole{{From: 100, To: 400}}},
		{"frames with the time of day", frames, 0.02, 0.02, func(float64) bool { return false }, 600, nil},
		{"five minutes of frames missing", frames, 0.02, 0.02, func(at float64) bool { return at > 100 && at < 400 }, 300,
			[]holes.Hole{{From: 100, To: 400}}},
	} {
		var a Accumulator
		for i := range int(600/c.step) + 1 {
			at := float64(i) * c.step
			if !c.gone(at) {
				c.columns.Add(&a, func(place int) float64 { return []float64{at + 7, c.value}[place] })
			}
		}
		r, err := a.Report(Options{})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.Duration-c.seconds) > 0.1 || len(r.Holes) != len(c.holes) {
			t.Errorf("%s: %g s, holes %v; want %g s, %v", c.name, r.Duration, r.Holes, c.seconds, c.holes)
		}
		for i, h := range r.Holes {
			if math.Abs(h.From-c.holes[i].From) > 0.05 || math.Abs(h.To-c.holes[i].To) > 0.05 {
				t.Errorf("%s: %v", c.name, h)
			}
		}
	}
}
