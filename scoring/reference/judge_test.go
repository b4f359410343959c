package reference

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

func mustScore(t fataler, set Set, value float64, o Options) Outcome {
	t.Helper()
	out, err := Judge(set, value, o)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Hahn and Meeker, Statistical Intervals, 1991, chapter 4, five voltages (from
// memory): mean 50.10, s 1.31; the next one lies within 46.1 to 54.1 with 95 %;
// 44.5 to 55.7 holds 90 % of all with 95 % confidence.
func TestJudgeHahnMeeker(t *testing.T) {
	set := Set{Unit: "V", Scores: []float64{50.3, 48.3, 49.6, 50.4, 51.9}}
	out := mustScore(t, set, 50, Options{Coverage: 0.90})
	near(t, "mean", out.Mean, 50.10, 0.005)
	near(t, "s", out.SD, 1.31, 0.005)
	near(t, "prediction low", *out.Prediction.Low, 46.1, 0.05)
	near(t, "prediction high", *out.Prediction.High, 54.1, 0.05)
	near(t, "tolerance low", *out.Tolerance.Low, 44.5, 0.05)
	near(t, "tolerance high", *out.Tolerance.High, 55.7, 0.05)
	near(t, "k", (*out.Tolerance.High-out.Mean)/out.SD, 4.291, 0.0005) // Meeker, Hahn and Escobar 2017, table J.5b
	if out.Verdict != conformity.Pass || len(out.Notes) == 0 || out.Notes[0].Key != "reference.small-set" {
		t.Errorf("%v, %q", out.Verdict, out.Notes)
	}
	for value, want := range map[float64]conformity.Verdict{
		46.0: conformity.Fail, 46.2: conformity.Pass, 54.0: conformity.Pass, 54.2: conformity.Fail,
	} {
		if got := mustScore(t, set, value, Options{}); got.Verdict != want {
			t.Errorf("%g: %v, want %v", value, got.Verdict, want)
		}
	}
	near(t, "percentile of the mean", *mustScore(t, set, 50.10, Options{}).Percentile, 50, 1e-9)
	near(t, "percentile of the end", *mustScore(t, set, *out.Prediction.Low, Options{}).Percentile, 2.5, 1e-9)
}

// goodSet holds invented scores of a family on one bench.
func goodSet() Set {
	scores := []float64{101.2, 98.7, 100.4, 99.1, 102.0, 97.9, 100.9, 99.6, 100.2, 101.5}
	return Set{Bench: "A", Unit: "fps", Scores: scores}
}

func TestJudgeDirections(t *testing.T) {
	for _, tt := range []struct {
		direction Direction
		value     float64
		want      conformity.Verdict
		remark    bool
	}{
		{TwoSided, 110, conformity.Fail, false},
		{HigherIsBetter, 110, conformity.Inconclusive, false}, // too good
		{HigherIsBetter, 104, conformity.Pass, true},
		{LowerIsBetter, 110, conformity.Fail, false},
		{TwoSided, 90, conformity.Fail, false},
		{HigherIsBetter, 90, conformity.Fail, false},
		{LowerIsBetter, 90, conformity.Inconclusive, false}, // too good
		{LowerIsBetter, 96.5, conformity.Pass, true},
		{HigherIsBetter, 100, conformity.Pass, false},
	} {
		out := mustScore(t, goodSet(), tt.value, Options{Direction: tt.direction})
		remark := noted(out, "reference.better-than-good")
		if out.Verdict != tt.want || remark != tt.remark {
			t.Errorf("%s, %g: %v, remark %v", tt.direction, tt.value, out.Verdict, remark)
		}
		if open := out.Tolerance.High == nil; open != (tt.direction == HigherIsBetter) {
			t.Errorf("%s: tolerance %+v", tt.direction, out.Tolerance)
		}
	}
}

func TestJudgeFewScores(t *testing.T) {
	for n := range MinScores {
		set := Set{Scores: goodSet().Scores[:n]}
		out := mustScore(t, set, 0, Options{})
		if out.Verdict != conformity.NotRun || len(out.Settle) != 1 || !asks(out, "n", MinScores-n) || out.N != n {
			t.Errorf("%d scores: %+v", n, out)
		}
		if shown := out.Prediction != nil; shown != (n >= 2) {
			t.Errorf("%d scores: prediction %+v", n, out.Prediction)
		}
	}
}

// The uncertainty of the score straddles the end of the range, and the remedy
// says at which U it would not.
func TestJudgeUncertainScore(t *testing.T) {
	low := *mustScore(t, goodSet(), 100, Options{}).Prediction.Low
	out := mustScore(t, goodSet(), low+0.3, Options{Uncertainty: conformity.ExpandedUncertainty(0.5, 2)})
	if out.Verdict != conformity.Inconclusive || len(out.Settle) != 1 || out.Settle[0].Key != "reference.measure-finer" {
		t.Fatalf("%+v", out)
	}
	near(t, "largest U", out.Settle[0].Args["u"].(fact.Amount).Value, 0.3, 1e-9)
	finer := Options{Uncertainty: conformity.ExpandedUncertainty(0.29, 2)}
	if again := mustScore(t, goodSet(), low+0.3, finer); again.Verdict != conformity.Pass {
		t.Errorf("finer: %v", again.Verdict)
	}
	shared := Options{Uncertainty: conformity.ExpandedUncertainty(0.5, 2), Rule: conformity.Simple}
	if simple := mustScore(t, goodSet(), low+0.3, shared); simple.Verdict != conformity.Pass {
		t.Errorf("simple: %v", simple.Verdict)
	}
}

func TestJudgeOutlier(t *testing.T) {
	set := goodSet()
	set.Scores = append(set.Scores, 70)
	set.Names = []string{"1", "2", "3", "4", "5", "6", "7", "8", "9", "10", "the odd one"}
	// 88 belongs to the set only because of the odd one.
	out := mustScore(t, set, 88, Options{Direction: HigherIsBetter})
	if len(out.Outliers) != 1 || out.Outliers[0].Index != 10 || out.Outliers[0].Name != "the odd one" || out.N != 11 {
		t.Fatalf("%+v", out.Outliers)
	}
	last := len(out.Settle) - 1
	if out.Verdict != conformity.Inconclusive || last < 0 || out.Settle[last].Key != "reference.check-cards" {
		t.Errorf("%v, %+v", out.Verdict, out.Settle)
	}
	// 100 belongs either way, so that the verdict stands and the question stays.
	out = mustScore(t, set, 100, Options{Direction: HigherIsBetter})
	if out.Verdict != conformity.Pass || !noted(out, "reference.stands-off") {
		t.Errorf("%v, %q", out.Verdict, out.Notes)
	}
	set.Kept = []int{10}
	kept := mustScore(t, set, 88, Options{Direction: HigherIsBetter})
	if kept.Verdict != conformity.Pass || len(kept.Outliers) != 1 {
		t.Errorf("kept: %v", kept.Verdict)
	}
	// With five scores there is no verdict without the odd one, so none with it.
	five := Set{Scores: []float64{100, 100.2, 99.9, 100.1, 60}}
	if out := mustScore(t, five, 90, Options{}); out.Verdict != conformity.Inconclusive {
		t.Errorf("five: %v %v", out.Verdict, out.Sentence)
	}
}

func TestJudgeBenches(t *testing.T) {
	other := Options{Bench: "B"}
	out := mustScore(t, goodSet(), 200, other)
	none := fact.New("reference.no-control-card")
	if out.Verdict != conformity.NotRun || out.Prediction != nil ||
		!same(out.Sentence.Args["why"], none) || out.Settle[0].Key != "reference.run-control" {
		t.Errorf("no control card: %+v", out)
	}
	other.Control = &ControlRuns{SetBench: []float64{100, 101}, ThisBench: []float64{200}}
	if out := mustScore(t, goodSet(), 200, other); out.Verdict != conformity.NotRun || len(out.Settle) != 1 {
		t.Errorf("one run: %+v", out)
	}
	other.Control.ThisBench = []float64{200, 202}
	out = mustScore(t, goodSet(), 200, other)
	if out.Verdict != conformity.Pass || out.Transfer == nil {
		t.Fatalf("%+v", out)
	}
	near(t, "ratio", out.Transfer.Ratio, 2, 1e-12)
	near(t, "relative", out.Transfer.Relative, 0.5/100.5*math.Sqrt2, 1e-9) // s/√2 = 0.5 at 100.5 on both
	plain := mustScore(t, goodSet(), 100, Options{})
	width := (*plain.Prediction.High - *plain.Prediction.Low) * 2
	if got := *out.Prediction.High - *out.Prediction.Low; got <= width {
		t.Errorf("width %g, plainly scaled %g", got, width)
	}
	if same := mustScore(t, goodSet(), 100, Options{Bench: "A"}); same.Verdict != conformity.Pass || same.Transfer != nil {
		t.Errorf("same bench: %+v", same)
	}
	why := fact.New("reference.jump", "run", 9)
	held := mustScore(t, goodSet(), 100, Options{Bench: "A", Signals: []Signal{{Why: why}}})
	if held.Verdict != conformity.Inconclusive || !same(held.Sentence.Args["why"], why) || held.Prediction == nil {
		t.Errorf("held: %+v", held)
	}
}

// A set in two clumps is not normal: the range is that of the order, a score
// within it passes, and one outside is open until there are 39 cards.
func TestJudgeDistributionFree(t *testing.T) {
	var scores []float64
	for i := range 10 {
		scores = append(scores, 100+0.1*float64(i), 120+0.1*float64(i))
	}
	set := Set{Scores: scores}
	out := mustScore(t, set, 110, Options{})
	p, tol := out.Prediction, out.Tolerance
	if !out.Normality.Doubtful || p.Method != methodDistributionFree || *p.Low != 100 || *p.High != 120.9 {
		t.Fatalf("%+v %+v", out.Normality, p)
	}
	near(t, "reached", p.Confidence, 19.0/21, 1e-12)
	if out.Verdict != conformity.Pass || p.Needed != 39 || tol.Needed != 93 || tol.Low != nil {
		t.Errorf("%v %+v %+v", out.Verdict, out.Prediction, out.Tolerance)
	}
	near(t, "percentile", *out.Percentile, 50, 1e-9)
	out = mustScore(t, set, 130, Options{})
	if out.Verdict != conformity.Inconclusive || len(out.Settle) != 1 || !asks(out, "n", 19) {
		t.Errorf("%v %+v", out.Verdict, out.Settle)
	}
	many := Set{Scores: slices.Concat(scores, scores, scores, scores, scores)}
	out = mustScore(t, many, 130, Options{})
	if out.Verdict != conformity.Fail || out.Tolerance.Low == nil || out.Tolerance.Confidence < 0.95 {
		t.Errorf("%v %+v", out.Verdict, out.Tolerance)
	}
}

func TestJudgeLogScale(t *testing.T) {
	// Scores spread by factors: e^(z/2)·100 at even places of the normal curve.
	var scores []float64
	for i := 1; i <= 25; i++ {
		scores = append(scores, 100*math.Exp(math.Sqrt2*math.Erfinv(2*(float64(i)-0.375)/25.25-1)))
	}
	plain := mustScore(t, Set{Scores: scores}, 100, Options{})
	if !plain.Normality.Doubtful || !noted(plain, "reference.log-normal") {
		t.Errorf("%+v %v", plain.Normality, plain.Notes)
	}
	out := mustScore(t, Set{Scores: scores}, 100, Options{Log: true})
	if out.Normality.Doubtful || *out.Prediction.Low <= 0 {
		t.Errorf("%+v %+v", out.Normality, out.Prediction)
	}
	near(t, "ends multiply to the square of the centre", *out.Prediction.Low**out.Prediction.High, 1e4, 1)
	near(t, "percentile", *out.Percentile, 50, 0.1)
	zero := mustScore(t, Set{Scores: scores}, 0, Options{Log: true})
	if zero.Verdict != conformity.Fail || *zero.Percentile != 0 {
		t.Errorf("a score of nothing: %v %v", zero.Verdict, *zero.Percentile)
	}
	if _, err := Judge(Set{Scores: append(scores, 0)}, 100, Options{Log: true}); err == nil {
		t.Error("a log scale has no zero")
	}
}

func TestJudgeEqualScores(t *testing.T) {
	set := Set{Scores: []float64{60, 60, 60, 60, 60, 60, 60, 60}}
	if out := mustScore(t, set, 60, Options{}); out.Verdict != conformity.Pass || out.Percentile != nil {
		t.Errorf("equal: %+v", out)
	}
	out := mustScore(t, set, 59, Options{})
	if out.Verdict != conformity.Inconclusive || len(out.Settle) != 1 {
		t.Errorf("one off: %+v", out)
	}
	// The step of the last digit stands in for the spread: t(0.975; 7)·√(1 + 1/8)/√12.
	near(t, "low", *out.Prediction.Low, 60-2.3646*math.Sqrt(1.125)/math.Sqrt(12), 1e-4)
	tenths := mustScore(t, Set{Scores: []float64{60.1, 60.1, 60.1, 60.1, 60.1}}, 60.1, Options{})
	near(t, "low of tenths", *tenths.Prediction.Low, 60.1-0.1*2.7764*math.Sqrt(1.2)/math.Sqrt(12), 1e-4)
}

// What else would have given a score on the good side: each is asked about, and a
// pass lies inside its limits.
func TestTooGoodToBeTrue(t *testing.T) {
	scores := []float64{59.6, 60.2, 60.9, 61.4, 60.5, 60.1, 60.7, 59.9}
	rises := []float64{24.2, 25.1, 26, 25.5, 24.7, 25.8, 23.6, 26.4}
	for _, tt := range []struct {
		name      string
		scores    []float64
		direction Direction
		value     float64
		u         float64
		want      conformity.Verdict
	}{
		{"no vertical sync, or another unit", scores, HigherIsBetter, 600, 0, conformity.Inconclusive},
		{"milliseconds where frames a second are meant", scores, LowerIsBetter, 16.6, 0, conformity.Inconclusive},
		{"half the resolution", scores, HigherIsBetter, 75, 0, conformity.Inconclusive},
		{"a good card", scores, HigherIsBetter, 60.4, 0, conformity.Pass},
		{"a better one", scores, HigherIsBetter, 62, 0, conformity.Pass},
		{"a bad one", scores, HigherIsBetter, 55, 0, conformity.Fail},
		{"sensor off the card", rises, LowerIsBetter, 0.1, 0.2, conformity.Inconclusive},
		{"no load", rises, LowerIsBetter, 9, 0.2, conformity.Inconclusive},
		{"a cool card", rises, LowerIsBetter, 22.5, 0.2, conformity.Pass},
		{"a hot one", rises, LowerIsBetter, 31, 0.2, conformity.Fail},
	} {
		u := conformity.StandardUncertainty(tt.u)
		out := mustScore(t, Set{Scores: tt.scores}, tt.value, Options{Direction: tt.direction, Uncertainty: u})
		if out.Verdict != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, out.Verdict, tt.want)
		}
		if tt.want == conformity.Inconclusive && (out.Sentence.Key != "reference.too-good" || len(out.Settle) != 1) {
			t.Errorf("%s: %+v", tt.name, out.Sentence)
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		value := rapid.Float64Range(40, 90).Draw(rt, "value")
		u := rapid.SampledFrom([]float64{0, 0.1, 1}).Draw(rt, "u")
		direction := rapid.SampledFrom([]Direction{HigherIsBetter, LowerIsBetter}).Draw(rt, "direction")
		out, err := Judge(Set{Scores: scores}, value, Options{Direction: direction, Uncertainty: conformity.StandardUncertainty(u)})
		if err != nil {
			rt.Fatal(err)
		}
		l := out.Conformity.Limits
		if out.Verdict == conformity.Pass && (value-2*u < *l.Low-1e-9 || value+2*u > *l.High+1e-9) {
			rt.Fatalf("%g passes outside %g to %g", value, *l.Low, *l.High)
		}
	})
}

// Between the range and a wider one a score is rare for a good card and does not
// fail yet. t(0.995; 7) = 3.499 and t(0.999; 7) = 4.785 (Student's t as tabled), by
// √(1 + 1/8), of a set with mean 60 and standard deviation 1.
func TestRare(t *testing.T) {
	var scores []float64
	for _, z := range []float64{0.15, 0.47, 0.85, 1.42} {
		s := z / math.Sqrt(2*(0.15*0.15+0.47*0.47+0.85*0.85+1.42*1.42)/7)
		scores = append(scores, 60-s, 60+s)
	}
	root := math.Sqrt(1 + 1.0/8)
	for value, want := range map[float64]conformity.Verdict{
		60 - 3.49*root: conformity.Pass,
		60 - 3.51*root: conformity.Inconclusive,
		60 - 4.78*root: conformity.Inconclusive,
		60 - 4.79*root: conformity.Fail,
	} {
		o := Options{Direction: HigherIsBetter, Confidence: 0.99, Failing: 0.998}
		out := mustScore(t, Set{Scores: scores}, value, o)
		if out.Verdict != want || want == conformity.Inconclusive && (len(out.Settle) == 0 || out.Settle[0].Key != "reference.rare") {
			t.Errorf("%g: %v %+v", value, out.Verdict, out.Settle)
		}
	}
	if _, err := Judge(Set{Scores: scores}, 60, Options{Confidence: 0.99, Failing: 0.95}); err == nil {
		t.Error("a failing range inside the other is accepted")
	}
}

// Good cards beside sets of good cards, played out: with eight of them at least 95 %
// are accepted, also where a set is doubted that only chance spread.
func TestGoodCardsPass(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 8))
	for n, least := range map[int]float64{5: 0.86, 6: 0.91, 8: 0.95, 12: 0.955} {
		const cards = 3000
		passed := 0.0
		for range cards {
			scores := make([]float64, n)
			for i := range scores {
				scores[i] = 60 + 0.6*rng.NormFloat64()
			}
			out := mustScore(t, Set{Scores: scores}, 60+0.6*rng.NormFloat64(), Options{Direction: HigherIsBetter})
			if out.Verdict == conformity.Pass {
				passed++
			}
		}
		if passed/cards < least {
			t.Errorf("sets of %d: %.3f of good cards pass", n, passed/cards)
		}
		t.Logf("sets of %d: %.3f of good cards pass", n, passed/cards)
	}
}

// Another bad card beside a set that has two of them: how often it passes, at ten
// standard deviations below the good ones.
func TestBadCardsInTheSet(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 20))
	for n, most := range map[int]float64{5: 0.5, 8: 0.01, 20: 0.001} {
		const sets = 3000
		passed := 0.0
		for range sets {
			scores := make([]float64, n)
			for i := range scores {
				scores[i] = 60 + 0.6*rng.NormFloat64()
				if i < 2 {
					scores[i] -= 6
				}
			}
			out := mustScore(t, Set{Scores: scores}, 54+0.6*rng.NormFloat64(), Options{Direction: HigherIsBetter})
			if out.Verdict == conformity.Pass {
				passed++
			}
		}
		if passed/sets > most {
			t.Errorf("sets of %d: another bad card passes in %.3f", n, passed/sets)
		}
		t.Logf("sets of %d: another bad card passes in %.3f", n, passed/sets)
	}
}

func TestJudgeRefuses(t *testing.T) {
	for name, o := range map[string]Options{
		"direction": {Direction: "sideways"}, "confidence": {Confidence: 1},
		"coverage": {Coverage: 0.3}, "no coverage": {Coverage: math.NaN()},
		"rule": {Rule: "mild"}, "u": {Uncertainty: conformity.StandardUncertainty(-1)},
	} {
		if out, err := Judge(goodSet(), 100, o); err == nil || out.Verdict != conformity.NotRun {
			t.Errorf("%s: %+v", name, out)
		}
	}
	if _, err := Judge(goodSet(), math.NaN(), Options{}); err == nil {
		t.Error("a score that is no number")
	}
	if _, err := Judge(Set{Scores: []float64{1, math.NaN()}}, 1, Options{}); err == nil {
		t.Error("NaN in the set")
	}
	if _, err := Judge(Set{Scores: []float64{1, 2}, Names: []string{"a"}}, 1, Options{}); err == nil {
		t.Error("names that do not fit")
	}
}

func TestOutcomeJSON(t *testing.T) {
	ranges, err := Ranges(goodSet(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range []Outcome{ranges, mustScore(t, goodSet(), 100, Options{})} {
		out, err := json.Marshal(o)
		if err != nil {
			t.Fatal(err)
		}
		var back map[string]any
		if err := json.Unmarshal(out, &back); err != nil {
			t.Fatal(err)
		}
		for _, field := range []string{
			"n", "mean", "sd", "median", "outliers", "normality", "prediction", "tolerance", "percentile", "verdict",
		} {
			if _, ok := back[field]; !ok {
				t.Errorf("no %q in %s", field, out)
			}
		}
		for _, field := range []string{"low", "high", "coverage", "confidence"} {
			if _, ok := back["tolerance"].(map[string]any)[field]; !ok {
				t.Errorf("no tolerance.%s in %s", field, out)
			}
		}
		if _, ok := back["outliers"].([]any); !ok {
			t.Errorf("outliers is not a list: %s", out)
		}
	}
}

func TestRanges(t *testing.T) {
	out, err := Ranges(goodSet(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	judged := mustScore(t, goodSet(), 100, Options{})
	if out.Verdict != conformity.NotRun || out.Percentile != nil || out.Sentence.Key != "reference.expectation" ||
		*out.Prediction.Low != *judged.Prediction.Low {
		t.Errorf("%+v", out)
	}
	for n := range 5 {
		out, err := Ranges(Set{Scores: goodSet().Scores[:n]}, Options{})
		if err != nil || out.Sentence.IsZero() || len(out.Settle) != 1 {
			t.Errorf("%d scores: %+v, %v", n, out, err)
		}
	}
	if out, err := Ranges(goodSet(), Options{Bench: "B"}); err != nil || out.Prediction != nil || out.Sentence.IsZero() {
		t.Errorf("another bench: %+v, %v", out, err)
	}
}

// Figures are shown to two digits of the spread, as the value's U or not at all
// where there is neither.
func TestAmounts(t *testing.T) {
	for _, tt := range []struct{ spread, step float64 }{{1.3, 0.1}, {0.034, 0.001}, {25, 1}, {0, 0}, {math.Inf(1), 0}} {
		if got := toSpread(fact.In(1, "fps"), tt.spread); got.Step != tt.step {
			t.Errorf("spread %g: step %g, want %g", tt.spread, got.Step, tt.step)
		}
	}
	uncertain := mustScore(t, goodSet(), 100, Options{Uncertainty: conformity.StandardUncertainty(0.25)})
	if score := uncertain.Sentence.Args["score"]; !same(score, fact.In(100, "fps").To(0.1).Within(0.5)) {
		t.Errorf("%+v", score)
	}
	unknown := mustScore(t, goodSet(), 100, Options{Uncertainty: conformity.StandardUncertainty(math.NaN())})
	if score := unknown.Sentence.Args["score"].(fact.Amount); score.U != 0 || unknown.Verdict != conformity.Inconclusive {
		t.Errorf("%+v", score)
	}
}

func noted(o Outcome, key string) bool {
	return slices.ContainsFunc(o.Notes, func(f fact.Fact) bool { return f.Key == key })
}

// asks says whether the first thing that would settle an outcome has this argument.
func asks(o Outcome, name string, want int) bool {
	return o.Settle[0].Args[name] == fact.Count(want)
}

func same(a, b any) bool { return reflect.DeepEqual(a, b) }

// More uncertainty of the score never turns undecided into pass or fail, the
// order of the set does not matter, and every open result says what to do.
func TestJudgeProperties(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		scores := anyScores(rt, 1)
		value := rapid.Float64Range(0, 200).Draw(rt, "value")
		o := Options{
			Direction:   rapid.SampledFrom([]Direction{TwoSided, HigherIsBetter, LowerIsBetter}).Draw(rt, "direction"),
			Log:         rapid.Bool().Draw(rt, "log"),
			Uncertainty: conformity.StandardUncertainty(rapid.Float64Range(0, 20).Draw(rt, "u")),
		}
		if rapid.Bool().Draw(rt, "foreign") {
			o.Bench, o.Control = "B", &ControlRuns{anyRuns(rt, "there"), anyRuns(rt, "here")}
		}
		set := Set{Bench: "A", Scores: scores}
		a := mustScore(rt, set, value, o)
		more := o
		more.Uncertainty.Standard += rapid.Float64Range(0, 20).Draw(rt, "more")
		if b := mustScore(rt, set, value, more); b.Verdict != a.Verdict && b.Verdict != conformity.Inconclusive {
			rt.Fatalf("%v became %v with more uncertainty", a.Verdict, b.Verdict)
		}
		turned := slices.Clone(scores)
		slices.Reverse(turned)
		if b := mustScore(rt, Set{Bench: "A", Scores: turned}, value, o); b.Verdict != a.Verdict {
			rt.Fatalf("%v became %v with the set turned round", a.Verdict, b.Verdict)
		}
		open := a.Verdict == conformity.Inconclusive || a.Verdict == conformity.NotRun
		if open && len(a.Settle) == 0 || a.Sentence.IsZero() {
			rt.Fatalf("%+v", a)
		}
		if len(scores) < MinScores && a.Verdict != conformity.NotRun {
			rt.Fatalf("a verdict from %d scores", len(scores))
		}
		if a.Percentile != nil && (*a.Percentile < 0 || *a.Percentile > 100) {
			rt.Fatalf("percentile %g", *a.Percentile)
		}
		if _, err := json.Marshal(a); err != nil {
			rt.Fatal(err)
		}
	})
}

func BenchmarkJudge(b *testing.B) {
	set := goodSet()
	for b.Loop() {
		if _, err := Judge(set, 100, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
