package conformity

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// Draft NCSLI RP-19 table of false-accept probabilities at a ratio of process
// to test standard deviation of 4, as quoted by a public test suite: share of
// the family in tolerance, false accepts in per cent, and the same among the
// accepted items.
func TestGlobalRiskTable(t *testing.T) {
	for _, tt := range []struct{ inTolerance, accepts, conditional float64 }{
		{0.60, 4.83860326, 8.26008199},
		{0.80, 2.85583037, 3.63227145},
		{0.95, 0.87100925, 0.92389664},
	} {
		const u = 1.0
		prior := Prior{Mean: 0, SD: 4}
		k := CoverageFactor(tt.inTolerance, math.Inf(1))
		limits := Between(-k*prior.SD, k*prior.SD)
		g, err := Global(prior, u, limits, limits)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "false accepts", 100*g.Consumer, tt.accepts, 2e-6)
		near(t, "conditional", 100*g.AcceptedBad, tt.conditional, 2e-6)
	}
}

// JCGM 106:2012, 9.5 example of 1500 Ω ± 0.2 Ω resistors, process 0.12 Ω,
// meter 0.04 Ω, accepted between 1499.82 Ω and 1500.18 Ω, from memory: consumer's
// risk 1 %, producer's risk 7 %.
func TestGlobalRiskResistors(t *testing.T) {
	prior, limits := Prior{Mean: 1500, SD: 0.12}, Between(1499.8, 1500.2)
	g, err := Global(prior, 0.04, limits, Between(1499.82, 1500.18))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "consumer", g.Consumer, 0.01, 0.0005)
	near(t, "producer", g.Producer, 0.07, 0.005)
	// A guard band of U trades one risk further against the other.
	guarded, err := Global(prior, 0.04, limits, Between(1499.88, 1500.12))
	if err != nil {
		t.Fatal(err)
	}
	if guarded.Consumer > g.Consumer/10 || guarded.Producer < 3*g.Producer {
		t.Errorf("simple %+v, guarded %+v", g, guarded)
	}
}

// The integrals agree with simply playing it out.
func TestGlobalRiskAgainstPlay(t *testing.T) {
	prior, limits, acceptance := Prior{Mean: 9.7, SD: 1.5}, Between(8, 12), Between(8.4, 11.6)
	const u, n = 0.6, 400000
	g, err := Global(prior, u, limits, acceptance)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	var consumer, producer float64
	for range n {
		x := prior.Mean + prior.SD*rng.NormFloat64()
		y := x + u*rng.NormFloat64()
		good, taken := x >= 8 && x <= 12, y >= 8.4 && y <= 11.6
		if taken && !good {
			consumer++
		}
		if good && !taken {
			producer++
		}
	}
	near(t, "consumer", consumer/n, g.Consumer, 4*math.Sqrt(g.Consumer/n))
	near(t, "producer", producer/n, g.Producer, 4*math.Sqrt(g.Producer/n))
}

// Every card is either accepted and good, accepted and bad, rejected and good
// or rejected and bad: the integrals must add up however sharp the edges are.
func TestGlobalRiskAddsUp(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		prior := Prior{Mean: rapid.Float64Range(-5, 5).Draw(rt, "mean"), SD: rapid.Float64Range(0.01, 10).Draw(rt, "sd")}
		u := prior.SD * math.Pow(10, rapid.Float64Range(-4, 1).Draw(rt, "log ratio"))
		low := rapid.Float64Range(-10, 5).Draw(rt, "low")
		high := low + rapid.Float64Range(0.01, 20).Draw(rt, "width")
		limits := Between(low, high)
		acceptance := limits.drawnIn(rapid.Float64Range(-1, 0.49).Draw(rt, "guard") * (high - low))
		g, err := Global(prior, u, limits, acceptance)
		if err != nil {
			rt.Fatal(err)
		}
		good := Probability(prior.Mean, prior.SD, limits)
		if d := math.Abs((good - g.Producer) - (g.Accepted - g.Consumer)); d > 1e-9 {
			rt.Fatalf("accepted and good differs by %g: %+v", d, g)
		}
	})
}

func TestSpecificWithPrior(t *testing.T) {
	// Equal weights: the posterior lies half-way with u/√2.
	mean, sd, err := Prior{Mean: 10, SD: 2}.update(14, 2)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", mean, 12, 1e-12)
	near(t, "sd", sd, math.Sqrt2, 1e-12)
	wide, err := Specific(14, 2, AtMost(15), Prior{Mean: 0, SD: 1e9})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "a prior that says nothing", wide.Producer, Probability(14, 2, AtMost(15)), 1e-9)
	near(t, "sum", wide.Consumer+wide.Producer, 1, 1e-15)
}

func TestRiskRefuses(t *testing.T) {
	good := Prior{Mean: 0, SD: 1}
	for name, f := range map[string]func() (GlobalRisk, error){
		"no prior":  func() (GlobalRisk, error) { return Global(Prior{}, 1, AtMost(1), AtMost(1)) },
		"no u":      func() (GlobalRisk, error) { return Global(good, 0, AtMost(1), AtMost(1)) },
		"no limits": func() (GlobalRisk, error) { return Global(good, 1, Limits{}, AtMost(1)) },
		"no range":  func() (GlobalRisk, error) { return Global(good, 1, AtMost(1), Limits{}) },
	} {
		if g, err := f(); err == nil {
			t.Errorf("%s: %+v", name, g)
		}
	}
	g, err := Global(good, 1, Between(-1, 1), Between(0.5, -0.5))
	if err != nil || g.Consumer != 0 || math.Abs(g.Producer-0.6826894921370859) > 1e-12 {
		t.Errorf("crossed acceptance: %+v, %v", g, err)
	}
	if _, err := Specific(1, -1, AtMost(2), good); err == nil {
		t.Error("negative u")
	}
}
