package reference

import (
	"math"
	"math/rand/v2"
	"testing"
)

// NIST/SEMATECH e-Handbook, 1.3.5.17.1, data of Tietjen and Moore 1972: G 2.4687
// and critical values 2.032 (one-sided) and 2.126 (two-sided) are printed.
func TestGrubbsHandbook(t *testing.T) {
	o, flagged := testGrubbs(t, []float64{199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57})
	if !flagged || o.Index != 7 || o.Value != 245.57 {
		t.Errorf("%+v", o)
	}
	near(t, "G", o.G, 2.4687, 0.0001)
	near(t, "two-sided critical", o.Critical, 2.126, 0.001)
	near(t, "one-sided critical", grubbsCritical(8, 0.10), 2.032, 0.0005)
}

func testGrubbs(t *testing.T, scores []float64) (Outlier, bool) {
	t.Helper()
	d, err := describe(scores)
	if err != nil {
		t.Fatal(err)
	}
	return grubbs(scores, d)
}

// One-sided 5 % table of critical values, source not named in the file seen;
// Grubbs and Beck, Technometrics 14 (1972), 847 has the same (from memory).
func TestGrubbsTable(t *testing.T) {
	for _, row := range []struct {
		n    int
		want float64
		tol  float64
	}{
		{3, 1.1531, 5.1e-5}, {4, 1.4625, 5.1e-5}, {5, 1.6714, 5.1e-5}, {7, 1.9381, 5.1e-5}, {8, 2.0317, 5.1e-5},
		{10, 2.1761, 5.1e-5}, {11, 2.2339, 5.1e-5}, {13, 2.3305, 5.1e-5}, {14, 2.3717, 5.1e-5}, {16, 2.4433, 5.1e-5},
		{17, 2.4748, 5.1e-5}, {19, 2.5312, 5.1e-5}, {20, 2.5566, 5.1e-5}, {22, 2.60, 0.0051}, {23, 2.62, 0.0051},
		{25, 2.66, 0.0051}, {26, 2.681, 5.1e-4}, {28, 2.714, 5.1e-4}, {29, 2.730, 5.1e-4},
		{31, 2.759, 1e-3}, // cut off in print
	} {
		got := grubbsCritical(row.n, 0.10) // two-sided 10 % is one-sided 5 %
		near(t, "critical", got, row.want, row.tol)
	}
	if _, flagged := testGrubbs(t, []float64{5, 5, 5, 5}); flagged {
		t.Error("equal scores have no outlier")
	}
	if _, flagged := testGrubbs(t, []float64{5, 500}); flagged {
		t.Error("which of two scores is the outlier?")
	}
}

// D'Agostino and Stephens, 1986, table 4.7 (critical values of A*², second
// hand; e-Handbook 1.3.5.14 states 0.752): the p-values of table 4.9 meet them.
func TestAndersonPMeetsCritical(t *testing.T) {
	for _, row := range []struct{ alpha, critical float64 }{
		{0.15, 0.561}, {0.10, 0.631}, {0.05, 0.752}, {0.025, 0.873}, {0.01, 1.035},
	} {
		near(t, "p", andersonP(row.critical), row.alpha, 0.02*row.alpha+0.0002)
		if row.alpha == 0.05 && row.critical != andersonCritical {
			t.Errorf("critical value %g", andersonCritical)
		}
	}
	last := 1.0
	for a := 0.0; a < 20; a += 0.001 {
		p := andersonP(a)
		if p < 0 || p > 1 || p > last+0.002 {
			t.Fatalf("p(%g) = %g after %g", a, p, last)
		}
		last = p
	}
}

// Normal and skewed sets whose answer is plain.
func TestAndersonDarling(t *testing.T) {
	// Blom's normal scores are as normal as twenty numbers can be.
	var scores, skewed []float64
	for i := 1; i <= 20; i++ {
		z := math.Sqrt2 * math.Erfinv(2*(float64(i)-0.375)/20.25-1)
		scores = append(scores, 100+3*z)
		skewed = append(skewed, math.Exp(2*z))
	}
	if a := testScores(t, scores); a.Doubtful || a.P < 0.9 {
		t.Errorf("normal scores: %+v", a)
	}
	if a := testScores(t, skewed); !a.Doubtful || a.P > 1e-4 {
		t.Errorf("log-normal scores: %+v", a)
	}
	far := append(scores[:19:19], 1e9) // Φ underflows for no score, but nearly
	if a := testScores(t, far); !a.Doubtful || !finite(a.A2) {
		t.Errorf("far outlier: %+v", a)
	}
	for why, y := range map[string][]float64{
		"reference.too-few-to-test": scores[:7], "reference.equal-scores": make([]float64, 9),
	} {
		if a := testScores(t, y); a.Tested || a.Why.Key != why {
			t.Errorf("%s: %+v", why, a)
		}
	}
}

func testScores(t *testing.T, scores []float64) Normality {
	t.Helper()
	d, err := describe(scores)
	if err != nil {
		t.Fatal(err)
	}
	return testNormality(scores, d)
}

// A test at 5 % finds fault with about 5 % of normal sets.
func TestAndersonDarlingRate(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const sets = 4000
	var doubtful, flagged float64
	for range sets {
		y := make([]float64, 12)
		for i := range y {
			y[i] = rng.NormFloat64()
		}
		if testScores(t, y).Doubtful {
			doubtful++
		}
		if _, f := testGrubbs(t, y); f {
			flagged++
		}
	}
	near(t, "Anderson–Darling rate", doubtful/sets, 0.05, 0.012)
	near(t, "Grubbs rate", flagged/sets, 0.05, 0.012)
}
