package reference

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"
)

// scipyScript reads cases and writes what scipy makes of them.
const scipyScript = `
import json, sys
import numpy as np
from scipy import stats, special, optimize

def two_sided(n, p, c):
    nodes = []
    for low, high in ((0, 3), (3, 9)):
        x, w = np.polynomial.legendre.leggauss(60)
        for z, v in zip(low + (high - low) * (x + 1) / 2, w * (high - low) / 2):
            d = z / n**0.5
            r = optimize.brentq(lambda r: special.ndtr(d + r) - special.ndtr(d - r) - p, 0, 60, xtol=1e-14)
            nodes.append((r, 2 * v * np.exp(-z * z / 2) / (2 * np.pi)**0.5))
    r, w = np.array(nodes).T
    reached = lambda k: np.sum(w * special.gammaincc((n - 1) / 2, (n - 1) / 2 * (r / k)**2)) - c
    return optimize.brentq(reached, 1e-3, 1e4, xtol=1e-11)

def t_upper(tail, nu):  # t.ppf itself is good to 9 digits only
    x = special.betaincinv(nu / 2, 0.5, 2 * tail)
    return (nu * (1 - x) / x)**0.5

out = []
for case in json.load(sys.stdin):
    y, p, c, alpha = np.array(case["y"]), case["p"], case["c"], case["alpha"]
    n = len(y)
    t = t_upper(alpha / (2 * n), n - 2)
    out.append({
        "mean": float(np.mean(y)), "sd": float(np.std(y, ddof=1)), "median": float(np.median(y)),
        "mad": float(stats.median_abs_deviation(y)),
        "a2": float(stats.anderson(y, "norm").statistic),
        "grubbs": float((n - 1) / n**0.5 * (t * t / (n - 2 + t * t))**0.5),
        "prediction": float(t_upper((1 - c) / 2, n - 1) * (1 + 1 / n)**0.5),
        "one": float(stats.nct.ppf(c, n - 1, stats.norm.ppf(p) * n**0.5) / n**0.5),
        "two": float(two_sided(n, p, c)),
        "free": float(1 - stats.beta.cdf(p, n - 1, 2)),
    })
json.dump(out, sys.stdout)
`

type scipyCase struct {
	Y     []float64 `json:"y"`
	P     float64   `json:"p"`
	C     float64   `json:"c"`
	Alpha float64   `json:"alpha"`
}

type scipyAnswer struct {
	Mean, SD, Median, MAD, A2, Grubbs, Prediction, One, Two, Free float64
}

// Random sets and random shares give what scipy gives.
func TestAgainstScipy(t *testing.T) {
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("set PROVEOUT_ALL_CHECKS=1 to compare with scipy")
	}
	rng := rand.New(rand.NewPCG(uint64(os.Getpid()), 1))
	var cases []scipyCase
	for range 60 {
		y := make([]float64, 8+rng.IntN(60))
		for i := range y {
			y[i] = 100 + 5*rng.NormFloat64()
		}
		cases = append(cases, scipyCase{y, 0.6 + 0.39*rng.Float64(), 0.5 + 0.49*rng.Float64(), 0.001 + 0.2*rng.Float64()})
	}
	answers := askScipy(t, cases)
	for i, c := range cases {
		want, n := answers[i], len(c.Y)
		d, err := describe(c.Y)
		if err != nil {
			t.Fatal(err)
		}
		one, two := mustFactor(t, n, c.P, c.C, oneSide), mustFactor(t, n, c.P, c.C, bothSides)
		for _, x := range []struct {
			name           string
			got, want, tol float64
		}{
			{"mean", d.Mean, want.Mean, 1e-13}, {"sd", d.SD, want.SD, 1e-12}, {"median", d.Median, want.Median, 1e-14},
			{"mad", d.MAD, want.MAD, 1e-12}, {"A²", andersonDarling(c.Y, d), want.A2, 1e-9},
			{"Grubbs", esdCritical(n, 1, c.Alpha), want.Grubbs, 1e-10},
			{"prediction", predictionFactor(n, c.C), want.Prediction, 1e-10},
			{"one-sided", one, want.One, 1e-8}, {"two-sided", two, want.Two, 1e-8},
			{"free", rangeConfidence(n, 1, c.P, bothSides), want.Free, 1e-10},
		} {
			if math.Abs(x.got-x.want) > x.tol*math.Max(1, math.Abs(x.want)) {
				t.Errorf("n %d, p %g, c %g: %s %.14g, scipy %.14g", n, c.P, c.C, x.name, x.got, x.want)
			}
		}
	}
}

func askScipy(t *testing.T, cases []scipyCase) []scipyAnswer {
	t.Helper()
	python := os.Getenv("PROVEOUT_PYTHON")
	if python == "" {
		python = "/usr/bin/python3"
	}
	in, err := json.Marshal(cases)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", scipyScript)
	cmd.Stdin = bytes.NewReader(in)
	var diag bytes.Buffer
	cmd.Stderr = &diag
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("scipy with %s: %v\n%s", python, err, diag.String())
	}
	var answers []scipyAnswer
	if err := json.Unmarshal(out, &answers); err != nil {
		t.Fatal(err)
	}
	if len(answers) != len(cases) {
		t.Fatalf("%d answers to %d cases", len(answers), len(cases))
	}
	return answers
}
