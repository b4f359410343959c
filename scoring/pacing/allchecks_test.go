package pacing

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"
)

const outside = `
import json, sys
import numpy as np
from scipy import stats
d = json.load(sys.stdin)
x, y, ms = np.array(d["x"]), np.array(d["y"]), np.array(d["ms"])
slope, _, low, high = stats.theilslopes(y, x, 0.95)
ps = [0.001, 0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99, 0.999]
print(json.dumps({
    "slope": slope, "low": low, "high": high,
    "q": [float(np.quantile(ms, p)) for p in ps],
    "f": [float(stats.studentized_range.ppf(0.95, n, np.inf)) for n in (2, 3, 5, 10, 30)],
    "sd": float(np.std(ms, ddof=1)), "mean": float(np.mean(ms))}))
`

// Against a general numerical library; only when PROVEOUT_ALL_CHECKS is 1.
func TestAgainstNumericalLibrary(t *testing.T) {
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("set PROVEOUT_ALL_CHECKS=1 to compare with scipy")
	}
	rng := rand.New(rand.NewPCG(11, 11))
	in := struct {
		X  []float64 `json:"x"`
		Y  []float64 `json:"y"`
		Ms []float64 `json:"ms"`
	}{}
	for i := range 80 {
		in.X = append(in.X, float64(i)+rng.Float64())
		in.Y = append(in.Y, 0.05*float64(i)+rng.NormFloat64())
	}
	for range 4321 {
		in.Ms = append(in.Ms, math.Round(1e4*(8+3*rng.ExpFloat64()))/1e4)
	}
	var got struct {
		Slope, Low, High, SD, Mean float64
		Q                          []float64
		F                          []float64
	}
	text, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("/usr/bin/python3", "-c", outside)
	cmd.Stdin = bytes.NewReader(text)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	slope, low, high, _ := theilSen(in.X, in.Y, 1)
	near(t, "slope", slope, got.Slope, 1e-12)
	// The libraries differ by one rank of 3160 in how they round the limits.
	near(t, "lower limit", low, got.Low, 3e-4)
	near(t, "upper limit", high, got.High, 3e-4)
	r := report(t, in.Ms, Options{})
	for i, p := range []float64{0.001, 0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99, 0.999} {
		near(t, "quantile", quantileOf(in.Ms, p), got.Q[i], 1e-9)
	}
	for i, n := range []int{2, 3, 5, 10, 30} {
		near(t, "range factor", rangeFactor(n), got.F[i], 1e-6)
	}
	near(t, "sd", *r.SD, got.SD, 1e-10)
	near(t, "mean", r.MeanMs, got.Mean, 1e-10)
}
