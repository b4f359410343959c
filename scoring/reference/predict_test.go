package reference

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// t·√(1+1/n), computed with an independent library, after Hahn and Meeker.
func TestPredictionFactor(t *testing.T) {
	for _, row := range []struct {
		n             int
		confidence, f float64
	}{
		{3, 0.9, 3.371709}, {3, 0.99, 11.460222}, {4, 0.9, 2.631140}, {5, 0.9, 2.335321}, {5, 0.99, 5.043533},
		{6, 0.9, 2.176501}, {8, 0.99, 3.711763}, {10, 0.9, 1.922585}, {15, 0.99, 3.074470}, {20, 0.9, 1.771834},
		{30, 0.9, 1.727214}, {30, 0.99, 2.801949},
	} {
		near(t, "factor", predictionFactor(row.n, row.confidence), row.f, 6e-7)
	}
}

// By hand: of 39 scores the next lies within the span with 38/40 = 95 %, of 38
// it does not; of 79 the second from each end will do.
func TestPredictionRank(t *testing.T) {
	for _, row := range []struct {
		n       int
		rank    int
		reached float64
	}{{38, 1, 37.0 / 39}, {39, 1, 0.95}, {78, 1, 77.0 / 79}, {79, 2, 0.95}} {
		rank, reached := predictionRank(row.n, 0.95)
		if rank != row.rank || math.Abs(reached-row.reached) > 1e-12 {
			t.Errorf("n %d: rank %d, %g", row.n, rank, reached)
		}
	}
	for _, row := range []struct {
		confidence float64
		n          int
	}{{0.95, 39}, {0.90, 19}, {0.99, 199}, {0.2, 2}} {
		if n := predictionN(row.confidence); n != row.n {
			t.Errorf("%g: %d", row.confidence, n)
		}
	}
}

// By hand: 100 ± 1 (two runs 99 and 101) against 50 (two equal runs): ratio 2,
// relative uncertainty √2/√2/100 = 1 %, one degree of freedom.
func TestTransfer(t *testing.T) {
	control := &ControlRuns{SetBench: []float64{50, 50}, ThisBench: []float64{99, 101}}
	tr, blocked := control.transfer()
	if !blocked.IsZero() {
		t.Fatal(blocked)
	}
	near(t, "ratio", tr.Ratio, 2, 1e-15)
	near(t, "relative", tr.Relative, 0.01, 1e-15)
	near(t, "dof", tr.DoF, 1, 1e-12)
	for _, bad := range []struct {
		control *ControlRuns
		why     string
	}{
		{nil, "reference.no-control-card"},
		{&ControlRuns{}, "reference.few-runs-there"},
		{&ControlRuns{[]float64{50, 51}, []float64{99}}, "reference.few-runs-here"},
		{&ControlRuns{[]float64{0, 1}, []float64{1, 2}}, "reference.bad-run-there"},
		{&ControlRuns{[]float64{1, 2}, []float64{1, math.NaN()}}, "reference.bad-run-here"},
	} {
		if tr, blocked := bad.control.transfer(); blocked.Key != bad.why {
			t.Errorf("%s: %+v, %v", bad.why, tr, blocked)
		}
	}
}

func anyScores(t *rapid.T, least int) []float64 {
	return rapid.SliceOfN(rapid.Float64Range(50, 150), least, 30).Draw(t, "scores")
}

func anyRuns(t *rapid.T, label string) []float64 {
	return rapid.SliceOfN(rapid.Float64Range(90, 110), 2, 8).Draw(t, label)
}

// Moving a set to another bench never narrows its intervals beyond the plain
// scaling, whatever the runs of the control card.
func TestTransferNeverNarrows(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		scores := anyScores(rt, 3)
		control := &ControlRuns{anyRuns(rt, "there"), anyRuns(rt, "here")}
		tr, blocked := control.transfer()
		if !blocked.IsZero() {
			rt.Fatal(blocked)
		}
		log := rapid.Bool().Draw(rt, "log")
		doubtful := rapid.Bool().Draw(rt, "doubtful")
		exact := tr
		exact.Relative = 0
		var p [2]Prediction
		for i, one := range []Transfer{exact, tr} {
			b, err := newBasis(scores, log, &one)
			if err != nil {
				rt.Fatal(err)
			}
			p[i] = predict(b, doubtful, Options{Confidence: 0.95, Direction: TwoSided})
		}
		slack := 1e-9 * *p[0].High
		if *p[1].Low > *p[0].Low+slack || *p[1].High < *p[0].High-slack {
			rt.Fatalf("exact %g to %g, with uncertainty %g to %g", *p[0].Low, *p[0].High, *p[1].Low, *p[1].High)
		}
	})
}
