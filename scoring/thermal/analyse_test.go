package thermal

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// A logged is a log by columns; those that are empty are not there.
type logged struct{ Time, Temp, Power, Second, Clock []float64 }

func (l logged) rows() []Row {
	rows := make([]Row, len(l.Time))
	for i := range rows {
		at := func(column []float64) float64 {
			if column == nil {
				return math.NaN()
			}
			return column[i]
		}
		rows[i] = RowAt(l.Time[i], l.Temp[i])
		rows[i][Power], rows[i][Second], rows[i][Clock] = at(l.Power), at(l.Second), at(l.Clock)
	}
	return rows
}

func (l logged) analyse(o Options) (Report, error) {
	var a Accumulator
	for _, r := range l.rows() {
		a.Add(r)
	}
	return a.Analyse(0, o)
}

func judged(t testing.TB, l logged, o Options) Report {
	t.Helper()
	r, err := l.analyse(o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// made samples f every step seconds with noise and a display step.
func made(span, step, noise, digit float64, seed uint64, f func(float64) float64) logged {
	rng := rand.New(rand.NewPCG(seed, 2))
	var l logged
	for i := range int(math.Round(span/step)) + 1 {
		at := math.Round(1e6*float64(i)*step) / 1e6
		v := f(at) + noise*rng.NormFloat64()
		if digit > 0 {
			v = math.Round(v/digit) * digit
		}
		l.Time, l.Temp = append(l.Time, at), append(l.Temp, v)
	}
	return l
}

func readCard(t testing.TB) logged {
	t.Helper()
	f, err := os.Open("testdata/server-card-part-load.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	num := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	var l logged
	for _, r := range rows[1:] {
		l.Time = append(l.Time, num(r[0]))
		l.Temp = append(l.Temp, num(r[2]))
		l.Power = append(l.Power, num(r[3]))
		l.Clock = append(l.Clock, 1e6*num(r[4]))
		l.Second = append(l.Second, num(r[7]))
	}
	return l
}

// A real recording whose cooling reacts (testdata/ORIGIN.md): no curve, no
// prediction, no throttling.
func TestRealRecordingIsNotDescribed(t *testing.T) {
	ambient, rated, limit := 23.0, 35.0, 95.0
	r := judged(t, readCard(t), Options{
		Ambient: &ambient, AmbientU: 0.5, RatedAmbient: &rated, Limit: &limit, Place: Die, LimitPlace: Die,
	})
	if r.DescribesLog {
		t.Errorf("called described: %s", r.Why)
	}
	if r.TInf != nil || r.Tau != nil || r.Predicted != nil || r.Margin != nil {
		t.Error("a number was predicted from a curve that does not fit")
	}
	if r.Resolution != 1 || r.Highest != 71 || math.Abs(r.Peak-71) > 1 || len(r.Throttling) != 0 {
		t.Errorf("resolution %g, peak %g, throttling %v", r.Resolution, r.Peak, r.Throttling)
	}
	if r.Why.IsZero() {
		t.Error("no reason given")
	}
}

var step = rise{t0: 25, tInf: 65, tau: 300}

// True exponentials as sensors show them are called described, and the true
// values lie within what is stated.
func TestTrueExponentialsAreDescribed(t *testing.T) {
	for _, c := range []struct {
		name                            string
		r                               rise
		span, every, noise, digit, seed float64
	}{
		{"whole degrees at 1 Hz", step, 2400, 1, 0, 1, 1},
		{"whole degrees at 1 Hz with noise", step, 2400, 1, 0.4, 1, 2},
		{"whole degrees every 10 s", step, 1800, 10, 0, 1, 3},
		{"tenths at 1 Hz", step, 1800, 1, 0.1, 0.1, 4},
		{"thermocouple noise", step, 1800, 5, 0.4, 0.1, 5},
		{"no noise at all", step, 1800, 5, 0, 0, 6},
		{"two time constants long", step, 600, 5, 0.1, 0.1, 7},
		{"small rise in whole degrees", rise{t0: 40, tInf: 47, tau: 120}, 1200, 1, 0.2, 1, 8},
		{"half degrees", rise{t0: 31.3, tInf: 58.2, tau: 95}, 700, 2, 0, 0.5, 9},
		{"fast", rise{t0: 22, tInf: 80, tau: 20}, 600, 1, 0.2, 1, 10},
		{"tall and slow", rise{t0: 20, tInf: 95, tau: 900}, 3600, 1, 0, 1, 11},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := judged(t, made(c.span, c.every, c.noise, c.digit, uint64(c.seed), c.r.at), Options{})
			if !r.DescribesLog || r.Tau2 != nil {
				t.Fatalf("not described by one exponential: %s; %s", r.Reason, r.Why)
			}
			slack := 0.05 * c.digit
			if d := math.Abs(*r.TInf - c.r.tInf); d > 4*r.TInfU+slack+1e-9 {
				t.Errorf("T∞ %.3f ± %.3f, true %.3f", *r.TInf, r.TInfU, c.r.tInf)
			}
			if d := math.Abs(*r.Tau - c.r.tau); d > 4*r.TauU+0.03*c.r.tau {
				t.Errorf("tau %.2f ± %.2f, true %.2f", *r.Tau, r.TauU, c.r.tau)
			}
		})
	}
}

// Logs of other shapes are refused with the right reason.
func TestOtherShapesAreRefused(t *testing.T) {
	fan := func(at float64) float64 { // control steps in at 300 s
		if at < 300 {
			return step.at(at)
		}
		peak := step.at(300)
		return peak - 8*(1-math.Exp(-(at-300)/60))
	}
	hard := func(at float64) float64 { // the fan takes half of the rise away
		if at < 300 {
			return step.at(at)
		}
		peak := step.at(300)
		return peak - 0.5*(peak-25)*(1-math.Exp(-(at-300)/60))
	}
	steady := made(1500, 1, 0.1, 1, 9, hard)
	for range steady.Time {
		steady.Power = append(steady.Power, 40)
	}
	saw := func(at float64) float64 { return step.at(at) + 2.5*math.Sin(at/40) }
	late := func(at float64) float64 { // cooling weakens half way
		if at < 900 {
			return step.at(at)
		}
		return step.at(at) + 12*(1-math.Exp(-(at-900)/250))
	}
	for _, c := range []struct {
		name string
		log  logged
		want []Reason
	}{
		{"fan steps in", made(1500, 1, 0.1, 1, 1, fan), []Reason{Overshoot}},
		{"fan steps in, tenths", made(1500, 5, 0.1, 0.1, 1, fan), []Reason{Overshoot}},
		{"fan steps in hard", made(1500, 1, 0.1, 1, 9, hard), []Reason{Overshoot}},
		{"fan steps in hard, power steady", steady, []Reason{Overshoot}},
		{"hunting fan", made(1500, 1, 0.1, 1, 2, saw), []Reason{Residuals, Wanders, Overshoot}},
		{"straight line", made(600, 1, 0.1, 0.1, 3, func(at float64) float64 { return 25 + at/60 }), []Reason{TooShort}},
		{"half a time constant", made(150, 1, 0.1, 0.1, 4, step.at), []Reason{TooShort}},
		{"level", made(1800, 5, 0.2, 1, 5, func(float64) float64 { return 60 }), []Reason{NoRise}},
		{"level without noise", made(1800, 5, 0, 0, 6, func(float64) float64 { return 60 }), []Reason{NoRise}},
		{"second rise", made(2400, 1, 0.1, 1, 7, late), []Reason{Residuals, TooShort}},
		{"five readings", made(40, 10, 0, 0.1, 8, step.at), []Reason{TooFew}},
	} {
		t.Run(c.name, func(t *testing.T) {
			ambient, rated := 23.0, 35.0
			r := judged(t, c.log, Options{Ambient: &ambient, RatedAmbient: &rated})
			if r.DescribesLog || r.TInf != nil || r.Tau != nil {
				t.Fatalf("called described: %s", r.Why)
			}
			if !slices.Contains(c.want, r.Reason) {
				t.Errorf("reason %q, want one of %q: %s", r.Reason, c.want, r.Why)
			}
			if r.Predicted != nil && r.Reason != NoRise {
				t.Error("predicted all the same")
			}
		})
	}
}

func TestTwoTimeConstants(t *testing.T) {
	die := func(at float64) float64 { return 24 + 15*(1-math.Exp(-at/12)) + 35*(1-math.Exp(-at/400)) }
	for _, digit := range []float64{0.1, 1} {
		r := judged(t, made(2000, 1, 0.1, digit, 1, die), Options{})
		if !r.DescribesLog || r.Tau2 == nil {
			t.Fatalf("step %g: not described by two exponentials: %s %s", digit, r.Reason, r.Why)
		}
		if math.Abs(*r.Tau-400) > 12 || math.Abs(*r.Tau2-12) > 2 ||
			math.Abs(*r.TInf-74) > 0.5 || math.Abs(*r.Share2-0.3) > 0.02 {
			t.Errorf("step %g: tau %.1f and %.1f, T∞ %.2f, share %.3f", digit, *r.Tau, *r.Tau2, *r.TInf, *r.Share2)
		}
		start := 24.0
		r = judged(t, made(2000, 1, 0.1, digit, 1, die), Options{Start: &start})
		if r.Tau2 == nil || math.Abs(*r.Tau2-12) > 2 || *r.T0 != 24 {
			t.Errorf("with T0 given: tau2 %v", r.Tau2)
		}
	}
}

func TestLoadBeginsAndEndsInsideTheLog(t *testing.T) {
	f := func(at float64) float64 {
		switch {
		case at < 180:
			return 26
		case at < 2580:
			return rise{t0: 26, tInf: 70, tau: 280}.at(at - 180)
		}
		return rise{t0: 70, tInf: 26, tau: 280}.at(at - 2580)
	}
	for _, digit := range []float64{0.1, 1} {
		l := made(4200, 2, 0.1, digit, 1, f)
		r := judged(t, l, Options{})
		if !r.DescribesLog {
			t.Fatalf("step %g: %s", digit, r.Why)
		}
		if math.Abs(r.LoadStart-180) > 8 || math.Abs(r.LoadEnd-2580) > 20 {
			t.Errorf("step %g: load from %.0f to %.0f s, true 180 to 2580", digit, r.LoadStart, r.LoadEnd)
		}
		if math.Abs(*r.Tau-280) > 8 || math.Abs(*r.TInf-70) > 0.5 {
			t.Errorf("step %g: tau %.1f, T∞ %.2f", digit, *r.Tau, *r.TInf)
		}
		if r.Cooling == nil || r.Cooling.Tau == nil || math.Abs(*r.Cooling.Tau-280) > 12 || !*r.Cooling.Agrees {
			t.Errorf("step %g: cooling %+v", digit, r.Cooling)
		}
		for range l.Time {
			l.Power = append(l.Power, 2)
		}
		for i, at := range l.Time {
			if at >= 180 && at < 2580 {
				l.Power[i] = 40
			}
		}
		r = judged(t, l, Options{})
		if r.LoadStart != 180 || r.LoadEnd != 2578 || r.Cooling == nil || r.Cooling.Tau == nil {
			t.Errorf("by power: load from %g to %g s, cooling %+v", r.LoadStart, r.LoadEnd, r.Cooling)
		}
	}
}

// The worked sentence: a display of half degrees shows 71.5 °C at 23 °C of a card that
// ends at 71.6 °C; 83.6 °C are expected at 35 °C.
func TestPredictionAtRatedAmbient(t *testing.T) {
	l := made(2400, 1, 0, 0.5, 1, rise{t0: 24, tInf: 71.6, tau: 240}.at)
	for range l.Time {
		l.Power = append(l.Power, 12)
	}
	ambient, rated, limit := 23.0, 35.0, 85.0
	o := Options{
		Ambient: &ambient, AmbientU: 0.3, RatedAmbient: &rated, Limit: &limit,
		U: 0.58, Place: Case, LimitPlace: Case,
	}
	r := judged(t, l, o)
	if r.Highest != 71.5 || math.Abs(r.Peak-71.6) > 0.1 ||
		r.Predicted == nil || math.Abs(*r.Predicted-83.6) > 0.1 || math.Abs(*r.Margin-1.4) > 0.1 {
		t.Fatalf("peak %g, predicted %v, margin %v", r.Peak, r.Predicted, r.Margin)
	}
	if got := r.Verdict; got != conformity.Pass && got != conformity.Inconclusive {
		t.Errorf("verdict %v", got)
	}
	// θ = ΔT/P (JESD51-1, from memory).
	if math.Abs(*r.Theta-(71.6-23)/12) > 0.02 || r.ThetaIs != "θCA" {
		t.Errorf("%s = %g", r.ThetaIs, *r.Theta)
	}
	o.Place = Heatsink
	r = judged(t, l, o)
	if r.Margin != nil || r.PlaceProblem.IsZero() {
		t.Error("a heatsink reading was judged against a limit for the case")
	}
}

// A reading is held against a limit for its own place only.
func TestPlaces(t *testing.T) {
	for _, c := range []struct {
		reading, limit Place
		problem        string
	}{
		{Die, Die, ""}, {Case, Die, "thermal.other-place"}, {Unknown, Die, "thermal.place-not-stated"},
		{Die, Unknown, "thermal.place-not-stated"}, {Unknown, Unknown, "thermal.place-not-stated"},
	} {
		if got := placeProblem(c.reading, c.limit); got.Key != c.problem {
			t.Errorf("%q for a limit at %q: %q, want %q", c.reading, c.limit, got.Key, c.problem)
		}
	}
}

func TestStability(t *testing.T) {
	const perHour = 2
	ramp := func(at float64) float64 { return 40 + at/600 }
	for _, c := range []struct {
		name string
		log  logged
		win  float64
		d    float64
		want Settling
	}{
		{"tenths, settled", made(3600, 1, 0.05, 0.1, 1, step.at), 600, perHour, Stable},
		{"tenths, rising", made(900, 1, 0.05, 0.1, 1, step.at), 600, perHour, StillRising},
		{"whole degrees: 600 s hide 2 °C per hour, 38 min show it", made(3600, 1, 0, 1, 1, step.at), 600, perHour, Stable},
		{"whole degrees, and no 35 min level", made(2400, 1, 0, 1, 1, step.at), 600, perHour, CannotTell},
		{"whole degrees, long level stretch", made(7200, 1, 0, 1, 1, step.at), 0, perHour, Stable},
		{"whole degrees, 1 °C in 10 min over 20 min", made(3600, 1, 0, 1, 1, step.at), 1200, 6, Stable},
		{"whole degrees, the rise is not the end", made(2400, 1, 0, 1, 1, step.at), 0, perHour, CannotTell},
		{"whole degrees, a slow ramp", made(14400, 5, 0, 1, 1, ramp), 0, perHour, StillRising},
		{"short and long settled", made(600, 1, 0.05, 0.1, 1, rise{t0: 22, tInf: 80, tau: 20}.at), 0, perHour, Stable},
		{"cooling", made(900, 1, 0.05, 0.1, 1, rise{t0: 60, tInf: 30, tau: 400}.at), 300, perHour, StillFalling},
		{"shorter than the window", made(200, 1, 0, 0.1, 1, func(float64) float64 { return 50 }), 600, perHour, CannotTell},
	} {
		r := judged(t, c.log, Options{Window: c.win, Drift: c.d})
		if r.Settling != c.want {
			t.Errorf("%s: %s, want %s; slope %v %v over %v",
				c.name, r.Settling, c.want, *r.SlopePerHour, *r.SlopeCI, *r.SlopeWindow)
		}
		if r.Settling == CannotTell && len(r.Settle) == 0 {
			t.Errorf("%s: nothing said about what would settle it", c.name)
		}
	}
	// Computed from the formula: 2 °C per hour is reached after 1644.192 s.
	r := judged(t, made(5400, 5, 0, 0, 1, step.at), Options{Window: 600})
	if r.StableSince == nil || math.Abs(*r.StableSince-1644.192) > 0.01 {
		t.Errorf("stable since %v, want 1644.192", r.StableSince)
	}
}

// The stated 95 % interval of the slope holds the true slope at least so often,
// for white and for correlated noise.
func TestSlopeIntervalCovers(t *testing.T) {
	for _, phi := range []float64{0, 0.7} {
		inside, all := 0, 400
		for seed := range all {
			rng := rand.New(rand.NewPCG(uint64(seed), 5))
			var x, y []float64
			e := 0.0
			for i := range 300 {
				e = phi*e + 0.2*rng.NormFloat64()
				x, y = append(x, float64(i)), append(y, 50+0.001*float64(i)+e)
			}
			s, ok := trendOf(samples{time: x, temp: y}, 0, nil)
			if !ok {
				t.Fatal("no slope")
			}
			if s.low <= 3.6 && 3.6 <= s.high {
				inside++
			}
		}
		if inside < 366 {
			t.Errorf("autocorrelation %g: %d of %d intervals hold the slope", phi, inside, all)
		}
	}
}

func TestThrottling(t *testing.T) {
	hot := func(clock func(at float64) float64) logged {
		l := made(1500, 1, 0.1, 1, 1, step.at)
		rng := rand.New(rand.NewPCG(1, 1))
		for _, at := range l.Time {
			l.Clock = append(l.Clock, clock(at)+1e5*rng.NormFloat64())
		}
		return l
	}
	r := judged(t, hot(func(at float64) float64 {
		if at > 500 {
			return 124e6
		}
		return 137e6
	}), Options{})
	if len(r.Throttling) != 1 ||
		math.Abs(r.Throttling[0].Drop-13.0/137) > 0.003 || math.Abs(r.Throttling[0].Since-500) > 80 {
		t.Errorf("clock step: %+v", r.Throttling)
	}
	if r := judged(t, hot(func(float64) float64 { return 137e6 }), Options{}); len(r.Throttling) != 0 {
		t.Errorf("steady clock: %+v", r.Throttling)
	}
	if r := judged(t, hot(func(at float64) float64 { return 160e6 + 5e3*at }), Options{}); len(r.Throttling) != 0 {
		t.Errorf("rising clock: %+v", r.Throttling)
	}
}

func TestResolution(t *testing.T) {
	for _, c := range []struct {
		v    []float64
		want float64
	}{
		{[]float64{21, 22, 25, 30}, 1}, {[]float64{21.5, 22, 25, 30}, 0.5}, {[]float64{20.1, 20.4, 33.3}, 0.1},
		{[]float64{20.0625, 20.125, 21}, 0.0625}, {[]float64{math.Pi, math.E, 3.5}, 0}, {[]float64{60, 60, 60}, 1},
		{[]float64{60.5, 60.5}, 0.1}, {[]float64{50, 52, 54}, 1}, {nil, 0}, {[]float64{-3, 0, 2}, 1},
	} {
		if got := resolutionOf(c.v); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v: %g, want %g", c.v, got, c.want)
		}
	}
}

// A log that is too long to be kept loses nothing that counts.
func TestLongLog(t *testing.T) {
	l := made(2400, 0.01, 0.2, 1, 1, step.at) // 240 001 rows
	l.Temp[123456] = 90                       // no card goes from 64 to 90 °C and back within a hundredth of a second
	l.Temp[200000] = 72                       // for as long, it makes nothing hot
	r := judged(t, l, Options{})
	if !r.Decimated || r.Readings != 240000 || r.Impossible != 1 ||
		r.Highest != 72 || math.Abs(r.Peak-65) > 0.1 || r.Resolution != 1 {
		t.Errorf("long log: %d readings, peak %g at %g, resolution %g", r.Readings, r.Peak, r.PeakAt, r.Resolution)
	}
	if !r.DescribesLog || math.Abs(*r.Tau-300) > 2 || math.Abs(*r.TInf-65) > 0.2 {
		t.Errorf("long log: %v %s", r.DescribesLog, r.Why)
	}
	if len(r.Curve) > 400 {
		t.Errorf("the figure has %d points", len(r.Curve))
	}
}

func TestGapsAndBadRows(t *testing.T) {
	l := made(1800, 2, 0.1, 0.1, 1, step.at)
	var cut logged
	for i, at := range l.Time {
		if at > 400 && at < 520 {
			continue
		}
		v := l.Temp[i]
		if i%50 == 7 {
			v = math.NaN()
		}
		cut.Time, cut.Temp = append(cut.Time, at), append(cut.Temp, v)
	}
	r := judged(t, cut, Options{})
	if len(r.Gaps) != 1 || r.Gaps[0].From != 400 || r.Gaps[0].To != 520 || r.Dropped == 0 || !r.DescribesLog {
		t.Errorf("gaps %v, %d dropped, described %v %s", r.Gaps, r.Dropped, r.DescribesLog, r.Why)
	}
	for key, l := range map[string]logged{
		"thermal.time-runs-backward": {Time: []float64{1, 0}, Temp: []float64{1, 2}},
		"thermal.no-reading":         {Time: []float64{1}, Temp: []float64{math.NaN()}},
	} {
		_, err := l.analyse(Options{})
		var said fact.Error
		if !errors.As(err, &said) || said.Fact.Key != key {
			t.Errorf("%v; want %s", err, key)
		}
	}
}

// Whatever comes in, nothing breaks, the JSON is writable, and a curve that
// does not describe the log predicts nothing.
func TestAnalyseHoldsItsPromises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 120).Draw(t, "n")
		var l logged
		at := 0.0
		for range n {
			at += rapid.SampledFrom([]float64{0, 0.5, 1, 1, 7, 300}).Draw(t, "dt")
			l.Time = append(l.Time, at)
			l.Temp = append(l.Temp, rapid.SampledFrom([]float64{20, 21, 22.5, 40, 60, -5, 1e6, math.NaN()}).Draw(t, "temp"))
			l.Power = append(l.Power, rapid.SampledFrom([]float64{0, 1, 40, math.NaN()}).Draw(t, "power"))
			l.Clock = append(l.Clock, rapid.SampledFrom([]float64{1e8, 1.5e8}).Draw(t, "clock"))
		}
		amb := 20.0
		r, err := l.analyse(Options{Ambient: &amb, RatedAmbient: &amb})
		if err != nil {
			return
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
		if !r.DescribesLog && (r.TInf != nil || r.Tau != nil || r.Predicted != nil && r.Reason != NoRise) {
			t.Fatal("predicted from a curve that does not fit")
		}
	})
}

func BenchmarkAccumulator(b *testing.B) {
	var a Accumulator
	row := RowAt(0, 0)
	row[Power], row[Clock] = 12, 137e6
	i := 0
	for b.Loop() {
		row[Time], row[Temperature] = float64(i)*0.01, float64(40+i%7)
		a.Add(row)
		i++
	}
}

func BenchmarkAnalyse(b *testing.B) {
	l := made(2400, 1, 0.2, 1, 1, step.at)
	for b.Loop() {
		if _, err := l.analyse(Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// A soak of eight hours at one reading a second.
func BenchmarkLongSoak(b *testing.B) {
	l := made(8*3600, 1, 0.2, 0.1, 1, rise{t0: 25, tInf: 65, tau: 600}.at)
	for b.Loop() {
		if _, err := l.analyse(Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
