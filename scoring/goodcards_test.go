package scoring_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"proveout/plans"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// ownSet is a set of the shop's own on bench-1.
func ownSet(workload, unit, better string, values ...float64) plans.ReferenceSet {
	set := plans.ReferenceSet{Workload: workload, Bench: "bench-1", Unit: unit, Better: better}
	for i, v := range values {
		set.Scores = append(set.Scores, plans.ReferenceScore{Card: fmt.Sprint("G", i+1), Value: v})
	}
	return set
}

// Scores and rises that came with a family and that nobody measured never decide, in
// whatever way a card stands beside them; a set of the shop's own does.
func TestExamplesNeverDecide(t *testing.T) {
	good := ownSet("kites", "fps", "higher", 60.5, 59.9, 61, 60.7, 60.1, 60.8, 60, 60.8)
	for _, tt := range []struct {
		score string
		with  []plans.ReferenceSet
		want  conformity.Verdict
	}{
		{"60.2", nil, notRun}, {"55", nil, notRun}, {"600", nil, notRun},
		{"60.2", []plans.ReferenceSet{good}, pass}, {"55", []plans.ReferenceSet{good}, fail},
		{"600", []plans.ReferenceSet{good}, inconclusive},
		{"60.2", []plans.ReferenceSet{ownSet("kites", "fps", "higher", 60.1, 60.4, 59.8, 60.2)}, notRun}, // too few
	} {
		b := newBench(t, "load")
		b.Family.Reference[0].Example = true
		b.References = tt.with
		b.attempt("load", "score="+tt.score+" fps", "frozen=no", "duration=2 min")
		s := b.step("load")
		c := checkNamed(t, s, "score")
		if s.Verdict != tt.want || tt.want == notRun && (c.Limits != nil && tt.with == nil || c.Settle.IsZero()) {
			t.Errorf("%s fps beside %d own sets: %v, want %v: %s", tt.score, len(tt.with), s.Verdict, tt.want, said(c.Reason))
		}
		if tt.with == nil && (c.Source.Key != "score.example-source" || c.Reason.Key != "score.example") {
			t.Errorf("source %q, reason %q", said(c.Source), said(c.Reason))
		}
	}
	for ohm, want := range map[string]conformity.Verdict{"11 ohm": pass, "150 ohm": pass, "0.5 ohm": fail} {
		b := newBench(t, "rails;rails = [\"core\"]")
		b.Family.Rails[0].Example = true
		b.Family.Rails[0].Good = []float64{10, 11, 12, 11, 10}
		b.attempt("rails", "core.ohm="+ohm, "core.volt=2.5 V")
		if c := checkNamed(t, b.step("rails"), "core.ohm"); c.Verdict != want {
			t.Errorf("%s beside examples: %v, want %v: %s", ohm, c.Verdict, want, said(c.Reason))
		}
	}
	for _, rise := range []float64{0.1, 25, 38} {
		b := newBench(t, "soak;compare_rise = true")
		b.Family.Thermal.Example = true
		b.attempt("soak", "ambient=23 °C")
		b.log("soak", "time temperature", soakRows(2700, 23, rise, 300))
		s := b.step("soak")
		for _, c := range s.Checks {
			if c.Name == "rise" && c.Verdict != notRun {
				t.Errorf("rise of %g K beside examples: %v", rise, c.Verdict)
			}
		}
	}
}

// Good cards in jobs, with eight in the set of the bench: 97 % and more pass, and not
// one in two hundred fails. A score that is 7 % low, ten times the spread of good cards,
// does not pass.
func TestGoodScoresPassInJobs(t *testing.T) {
	rng := rand.New(rand.NewPCG(98, 999))
	const cards = 1000
	b := newBench(t, "load")
	passed, failed, low := 0, 0, 0
	score := func(fps float64) conformity.Verdict {
		b.attempt("load", fmt.Sprintf("score=%.2f fps", fps), "frozen=no", "duration=2 min")
		return b.step("load").Verdict
	}
	for range cards {
		scores := make([]float64, 8)
		for i := range scores {
			scores[i] = 60 * (1 + 0.007*rng.NormFloat64())
		}
		b.References = []plans.ReferenceSet{ownSet("kites", "fps", "higher", scores...)}
		b.Job.Attempts["load"] = nil
		switch score(60 * (1 + 0.007*rng.NormFloat64())) {
		case pass:
			passed++
		case fail:
			failed++
		}
		if score(60*0.93*(1+0.007*rng.NormFloat64())) == pass {
			low++
		}
	}
	if passed < cards*97/100 || failed > cards/200 || low > cards/100 {
		t.Errorf("of %d good cards %d pass and %d fail, of slow ones %d pass", cards, passed, failed, low)
	}
	t.Logf("of %d good cards %d pass and %d fail, of slow ones %d pass", cards, passed, failed, low)
}

// A pass is inside its limits, also where the score is better than good cards show:
// whoever checks a certificate without its logs holds it to that.
func TestScorePassesInsideItsLimits(t *testing.T) {
	for tenths := 560; tenths < 680; tenths++ {
		b := newBench(t, "load")
		b.attempt("load", fmt.Sprintf("score=%.1f fps", float64(tenths)/10), "frozen=no", "duration=2 min")
		c := checkNamed(t, b.step("load"), "score")
		inside := *c.Value >= *c.Limits.Low && *c.Value <= *c.Limits.High
		if inside != (c.Verdict == pass) {
			t.Errorf("%g: %v, limits %g to %g", *c.Value, c.Verdict, *c.Limits.Low, *c.Limits.High)
		}
	}
}

func riseOf(t *testing.T, b *bench, rise float64, answers ...string) outcome.Check {
	t.Helper()
	b.attempt("soak", append([]string{"ambient=23.0 °C"}, answers...)...)
	b.log("soak", "time temperature", soakRows(2700, 23, rise, 300))
	return checkNamed(t, b.step("soak"), "rise")
}

// What the thermometers are off by cancels where they read the set too, and nowhere
// else (JCGM 100:2008, 5.2 and F.1.2).
func TestThermometersCancel(t *testing.T) {
	own := ownSet(plans.RiseWorkload, "K", "lower", 25.1, 24.2, 26, 25.5, 24.7, 25.8, 24.9, 25.3)
	with := func(instrument string) []plans.ReferenceSet {
		set := ownSet(plans.RiseWorkload, "K", "lower", 25.1, 24.2, 26, 25.5, 24.7, 25.8, 24.9, 25.3)
		set.Scores[3].Instrument = instrument
		return []plans.ReferenceSet{set}
	}
	for _, tt := range []struct {
		name    string
		sets    []plans.ReferenceSet
		prepare func(b *bench)
		rise    float64
		want    conformity.Verdict
		u       float64 // K, about; expanded
	}{
		{"the family's rises, this bench's thermometers", nil, nil, 26.0, pass, 0.1},
		{"the shop's own", []plans.ReferenceSet{own}, nil, 26.0, pass, 0.1},
		{"the same thermometer by its name", with("probe"), nil, 26.0, pass, 0.1},
		{"another one read one of them", with("infrared"), nil, 26.0, inconclusive, 1.73},
		{"another one read this card", []plans.ReferenceSet{own}, func(b *bench) {
			second := b.Shop.Benches[0].Instruments[0]
			second.ID, second.Place = "second", "board"
			b.Shop.Benches[0].Instruments = append(b.Shop.Benches[0].Instruments, second)
			b.Job.Attempts["soak"][0].Logs[0].Instrument = "second"
		}, 26.0, inconclusive, 1.73},
		{"far above", []plans.ReferenceSet{own}, nil, 30, fail, 0.1},
		{"sensor half off", []plans.ReferenceSet{own}, nil, 16, inconclusive, 0.1},
	} {
		b := newBench(t, "soak;compare_rise = true")
		b.References = tt.sets
		c := riseOf(t, b, tt.rise)
		if tt.prepare != nil {
			tt.prepare(b)
			c = checkNamed(t, b.step("soak"), "rise")
		}
		if c.Verdict != tt.want || *c.U > tt.u+0.1 || *c.U < tt.u-0.1 {
			t.Errorf("%s: %v with U = %.2f K, want %v: %s", tt.name, c.Verdict, *c.U, tt.want, said(c.Reason))
		}
	}
}

// Good cards of a shop that read its set and its cards with the same thermometers, off
// by what their limits allow: with eight cards in the set 97 % pass.
func TestGoodCardsRiseAsGoodCardsDo(t *testing.T) {
	rng := rand.New(rand.NewPCG(25, 8))
	const cards = 120
	passed := 0
	for range cards {
		off := 3*rng.Float64() - 1.5 + rng.Float64() - 0.5 // K, the two thermometers
		rises := make([]float64, 8)
		for i := range rises {
			rises[i] = 25 + off + 0.7*rng.NormFloat64()
		}
		b := newBench(t, "soak;compare_rise = true")
		b.References = []plans.ReferenceSet{ownSet(plans.RiseWorkload, "K", "lower", rises...)}
		if riseOf(t, b, 25+off+0.7*rng.NormFloat64()).Verdict == pass {
			passed++
		}
	}
	if passed < cards*94/100 {
		t.Errorf("%d of %d good cards pass", passed, cards)
	}
	t.Logf("%d of %d good cards pass", passed, cards)
}
