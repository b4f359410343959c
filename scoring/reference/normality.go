package reference

import (
	"math"
	"slices"

	"proveout/plans/fact"
)

// minNormality is the fewest scores of which normality is asked: the
// adjustment and the p-values are given for 8 and more.
const minNormality = 8

// andersonCritical is the A*² that is critical at a significance of 1 %: a set that
// is doubted decides little until it is many times as large, and at 5 % that befell
// one sound set in twenty. Our choice.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.14.
const andersonCritical = 1.035

// Normality is the answer of the Anderson–Darling test to "could these scores
// come from a normal distribution", mean and standard deviation estimated.
type Normality struct {
	// Tested is false, with the reason in Why, when no test was made.
	Tested bool      `json:"tested"`
	Why    fact.Fact `json:"why,omitzero"`
	// A2 is the statistic A², Adjusted A*² = A²(1 + 0.75/n + 2.25/n²).
	A2       float64 `json:"a2"`
	Adjusted float64 `json:"a2_adjusted"`
	// P is the significance, 0 to 1, at which Adjusted would be critical.
	P float64 `json:"p"`
	// Doubtful says that Adjusted is critical at 1 %.
	Doubtful bool `json:"doubtful"`
}

// testNormality asks whether scores come from a normal distribution. Too few
// scores and scores that are all equal are not tested.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.14 (A²);
// D'Agostino and Stephens, Goodness-of-Fit Techniques, 1986, tables 4.7 and 4.9
// (adjustment, p-values); from memory.
func testNormality(scores []float64, d Description) Normality {
	switch {
	case d.N == 0:
		return Normality{Why: fact.New("reference.nothing-to-test")}
	case d.N < minNormality:
		return Normality{Why: fact.New("reference.too-few-to-test", "n", d.N, "needed", minNormality)}
	case d.SD == 0:
		return Normality{Why: fact.New("reference.equal-scores")}
	}
	a2 := andersonDarling(scores, d)
	n := float64(d.N)
	adjusted := a2 * (1 + 0.75/n + 2.25/(n*n))
	return Normality{
		Tested: true, A2: a2, Adjusted: adjusted, P: andersonP(adjusted), Doubtful: adjusted > andersonCritical,
	}
}

// andersonDarling returns the statistic A² of scores that are not all equal.
func andersonDarling(scores []float64, d Description) float64 {
	sorted := slices.Sorted(slices.Values(scores))
	n := float64(d.N)
	var total float64
	for i, x := range sorted {
		low := (x - d.Mean) / d.SD
		high := (sorted[d.N-1-i] - d.Mean) / d.SD
		total += float64(2*i+1) * (logPhi(low) + logPhi(-high))
	}
	return -n - total/n
}

// logPhi is ln Φ(z). Below −37, where Φ is no longer a number, the first terms
// of its expansion stand in.
func logPhi(z float64) float64 {
	if z > -37 {
		return math.Log(math.Erfc(-z/math.Sqrt2) / 2)
	}
	return -z*z/2 - math.Log(-z) - math.Log(2*math.Pi)/2 - 1/(z*z)
}

// andersonP returns the p-value of A*², table 4.9.
func andersonP(a float64) float64 {
	switch {
	case a >= 13:
		return 0 // the fit turns upward from here on; its value is below 1e-30
	case a >= 0.6:
		return math.Exp(1.2937 - 5.709*a + 0.0186*a*a)
	case a >= 0.34:
		return math.Exp(0.9177 - 4.279*a - 1.38*a*a)
	case a >= 0.2:
		return 1 - math.Exp(-8.318+42.796*a-59.938*a*a)
	}
	return 1 - math.Exp(-13.436+101.14*a-223.73*a*a)
}
