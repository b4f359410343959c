package endurance

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

func mustJudge(t testing.TB, q Question, runs ...Run) Outcome {
	t.Helper()
	o, err := Judge(q, runs)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// A fault that came back every 20 min, to be at least five times rarer with
// 90 % confidence: 5·20 min·2.3026 = 3 h 50 min 16 s by hand.
func TestJudge(t *testing.T) {
	q := Question{Interval: 1200, Multiple: 5, Confidence: 0.9}
	needed := 6000 * math.Ln10
	for _, tt := range []struct {
		name    string
		runs    []Run
		want    conformity.Verdict
		missing float64
		says    string
	}{
		{"nothing run", nil, conformity.NotRun, needed, "endurance.not-run"},
		{"too short", []Run{{7200, 0}}, conformity.Inconclusive, needed - 7200, "endurance.not-yet"},
		{"two runs add up", []Run{{7200, 0}, {6700, 0}}, conformity.Pass, 0, "endurance.shown"},
		{"just long enough", []Run{{needed, 0}}, conformity.Pass, 0, "endurance.shown"},
		{"came back", []Run{{7200, 0}, {20000, 1}}, conformity.Fail, 0, "endurance.came-back"},
	} {
		o := mustJudge(t, q, tt.runs...)
		if o.Verdict != tt.want || math.Abs(o.Missing-tt.missing) > 1e-6 || o.Sentence.Key != tt.says {
			t.Errorf("%s: %v, %g s missing, %v", tt.name, o.Verdict, o.Missing, o.Sentence)
		}
		if math.Abs(o.Needed-needed) > 1e-6 {
			t.Errorf("%s: needed %g", tt.name, o.Needed)
		}
		if (o.Verdict == conformity.Inconclusive) != !o.Settle.IsZero() {
			t.Errorf("%s: settle %v", tt.name, o.Settle)
		}
	}
	one := q
	one.Allowed = 1
	if o := mustJudge(t, one, Run{20000, 1}); o.Verdict != conformity.Inconclusive {
		t.Errorf("one allowed, %g s of %g s: %v", o.Ran, o.Needed, o.Verdict)
	}
	if o := mustJudge(t, one, Run{24000, 1}); o.Verdict != conformity.Pass {
		t.Errorf("one allowed, %g s of %g s: %v", o.Ran, o.Needed, o.Verdict)
	}
}

// A hot soak never changes a verdict, and is named as an assumption.
func TestHotSoakIsAnAssumption(t *testing.T) {
	q := Question{Interval: 1200, Multiple: 1, Confidence: 0.95}
	plain := mustJudge(t, q, Run{1800, 0})
	q.Hot = &HotSoak{ActivationEnergy: 0.7, UseC: 55, SoakC: 75}
	shown := mustJudge(t, q, Run{1800, 0})
	if plain.Verdict != conformity.Inconclusive || shown.Verdict != plain.Verdict || shown.Missing != plain.Missing {
		t.Errorf("without %v, shown %v", plain.Verdict, shown.Verdict)
	}
	assumption, ok := shown.Sentence.Args["assumption"].(fact.Fact)
	if shown.Sentence.Key != "endurance.hot-shown" || !ok || assumption.Key != "endurance.arrhenius" {
		t.Errorf("the assumption is not named: %v", shown.Sentence)
	}
	if plain.Sentence.Key != "endurance.not-yet" {
		t.Error(plain.Sentence)
	}
}

func TestJudgeRefuses(t *testing.T) {
	good := Question{Interval: 60, Multiple: 1, Confidence: 0.95}
	changed := func(change func(*Question)) func() (Outcome, error) {
		q := good
		change(&q)
		return func() (Outcome, error) { return Judge(q, nil) }
	}
	hot := func(h HotSoak) func() (Outcome, error) { return changed(func(q *Question) { q.Hot = &h }) }
	for name, f := range map[string]func() (Outcome, error){
		"negative time":       func() (Outcome, error) { return Judge(good, []Run{{-1, 0}}) },
		"nan time":            func() (Outcome, error) { return Judge(good, []Run{{math.NaN(), 0}}) },
		"negative failures":   func() (Outcome, error) { return Judge(good, []Run{{1, -1}}) },
		"no interval":         changed(func(q *Question) { q.Interval = 0 }),
		"infinite interval":   changed(func(q *Question) { q.Interval = math.Inf(1) }),
		"nan interval":        changed(func(q *Question) { q.Interval = math.NaN() }),
		"no multiple":         changed(func(q *Question) { q.Multiple = 0 }),
		"negative multiple":   changed(func(q *Question) { q.Multiple = -1 }),
		"infinite multiple":   changed(func(q *Question) { q.Multiple = math.Inf(1) }),
		"no confidence":       changed(func(q *Question) { q.Confidence = 0 }),
		"certainty":           changed(func(q *Question) { q.Confidence = 1 }),
		"nan confidence":      changed(func(q *Question) { q.Confidence = math.NaN() }),
		"negative allowed":    changed(func(q *Question) { q.Allowed = -1 }),
		"below absolute zero": hot(HotSoak{0.7, -300, 60}),
		"nan temperature":     hot(HotSoak{0.7, 20, math.NaN()}),
		"negative energy":     hot(HotSoak{-1, 20, 80}),
		"too fast":            hot(HotSoak{1e6, 0, 100}),
	} {
		if o, err := f(); err == nil || o.Verdict != conformity.NotRun {
			t.Errorf("%s: %+v, %v", name, o, err)
		}
	}
}

func TestOutcomeJSON(t *testing.T) {
	out, err := json.Marshal(mustJudge(t, Question{Interval: 60, Multiple: 1, Confidence: 0.95}, Run{600, 0}))
	if err != nil {
		t.Fatal(err)
	}
	for _, field := range []string{`"needed_s"`, `"shown_mtbf_s"`, `"confidence"`, `"failures"`} {
		if !strings.Contains(string(out), field) {
			t.Errorf("no %s in %s", field, out)
		}
	}
}

// Times are told in their two largest parts, rounded to the safe side.
func TestSpell(t *testing.T) {
	spelt := func(parts ...any) fact.Arg {
		var out []fact.Amount
		for i := 0; i < len(parts); i += 2 {
			out = append(out, fact.In(float64(parts[i].(int)), parts[i+1].(string)).Whole())
		}
		return fact.ListOf(fact.Sentence, out)
	}
	none := fact.In(0, "s").Whole()
	for _, tt := range []struct {
		s         float64
		need, had fact.Arg
	}{
		{0, none, none},
		{59.2, spelt(1, "min"), spelt(59, "s")},
		{60, spelt(1, "min"), spelt(1, "min")},
		{3600, spelt(1, "h"), spelt(1, "h")},
		{3601, spelt(1, "h", 1, "min"), spelt(1, "h")},
		{90000, spelt(1, "d", 1, "h"), spelt(1, "d", 1, "h")},
		{90001, spelt(1, "d", 2, "h"), spelt(1, "d", 1, "h")},
	} {
		if diff := cmp.Diff(tt.need, need(tt.s)); diff != "" {
			t.Errorf("need %g s: %s", tt.s, diff)
		}
		if diff := cmp.Diff(tt.had, had(tt.s)); diff != "" {
			t.Errorf("had %g s: %s", tt.s, diff)
		}
	}
}

// Splitting a run changes nothing, a longer quiet run never loses a pass, and
// one more failure never gains one.
func TestRunsCombine(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		q := Question{
			Interval: rapid.Float64Range(1, 1e4).Draw(rt, "interval"), Multiple: rapid.Float64Range(0.5, 20).Draw(rt, "m"),
			Confidence: rapid.Float64Range(0.5, 0.99).Draw(rt, "C"), Allowed: rapid.IntRange(0, 3).Draw(rt, "r"),
		}
		a := Run{float64(rapid.IntRange(0, 100000).Draw(rt, "a")), rapid.IntRange(0, 2).Draw(rt, "fa")}
		b := Run{float64(rapid.IntRange(0, 100000).Draw(rt, "b")), rapid.IntRange(0, 2).Draw(rt, "fb")}
		split := mustJudge(t, q, a, b)
		whole := mustJudge(t, q, Run{a.Seconds + b.Seconds, a.Failures + b.Failures})
		if split.Verdict != whole.Verdict || split.ShownMTBF != whole.ShownMTBF {
			rt.Fatalf("split %+v, whole %+v", split, whole)
		}
		longer := mustJudge(t, q, a, b, Run{1000, 0})
		if whole.Verdict == conformity.Pass && longer.Verdict != conformity.Pass {
			rt.Fatal("a longer run lost a pass")
		}
		if worse := mustJudge(t, q, a, b, Run{0, 1}); whole.Verdict != conformity.Pass && worse.Verdict == conformity.Pass {
			rt.Fatal("a failure gained a pass")
		}
	})
}
