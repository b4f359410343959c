package scoring_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/scoring/conformity"
)

const noReference = ";reference ="

func TestLoadTyped(t *testing.T) {
	runCases(t, []stepCase{
		{"good score", "load", []string{"score=60.2 fps", "frozen=no", "duration=2 min"}, pass, nil, ""},
		{"poor score", "load", []string{"score=55 fps", "frozen=no", "duration=2 min"}, fail, verdicts{"score": fail}, "does not belong with good cards"},
		{"a little better than any", "load", []string{"score=61.9 fps", "frozen=no", "duration=2 min"}, pass, nil, ""},
		{"too good", "load", []string{"score=66 fps", "frozen=no", "duration=2 min"}, inconclusive, verdicts{"score": inconclusive}, "better than any good card"},
		{"froze", "load", []string{"score=60.2 fps", "frozen=yes", "duration=2 min"}, fail, verdicts{"frozen": fail}, "froze"},
		{"nobody says whether it froze", "load", []string{"score=60.2 fps", "duration=2 min"}, notRun, verdicts{"frozen": notRun}, "not recorded"},
		{"too short", "load", []string{"score=60.2 fps", "frozen=no", "duration=30 s"}, inconclusive, verdicts{"duration": inconclusive}, "It ran 0.5 min only"},
		{"nobody says how long", "load", []string{"score=60.2 fps", "frozen=no"}, notRun, verdicts{"duration": notRun}, "not known"},
		{"no score", "load", []string{"frozen=no", "duration=2 min"}, notRun, verdicts{"runs": notRun}, "neither a log nor a score"},
		{"dots were seen", "load", []string{"score=60.2 fps", "frozen=no", "duration=2 min", "seen=blue dots"}, fail, nil, "blue dots"},
		{"shown only", "load;reference = \"inform\"", []string{"score=55 fps", "frozen=no", "duration=2 min"}, pass, nil, ""},
		{"one run of three", "load;runs = 3", []string{"score=60.2 fps", "frozen=no", "duration=2 min"}, inconclusive, verdicts{"runs": inconclusive}, "1 of 3 runs"},
		{"three that agree", "load;runs = 3;max_spread = \"3 %\"", []string{"score=60.2 fps, 60.4 fps, 60.1 fps", "frozen=no", "duration=2 min"}, pass, verdicts{"spread": pass}, ""},
		{"three that do not", "load;runs = 3;max_spread = \"3 %\"", []string{"score=56 fps, 64 fps, 60.5 fps", "frozen=no", "duration=2 min"}, inconclusive, verdicts{"spread": inconclusive}, "do not agree"},
	})
}

// frames are frame times in milliseconds: so many of one, then others put in.
func frames(n int, ms float64, others ...float64) [][]float64 {
	rows := make([][]float64, n)
	for i := range rows {
		rows[i] = []float64{ms * (1 + 0.01*float64(i%3-1)) / 1000}
	}
	for i, o := range others {
		rows[(i+1)*n/(len(others)+1)] = []float64{o / 1000}
	}
	return rows
}

func TestLoadLog(t *testing.T) {
	for _, tt := range []struct {
		name   string
		step   string
		rows   [][]float64
		want   conformity.Verdict
		checks verdicts
	}{
		{"steady", "load", frames(4000, 16.6), pass, verdicts{"freezes": pass, "stalls": pass, "duration": pass, "score": pass}},
		{"a freeze of 1.5 s", "load", frames(4000, 16.6, 1500), fail, verdicts{"freezes": fail}},
		{"just under a freeze", "load", frames(4000, 16.4, 990), pass, verdicts{"freezes": pass, "stalls": pass}},
		{"three stalls, two allowed", "load", frames(4000, 16.6, 120, 120, 120), fail, verdicts{"stalls": fail, "freezes": pass}},
		{"two stalls", "load", frames(4000, 16.6, 120, 120), pass, verdicts{"stalls": pass}},
		{"slow", "load", frames(4000, 20), fail, verdicts{"score": fail, "freezes": pass}},
		{"half a minute", "load", frames(1800, 16.6), inconclusive, verdicts{"duration": inconclusive}},
		{"fast enough", "load;min_fps = \"50 fps\"" + noReference, frames(4000, 16.6), pass, verdicts{"mean-fps": pass}},
		{"not fast enough", "load;min_fps = \"70 fps\"" + noReference, frames(6000, 16.6), fail, verdicts{"mean-fps": fail}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, tt.step)
			b.attempt("load")
			b.log("load", "frame-time", tt.rows)
			s := b.step("load")
			if s.Verdict != tt.want {
				t.Errorf("%v, want %v: %s", s.Verdict, tt.want, said(s.Reason))
			}
			for name, want := range tt.checks {
				if c := checkNamed(t, s, name); c.Verdict != want {
					t.Errorf("%s: %v, want %v: %s", name, c.Verdict, want, said(c.Reason))
				}
			}
		})
	}
}

// A frame rate logged once a second gives the mean rate and sees a standstill.
func TestLoadRates(t *testing.T) {
	rows := make([][]float64, 91)
	for i := range rows {
		rows[i] = []float64{1.7e9 + float64(i), 60 + float64(i%2)}
	}
	b := newBench(t, "load")
	b.attempt("load")
	b.log("load", "time fps", rows)
	s := b.step("load")
	if s.Verdict != pass {
		t.Errorf("%v, %s", s.Verdict, said(s.Reason))
	}
	near(t, "minutes", checkNamed(t, s, "duration").Value, 1.5)
	near(t, "score", checkNamed(t, s, "score").Value, 60.5)
	rows[40][1], rows[41][1] = 0, 0
	if s = b.step("load"); checkNamed(t, s, "freezes").Verdict != fail {
		t.Errorf("two seconds without a frame: %v, %s", s.Verdict, said(s.Reason))
	}
}

// Each run of several is judged by itself, and the score is their mean.
func TestLoadSeveralLogs(t *testing.T) {
	b := newBench(t, "load;runs = 2")
	b.attempt("load")
	b.log("load", "frame-time", frames(4000, 16.6))
	b.log("load", "frame-time", frames(4000, 16.5, 1500))
	s := b.step("load")
	first, second := checkNamed(t, s, "freezes.1").Verdict, checkNamed(t, s, "freezes.2").Verdict
	if first != pass || second != fail || s.Verdict != fail {
		t.Errorf("%v, %+v", s.Verdict, s.Checks)
	}
	if c := checkNamed(t, s, "runs"); c.Verdict != pass {
		t.Error(said(c.Reason))
	}
}

// What else would have given such runs: see the names of the rows.
func TestLoadWasMeasured(t *testing.T) {
	uneven := func(seed uint64) [][]float64 {
		rows, r := frames(4000, 16.6), rand.New(rand.NewPCG(seed, 1))
		for i := range rows {
			rows[i][0] += math.Round(10*r.NormFloat64()) / 1e4
		}
		return rows
	}
	held := func(ms float64) [][]float64 {
		rows := frames(4000, ms)
		for i := range rows {
			rows[i][0] = ms / 1000
		}
		return rows
	}
	for _, c := range []struct {
		name   string
		one    [][]float64
		two    [][]float64
		doubts int
	}{
		{"two runs", uneven(1), uneven(2), 0},
		{"the second is the first, a row longer", uneven(1), append(uneven(1), []float64{0.0166}), 1},
		{"vertical sync held both", held(16.67), held(16.66), 2},
	} {
		b := newBench(t, "load;runs = 2")
		b.attempt("load")
		b.log("load", "frame-time", c.one)
		b.log("load", "frame-time", c.two)
		doubts := 0
		for _, check := range b.step("load").Checks {
			if check.Name == "measured" && check.Verdict == inconclusive {
				doubts++
			}
		}
		if doubts != c.doubts {
			t.Errorf("%s: %d doubts, want %d", c.name, doubts, c.doubts)
		}
	}
}

func TestLoadBrokenLog(t *testing.T) {
	b := newBench(t, "load")
	b.attempt("load", "frozen=no")
	l := b.log("load", "frame-time", nil)
	b.Files.(inMemory)[l.SHA256].problem = errors.New("the file is gone")
	if s := b.step("load"); s.Verdict != inconclusive || !strings.Contains(said(s.Reason), "the file is gone") {
		t.Errorf("%v, %s", s.Verdict, said(s.Reason))
	}
	// An empty one shows nothing.
	b = newBench(t, "load")
	b.attempt("load", "frozen=no")
	b.log("load", "frame-time", nil)
	if s := b.step("load"); s.Verdict == pass || s.Verdict == fail {
		t.Errorf("an empty log: %v, %s", s.Verdict, said(s.Reason))
	}
}

// The set of this bench comes before one of another, and the shop's own before
// the family's. A set of another bench counts only through the control card.
func TestReferenceBenches(t *testing.T) {
	typed := []string{"score=60.2 fps", "frozen=no", "duration=2 min"}
	set := func(bench string, values ...float64) plans.ReferenceSet {
		s := plans.ReferenceSet{Workload: "kites", Bench: bench, Unit: "fps", Better: "higher"}
		for i, v := range values {
			s.Scores = append(s.Scores, plans.ReferenceScore{Card: fmt.Sprintf("Q%d", i+1), Value: v})
		}
		return s
	}
	good := []float64{60.5, 59.9, 61.0, 60.7, 60.1, 60.8, 60.0, 60.8}
	control := func(bench string, values ...float64) []reading.ControlRun {
		var out []reading.ControlRun
		for i, v := range values {
			out = append(out, reading.ControlRun{Seq: 100*len(bench) + i, Bench: bench, Workload: "kites", Value: v, At: opened})
		}
		return out
	}
	there := control("bench-22", 60.1, 60.3, 60.2, 60.4, 60.2)
	for _, tt := range []struct {
		name    string
		prepare func(b *bench)
		want    conformity.Verdict
		says    string
	}{
		{"the family's, this bench", func(*bench) {}, pass, ""},
		{"the shop's own comes first", func(b *bench) { b.References = []plans.ReferenceSet{set("bench-1", 70, 70.5, 71, 70.2, 70.8, 70.4)} }, fail, ""},
		{"this bench before another", func(b *bench) {
			b.Family.Reference = []plans.ReferenceSet{set("bench-22", 70, 70.5, 71, 70.2, 70.8, 70.4), set("bench-1", good...)}
		}, pass, ""},
		{"another workload's does not count", func(b *bench) {
			s := set("bench-1", 70, 70.5, 71, 70.2, 70.8)
			s.Workload = "gulls"
			b.References = []plans.ReferenceSet{s}
		}, pass, ""},
		{"another bench, no control card", func(b *bench) { b.Family.Reference = []plans.ReferenceSet{set("bench-22", good...)} }, notRun, "control"},
		{"another bench, control card on both", func(b *bench) {
			b.Family.Reference = []plans.ReferenceSet{set("bench-22", good...)}
			b.Control = append(there, control("bench-1", 60.2, 60.3, 60.1, 60.3, 60.2)...)
		}, pass, ""},
		{"another bench, this one twice as slow", func(b *bench) {
			b.Family.Reference = []plans.ReferenceSet{set("bench-22", good...)}
			b.Control = append(there, control("bench-1", 30.2, 30.3, 30.1, 30.3, 30.2)...)
		}, inconclusive, "a mistake is likelier"},
		{"another bench, control card only there", func(b *bench) {
			b.Family.Reference = []plans.ReferenceSet{set("bench-22", good...)}
			b.Control = there
		}, notRun, ""},
		{"four good cards are too few", func(b *bench) { b.Family.Reference = []plans.ReferenceSet{set("bench-1", good[:4]...)} }, notRun, ""},
		{"no set at all", func(b *bench) { b.Family.Reference = nil }, notRun, "no known-good card"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, "load")
			b.attempt("load", typed...)
			tt.prepare(b)
			s := b.step("load")
			c := checkNamed(t, s, "score")
			if s.Verdict != tt.want || !strings.Contains(said(c.Reason), tt.says) {
				t.Errorf("%v, want %v: %s", s.Verdict, tt.want, said(c.Reason))
			}
		})
	}
}

// An open signal of the bench's control card holds the verdict on scores until
// somebody has answered it.
func TestControlSignalHolds(t *testing.T) {
	b := newBench(t, "load")
	b.attempt("load", "score=60.2 fps", "frozen=no", "duration=2 min")
	for i, v := range []float64{60.1, 60.3, 60.2, 60.0, 60.2, 60.1, 60.3, 60.2, 60.1, 60.2, 52} {
		run := reading.ControlRun{Seq: i + 1, Bench: "bench-1", Workload: "kites", Value: v, At: opened}
		b.Control = append(b.Control, run)
	}
	s := b.step("load")
	if c := checkNamed(t, s, "score"); c.Verdict != inconclusive || c.Settle.IsZero() {
		t.Errorf("with an open signal: %v, %s", c.Verdict, said(c.Reason))
	}
	b.Answers = []reading.SignalAnswer{{Bench: "bench-1", Workload: "gulls", UpTo: 11}}
	if c := checkNamed(t, b.step("load"), "score"); c.Verdict != inconclusive {
		t.Errorf("the answer to another workload let it go: %v", c.Verdict)
	}
	b.Answers = []reading.SignalAnswer{{Bench: "bench-1", Workload: "kites", UpTo: 10}}
	if c := checkNamed(t, b.step("load"), "score"); c.Verdict != inconclusive {
		t.Errorf("the answer to earlier runs let it go: %v", c.Verdict)
	}
	b.Answers = []reading.SignalAnswer{{Bench: "bench-1", Workload: "kites", UpTo: 11}}
	if c := checkNamed(t, b.step("load"), "score"); c.Verdict != pass {
		t.Errorf("answered: %v, %s", c.Verdict, said(c.Reason))
	}
}

// To show with confidence C that a fault that came back every T is gone takes
// t = −ln(1 − C)·T without it: 2.303 h for 90 % of 1 h (NIST/SEMATECH
// e-Handbook of Statistical Methods, 8.3.1.1).
func TestProve(t *testing.T) {
	const step = "load;duration = \"10 min\";prove = \"intermittent fault gone\";confidence = \"90 %\"" + noReference
	for _, tt := range []struct {
		name    string
		every   float64
		answers []string
		want    conformity.Verdict
	}{
		{"long enough", 3600, []string{"score=60 fps", "frozen=no", "duration=2.31 h"}, pass},
		{"just too short", 3600, []string{"score=60 fps", "frozen=no", "duration=2.29 h"}, inconclusive},
		{"came back", 3600, []string{"score=60 fps", "frozen=yes", "duration=5 h"}, fail},
		{"came back, nobody knows after how long", 3600, []string{"score=60 fps", "frozen=yes"}, fail},
		{"not intermittent", 0, []string{"score=60 fps", "frozen=no", "duration=10 min"}, na},
		{"nobody knows how long", 3600, []string{"score=60 fps", "frozen=no"}, notRun},
		{"several runs add up", 3600, []string{"score=60 fps, 60 fps, 60 fps", "frozen=no", "duration=1 h, 1 h, 0.4 h"}, pass},
	} {
		b := newBench(t, step)
		b.Job.ComplaintEvery = tt.every
		b.attempt("load", tt.answers...)
		if c := checkNamed(t, b.step("load"), "fault-gone"); c.Verdict != tt.want {
			t.Errorf("%s: %v, want %v: %s", tt.name, c.Verdict, tt.want, said(c.Reason))
		}
	}
}

// A figure for each run, and the score among the good cards.
func TestLoadFigures(t *testing.T) {
	b := newBench(t, "load").clean()
	var ids []string
	for _, f := range b.step("load").Figures {
		ids = append(ids, f.ID)
		if f.Source.IsZero() || f.Samples == 0 || f.Alt.IsZero() {
			t.Errorf("figure %s names no source, no number of samples or no words", f.ID)
		}
	}
	if !slices.Contains(ids, "frames-1") || !slices.Contains(ids, "reference") {
		t.Errorf("figures %v", ids)
	}
}

// A load that throttles is told, and fails where the plan says so.
func TestLoadThrottling(t *testing.T) {
	rows := make([][]float64, 600)
	for i := range rows {
		rate := 60.4
		if i > 300 {
			rate = 54
		}
		rows[i] = []float64{float64(i), rate + 0.1*float64(i%3), 40 + float64(i)/15}
	}
	for _, tt := range []struct {
		step string
		want conformity.Verdict
	}{{"load;reference =", pass}, {"load;reference =;throttle_fails = true", fail}} {
		b := newBench(t, tt.step)
		b.attempt("load")
		b.log("load", "time fps temperature", rows)
		if s := b.step("load"); s.Verdict != tt.want || !hasCheck(s, "throttling") {
			t.Errorf("%s: %v, %s", tt.step, s.Verdict, said(s.Reason))
		}
	}
	b := newBench(t, "load;throttle_fails = true").clean()
	if s := b.step("load"); s.Verdict != pass || !strings.Contains(told(s.Warnings), "throttling was not looked for") {
		t.Errorf("%v, %v", s.Verdict, told(s.Warnings))
	}
}
