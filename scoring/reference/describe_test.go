package reference

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"proveout/scoring/conformity"
)

func near(t testing.TB, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.14g, want %.14g ± %g", what, got, want, tol)
	}
}

// numAcc builds the data sets NumAcc2 to NumAcc4: a middle value, then low and
// high in turn, 1001 in all.
func numAcc(middle, low, high float64) []float64 {
	y := []float64{middle}
	for range 500 {
		y = append(y, low, high)
	}
	return y
}

// piDigits are the first n decimal digits of π, by Machin's formula.
func piDigits(n int) []float64 {
	one := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n+10)), nil)
	arctanInverse := func(x int64) *big.Int {
		term := new(big.Int).Quo(one, big.NewInt(x))
		total := new(big.Int).Set(term)
		square := big.NewInt(x * x)
		for k := int64(1); term.Sign() != 0; k++ {
			term.Quo(term, square)
			part := new(big.Int).Quo(term, big.NewInt(2*k+1))
			if k%2 == 1 {
				part.Neg(part)
			}
			total.Add(total, part)
		}
		return total
	}
	pi := new(big.Int).Mul(arctanInverse(5), big.NewInt(16))
	pi.Sub(pi, new(big.Int).Mul(arctanInverse(239), big.NewInt(4)))
	text := pi.String()[:n]
	digits := make([]float64, n)
	for i := range text {
		digits[i] = float64(text[i] - '0')
	}
	return digits
}

// piDigitsSet is the data set PiDigits: the digits of π but for the 957th, where
// the set has a 3 and π an 8. The certified values belong to the set.
func piDigitsSet() []float64 {
	y := piDigits(5000)
	y[956] = 3
	return y
}

// NIST Statistical Reference Datasets, univariate summary statistics: certified
// mean and standard deviation. NumAcc2 and NumAcc4 from memory.
func TestDescribeStRD(t *testing.T) {
	for _, tt := range []struct {
		name     string
		y        []float64
		mean, sd float64
		digits   float64 // significant digits asked of the standard deviation
	}{
		{"Michelso", michelso(), 299.852400000000, 0.0790105478190518, 12},
		{"Lottery", lottery(), 518.958715596330, 291.699727470969, 14},
		{"Lew", lew(), -177.435000000000, 277.332168044316, 14},
		{"PiDigits", piDigitsSet(), 4.53480000000000, 2.86733906028871, 14},
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, 15},
		{"NumAcc2", numAcc(1.2, 1.1, 1.3), 1.2, 0.1, 14},
		{"NumAcc3", numAcc(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 9},
		{"NumAcc4", numAcc(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 8},
	} {
		d, err := describe(tt.y)
		if err != nil {
			t.Fatal(err)
		}
		// The inputs of NumAcc3 and NumAcc4 are not exact in binary, which alone
		// leaves the digits asked for.
		near(t, tt.name+" mean", d.Mean/tt.mean, 1, 3e-15)
		near(t, tt.name+" sd", d.SD/tt.sd, 1, 0.5*math.Pow(10, -tt.digits+1))
	}
}

// NIST/SEMATECH e-Handbook: 1.3.5.2 (ZARR13) prints mean 9.261460 and sd
// 0.022789; 1.3.5.3 (AUTO83B) prints mean 20.14458, sd 6.41470 and mean
// 30.48101.
func TestDescribeHandbook(t *testing.T) {
	z, err := describe(zarr13())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "ZARR13 mean", z.Mean, 9.261460, 1e-6)
	near(t, "ZARR13 sd", z.SD, 0.022789, 5e-7)
	// The confidence limits of the mean printed there check the t quantile.
	half := conformity.CoverageFactor(0.95, 194) * z.SD / math.Sqrt(195)
	near(t, "lower", z.Mean-half, 9.258242, 5e-7)
	near(t, "upper", z.Mean+half, 9.264679, 5e-7)
	a, err := describe(auto83b1())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "AUTO83B mean", a.Mean, 20.14458, 5e-6)
	near(t, "AUTO83B sd", a.SD, 6.41470, 5e-6)
	b, err := describe(auto83b2())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "AUTO83B second mean", b.Mean, 30.48101, 5e-6)
}

// By hand: {1, 2, 3, 4, 100} has median 3 and distances 2, 1, 0, 1, 97.
func TestDescribeRobust(t *testing.T) {
	d, err := describe([]float64{100, 1, 3, 2, 4})
	if err != nil {
		t.Fatal(err)
	}
	if d.Median != 3 || d.MAD != 1 || d.Min != 1 || d.Max != 100 || d.N != 5 {
		t.Errorf("%+v", d)
	}
	near(t, "robust sd", d.RobustSD, 1.4826, 5e-6) // 1/Φ⁻¹(3/4), as commonly printed
	if d, _ := describe([]float64{4, 1}); d.Median != 2.5 {
		t.Errorf("even count: median %g", d.Median)
	}
	if d, err := describe([]float64{7}); err != nil || d.SD != 0 || d.Mean != 7 {
		t.Errorf("one score: %+v, %v", d, err)
	}
	for name, bad := range map[string][]float64{
		"none": nil, "nan": {1, math.NaN()}, "infinite": {math.Inf(1)}, "overflow": {1e308, 1e308, -1e308},
	} {
		if d, err := describe(bad); err == nil && !(d.SD < math.Inf(1)) {
			t.Errorf("%s: %+v", name, d)
		}
	}
	if _, err := describe([]float64{1, math.NaN()}); err == nil {
		t.Error("NaN is no score")
	}
}

// Shifting and scaling the scores shifts and scales the description.
func TestDescribeMoves(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		y := rapid.SliceOfN(rapid.Float64Range(-1000, 1000), 1, 40).Draw(rt, "y")
		shift := rapid.Float64Range(-1e6, 1e6).Draw(rt, "shift")
		scale := rapid.Float64Range(0.1, 10).Draw(rt, "scale")
		moved := make([]float64, len(y))
		for i, x := range y {
			moved[i] = scale*x + shift
		}
		a, err := describe(y)
		if err != nil {
			rt.Fatal(err)
		}
		b, err := describe(moved)
		if err != nil {
			rt.Fatal(err)
		}
		const tol = 1e-8
		if math.Abs(b.Mean-(scale*a.Mean+shift)) > tol || math.Abs(b.SD-scale*a.SD) > tol ||
			math.Abs(b.Median-(scale*a.Median+shift)) > tol || math.Abs(b.MAD-scale*a.MAD) > tol {
			rt.Fatalf("%+v became %+v", a, b)
		}
	})
}
