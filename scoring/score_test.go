package scoring_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/scoring"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

var everyStep = []string{
	"inspection;gate = true", "rails;gate = true", "detection;gate = true", "memory-size", "clocks", "picture", "load",
	"soak;at_rated = true;compare_rise = true;ambient = \"23 °C ±5 °C\"",
}

func TestAccepted(t *testing.T) {
	o := newBench(t, everyStep...).clean().score()
	if !o.Accepted || o.Verdict != pass || len(o.Standing) != 0 || len(o.Causes) != 0 {
		t.Errorf("%v %v: %s\n%s", o.Accepted, o.Verdict, said(o.Reason), told(o.Standing))
	}
	o = newBench(t, everyStep...).score()
	if o.Accepted || o.Verdict != notRun || len(o.Standing) != len(everyStep) {
		t.Errorf("nothing done: %v %v, %q", o.Accepted, o.Verdict, o.Standing)
	}
}

// A gate that fails takes back the verdicts of powered steps behind it, until
// it passes.
func TestGates(t *testing.T) {
	b := newBench(t, everyStep...).clean()
	b.attempt("inspection", "bridges=no", "pins=yes")
	o := b.score()
	if o.Accepted || o.Verdict != fail {
		t.Fatalf("%v %v", o.Accepted, o.Verdict)
	}
	for _, s := range o.Steps {
		want := notRun
		switch s.ID {
		case "inspection":
			want = fail
		case "rails": // begins without power
			want = pass
		}
		if s.Verdict != want {
			t.Errorf("%s: %v, want %v", s.ID, s.Verdict, want)
		}
		if want == notRun && !strings.Contains(said(s.Reason), "the gate “inspection” failed") {
			t.Errorf("%s: %s", s.ID, said(s.Reason))
		}
	}
	soak, _ := b.Plan.Step("soak")
	inspection, _ := b.Plan.Step("inspection")
	if gate := scoring.HeldBy(b.Input, soak); gate != "inspection" {
		t.Errorf("HeldBy: %q", gate)
	}
	if gate := scoring.HeldBy(b.Input, inspection); gate != "" {
		t.Error("the gate holds itself")
	}
	b.attempt("inspection", "bridges=yes", "pins=yes")
	if o = b.score(); !o.Accepted {
		t.Errorf("put right: %s", said(o.Reason))
	}
	// A gate in the middle holds only what comes behind it.
	b.attempt("detection", "detected=no")
	o = b.score()
	for _, s := range o.Steps[3:] {
		if s.Verdict != notRun {
			t.Errorf("%s behind the gate: %v", s.ID, s.Verdict)
		}
	}
	if o.Steps[1].Verdict != pass {
		t.Error("a step before the gate is held")
	}
	// A short holds, too; a gate that is only undecided does not.
	b = newBench(t, everyStep...).clean()
	b.attempt("rails", "core.ohm=0.2 ohm", "mem.ohm=40 ohm")
	if o = b.score(); o.Steps[7].Verdict != notRun || o.Steps[1].Verdict != fail {
		t.Errorf("a short: soak %v, rails %v", o.Steps[7].Verdict, o.Steps[1].Verdict)
	}
}

func TestWhenWork(t *testing.T) {
	b := newBench(t, "clocks", "memory-size;required = false;when_work = [\"memory chips replaced\"]")
	b.attempt("clocks", cleanAnswers[plans.ClockKind]...)
	if o := b.score(); !o.Accepted {
		t.Errorf("not needed: %s", said(o.Reason))
	}
	b.Job.Work = []string{"Memory  chips REPLACED"}
	o := b.score()
	if o.Accepted || o.Steps[1].WhyNeeded != "memory chips replaced" || !o.Steps[1].Required {
		t.Errorf("needed by the work: %v, %+v", o.Accepted, o.Steps[1])
	}
	b.attempt("memory-size", "size=16 MiB")
	if o = b.score(); !o.Accepted {
		t.Errorf("done: %s", said(o.Reason))
	}
}

// A step that the plan does not require decides nothing, but shows.
func TestOptionalStep(t *testing.T) {
	b := newBench(t, "clocks", "rails;required = false")
	b.attempt("clocks", cleanAnswers[plans.ClockKind]...)
	b.attempt("rails", "core.ohm=0.2 ohm", "mem.ohm=40 ohm")
	o := b.score()
	if !o.Accepted || o.Steps[1].Verdict != fail || o.Steps[1].Required {
		t.Errorf("%v, %+v", o.Accepted, o.Steps[1])
	}
	if len(o.Causes) == 0 {
		t.Error("the cause of the optional step is not told")
	}
}

func TestSkippedAndCut(t *testing.T) {
	b := newBench(t, everyStep...).clean()
	b.attempt("clocks").Skipped = "no readout on this bench"
	o := b.score()
	if o.Accepted || o.Steps[4].Verdict != notRun ||
		!strings.Contains(said(o.Steps[4].Reason), "Skipped: no readout on this bench.") {
		t.Errorf("skipped: %v, %s", o.Accepted, said(o.Steps[4].Reason))
	}
	if o.Steps[4].Attempts != 2 || len(o.Steps[4].Earlier) != 1 || o.Steps[4].Earlier[0] != pass {
		t.Errorf("%d attempts, earlier %v", o.Steps[4].Attempts, o.Steps[4].Earlier)
	}
	b = newBench(t, everyStep...).clean()
	b.Job.Attempts["soak"][0].Cut = "the power failed"
	o = b.score()
	if o.Accepted || o.Steps[7].Verdict != notRun ||
		!strings.Contains(said(o.Steps[7].Reason), "cut short: the power failed.") {
		t.Errorf("cut: %v, %s", o.Accepted, said(o.Steps[7].Reason))
	}
}

func TestRetests(t *testing.T) {
	b := newBench(t, "clocks")
	b.attempt("clocks", "core=90 MHz", "memory=125 MHz")
	b.attempt("clocks", "core=100 MHz")
	b.attempt("clocks", "core=100 MHz", "memory=125 MHz")
	s := b.step("clocks")
	if s.Attempts != 3 || s.Verdict != pass || !slices.Equal(s.Earlier, []conformity.Verdict{fail, notRun}) {
		t.Errorf("%d attempts, %v, earlier %v", s.Attempts, s.Verdict, s.Earlier)
	}
	// The last attempt counts, even when an earlier one was better.
	b.attempt("clocks", "core=90 MHz", "memory=125 MHz")
	if o := b.score(); o.Accepted || o.Steps[0].Verdict != fail {
		t.Errorf("%v after a failed retest", o.Steps[0].Verdict)
	}
}

func TestCorrections(t *testing.T) {
	b := newBench(t, "clocks")
	a := b.attempt("clocks", "core=90 MHz", "memory=125 MHz", "core=100 MHz")
	a.Readings[2].Corrects = true
	s := b.step("clocks")
	near(t, "core", checkNamed(t, s, "core").Value, 100)
	if s.Verdict != pass || s.Attempts != 1 {
		t.Errorf("%v, %d attempts", s.Verdict, s.Attempts)
	}
	// Without the mark both count.
	a.Readings[2].Corrects = false
	near(t, "core", checkNamed(t, b.step("clocks"), "core").Value, 95)
}

// The likeliest cause stands first.
func TestCausesInOrder(t *testing.T) {
	b := newBench(t, everyStep...).clean()
	b.attempt("clocks", "core=90 MHz", "memory=125 MHz")
	b.attempt("picture", "640x480x16@75=snow", "800x600x16@75=clean")
	b.attempt("memory-size", "size=8 MiB")
	o := b.score()
	if len(o.Causes) < 3 {
		t.Fatalf("%d causes", len(o.Causes))
	}
	for i, c := range o.Causes {
		unsorted := i > 0 && c.Confidence > o.Causes[i-1].Confidence
		if c.Text.IsZero() || c.Look.IsZero() || c.Step == "" || c.Confidence <= 0 || c.Confidence >= 1 || unsorted {
			t.Errorf("%d: %+v", i, c)
		}
	}
}

// Names of the JSON that others read; a name that is gone breaks them.
func TestJSONContract(t *testing.T) {
	for _, b := range []*bench{newBench(t, everyStep...), newBench(t, everyStep...).clean()} {
		data, err := json.Marshal(b.score())
		if err != nil {
			t.Fatal(err)
		}
		var o map[string]any
		if err := json.Unmarshal(data, &o); err != nil {
			t.Fatal(err)
		}
		has(t, o, "job", "accepted", "verdict", "reason", "in_the_way", "steps")
		steps := o["steps"].([]any)
		if len(steps) != len(everyStep) {
			t.Fatalf("%d steps", len(steps))
		}
		for _, s := range steps {
			step := s.(map[string]any)
			has(t, step, "id", "kind", "verdict", "attempts", "checks", "required", "reason")
			for _, c := range step["checks"].([]any) {
				has(t, c.(map[string]any), "name", "value", "unit", "expanded_uncertainty", "limits",
					"verdict", "probability", "reason")
			}
		}
		if strings.Contains(string(data), "NaN") || strings.Contains(string(data), "Inf") {
			t.Error("a number that JSON does not have")
		}
	}
}

func has(t *testing.T, m map[string]any, keys ...string) {
	t.Helper()
	for _, k := range keys {
		if _, ok := m[k]; !ok {
			t.Errorf("no key %q in %v", k, m)
		}
	}
}

// Scoring twice gives the same bytes, and leaves what it was given alone.
func TestScoreTwice(t *testing.T) {
	b := newBench(t, everyStep...).clean()
	before := fmt.Sprintf("%+v", b.Job.Attempts["clocks"])
	first, err := json.Marshal(b.score())
	if err != nil {
		t.Fatal(err)
	}
	for range 5 {
		again, err := json.Marshal(b.score())
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(first, again) {
			t.Fatal("two scores of one job differ")
		}
	}
	if fmt.Sprintf("%+v", b.Job.Attempts["clocks"]) != before {
		t.Error("scoring changed the job")
	}
}

// Every kind of step that a plan may have is judged or said not to be.
func TestUnknownKind(t *testing.T) {
	b := newBench(t, "clocks")
	b.attempt("clocks", "core=100 MHz")
	b.Plan.Steps[0].Kind = "divination"
	if o := b.score(); o.Accepted || o.Steps[0].Verdict != notRun || o.Steps[0].Reason.IsZero() {
		t.Errorf("%v, %+v", o.Accepted, o.Steps[0])
	}
}

// Taking away any reading that a step asks for never makes a job accepted, and
// an accepted job that lacks one is not accepted any more.
func TestTakingReadingsAway(t *testing.T) {
	plan := []string{"inspection;gate = true", "rails;gate = true", "detection;gate = true",
		"memory-size", "clocks", "picture", "load;duration = \"1 min\"",
		"soak;at_rated = true;ambient = \"23 °C ±5 °C\""}
	make := func() *bench {
		b := newBench(t, plan...)
		for i := range b.Plan.Steps {
			step := &b.Plan.Steps[i]
			switch step.Kind {
			case plans.LoadKind:
				b.attempt(step.ID, "score=60.2 fps", "frozen=no", "duration=2 min")
			case plans.SoakKind:
				b.attempt(step.ID, append(soakAnswers(44, 23, 25, 300), "ambient=23.0 °C", "duration=44 min")...)
			default:
				b.attempt(step.ID, cleanAnswers[step.Kind]...)
			}
		}
		return b
	}
	// The temperatures of this soak say at which minute they were read, so they
	// show by themselves how long it lasted.
	needed := func(step *plans.Step, f plans.Field) bool {
		return f.Required && !(step.Kind == plans.SoakKind && f.Name == "duration")
	}
	if o := make().score(); !o.Accepted {
		t.Fatalf("all readings there: %s", said(o.Reason))
	}
	for i := range make().Plan.Steps {
		b := make()
		step := &b.Plan.Steps[i]
		for _, f := range plans.Fields(step, b.Family) {
			if !needed(step, f) {
				continue
			}
			b := make()
			a := &b.Job.Attempts[step.ID][0]
			n := len(a.Readings)
			a.Readings = slices.DeleteFunc(a.Readings, func(r reading.Reading) bool { return r.Name == f.Name })
			if len(a.Readings) == n {
				t.Errorf("%s.%s is asked for and was never typed here", step.ID, f.Name)
			}
			if o := b.score(); o.Accepted {
				t.Errorf("accepted without %s.%s", step.ID, f.Name)
			}
		}
	}
	// Any set of readings taken away, in any job.
	rapid.Check(t, func(rt *rapid.T) {
		b := make()
		taken := false
		for i := range b.Plan.Steps {
			step := &b.Plan.Steps[i]
			for _, f := range plans.Fields(step, b.Family) {
				if !needed(step, f) {
					continue
				}
				name := f.Name
				if rapid.IntRange(0, 9).Draw(rt, "away") > 0 {
					continue
				}
				a := &b.Job.Attempts[step.ID][0]
				a.Readings = slices.DeleteFunc(a.Readings, func(r reading.Reading) bool { return r.Name == name })
				taken = true
			}
		}
		if o := b.score(); o.Accepted == taken {
			rt.Fatalf("accepted %v with readings taken away: %v", o.Accepted, taken)
		}
	})
}

// More uncertainty never turns what was no pass into a pass, nor a fail into a
// pass by way of doubt (JCGM 106:2012, 8.3.2: the acceptance interval shrinks
// as the guard band grows).
func TestMoreUncertaintyNeverPasses(t *testing.T) {
	b := newBench(t, "clocks", "rails")
	b.attempt("clocks", "core=100 MHz", "memory=125 MHz")
	b.attempt("rails", cleanAnswers[plans.RailsKind]...)
	counter, _ := b.Shop.Benches[0].Instrument("counter")
	rank := map[conformity.Verdict]int{pass: 0, inconclusive: 1, fail: 0}
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Float64Range(97e6, 103e6).Draw(t, "Hz")
		small := rapid.Float64Range(0, 2e6).Draw(t, "a")
		large := small + rapid.Float64Range(0, 2e6).Draw(t, "more")
		b.Job.Attempts["clocks"][0].Readings[0].Value = &value
		judge := func(a float64) outcome.Check {
			counter.Limits.Value = a
			return checkNamed(b.t, b.score().Steps[0], "core")
		}
		first, second := judge(small), judge(large)
		if second.Verdict == pass && first.Verdict != pass {
			t.Fatalf("%v at ±%v, pass at ±%v", first.Verdict, small, large)
		}
		if second.Verdict == fail && first.Verdict != fail {
			t.Fatalf("%v at ±%v, fail at ±%v", first.Verdict, small, large)
		}
		if rank[second.Verdict] < rank[first.Verdict] {
			t.Fatalf("doubt went away: %v, then %v", first.Verdict, second.Verdict)
		}
		// The value alone is inside or outside; no verdict contradicts it.
		inside := value >= 99e6 && value <= 101e6
		if first.Verdict == pass && !inside || first.Verdict == fail && inside {
			t.Fatalf("%v Hz: %v", value, first.Verdict)
		}
	})
}

// A wilder job: whatever is read, scoring answers, every number is finite, and
// accepted means that every required step passed.
func TestAnyReadings(t *testing.T) {
	base := newBench(t, everyStep...).clean()
	rapid.Check(t, func(t *rapid.T) {
		b := &bench{base.t, base.Input}
		job := *base.Job
		job.Attempts = map[string][]reading.Attempt{}
		b.Job = &job
		for id, attempts := range base.Job.Attempts {
			a := attempts[0]
			a.Readings = slices.Clone(a.Readings)
			for i := range a.Readings {
				switch rapid.IntRange(0, 12).Draw(t, "what") {
				case 0:
					value := rapid.Float64().Draw(t, "value")
					a.Readings[i].Value = &value
				case 1:
					a.Readings[i].Word = rapid.StringN(0, 12, -1).Draw(t, "word")
				case 2:
					a.Readings[i].Resolution = rapid.Float64Range(0, 1e9).Draw(t, "step")
				}
			}
			job.Attempts[id] = []reading.Attempt{a}
		}
		o := b.score()
		data, err := json.Marshal(o)
		if err != nil {
			t.Fatal(err)
		}
		if !json.Valid(data) {
			t.Fatal("no JSON")
		}
		every := true
		for _, s := range o.Steps {
			every = every && (s.Verdict == pass || s.Verdict == na)
			for _, c := range s.Checks {
				if c.Reason.IsZero() {
					t.Fatalf("%s.%s has no reason", s.ID, c.Name)
				}
				if c.Probability != nil && !(*c.Probability >= 0 && *c.Probability <= 1) {
					t.Fatalf("probability %v", *c.Probability)
				}
				if c.U != nil && !(float64(*c.U) >= 0) || c.Value != nil && math.IsNaN(float64(*c.Value)) {
					t.Fatalf("%+v", c)
				}
			}
			if s.Verdict != pass && s.Reason.IsZero() {
				t.Fatalf("%s: %v without a reason", s.ID, s.Verdict)
			}
		}
		if o.Accepted != every || o.Accepted != (len(o.Standing) == 0) {
			t.Fatalf("accepted %v, %q", o.Accepted, o.Standing)
		}
	})
}

// The parts of a job cost little: the goal is 50 ms of CPU for a whole job, its
// logs read again each time.
func BenchmarkScore(b *testing.B) {
	job := newBench(b, everyStep...).clean()
	b.ReportAllocs()
	for b.Loop() {
		if !job.score().Accepted {
			b.Fatal("not accepted")
		}
	}
}
