package thermal_test

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"testing"
	"time"

	"proveout/scoring/thermal"
)

const outside = `
import json, sys, time
import numpy as np
from scipy.optimize import curve_fit
out = []
for d in json.load(sys.stdin):
    t, y = np.array(d["t"]), np.array(d["y"])
    if d["free"]:
        f = lambda t, a, b, c: b + (a - b) * np.exp(-t / c)
    else:
        f = lambda t, a, b: a * (1 - np.exp(-b * t))
    best = 1e9
    for _ in range(d["repeat"]):
        s = time.perf_counter()
        p, c = curve_fit(f, t, y, d["start"], ftol=1e-12, xtol=1e-12) if d["tight"] else curve_fit(f, t, y, d["start"])
        best = min(best, time.perf_counter() - s)
    out.append({"p": list(p), "se": list(np.sqrt(np.diag(c))), "s": best})
print(json.dumps(out))
`

type outsideCase struct {
	T      []float64 `json:"t"`
	Y      []float64 `json:"y"`
	Start  []float64 `json:"start"`
	Free   bool      `json:"free"`
	Tight  bool      `json:"tight"`
	Repeat int       `json:"repeat"`
}

type outsideFit struct {
	P, SE []float64
	S     float64
}

func fitOutside(t *testing.T, cases []outsideCase) []outsideFit {
	t.Helper()
	text, err := json.Marshal(cases)
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
	var fits []outsideFit
	if err := json.Unmarshal(out, &fits); err != nil {
		t.Fatal(err)
	}
	return fits
}

// Against a general numerical library, values and time, in one run; only when
// PROVEOUT_ALL_CHECKS is 1.
func TestAgainstNumericalLibrary(t *testing.T) {
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("set PROVEOUT_ALL_CHECKS=1 to compare with scipy")
	}
	var cases []outsideCase
	for seed, n := range []int{14, 60, 120, 600, 2400, 4000} {
		x, y := noisyRise(n, 2400, thermal.Rise{T0: 25, TInf: 65, Tau: 300}, 0.1, 1, uint64(seed))
		for _, tight := range []bool{true, false} {
			cases = append(cases, outsideCase{x, y, []float64{y[0], y[n-1], 600}, true, tight, 200})
		}
	}
	misra := strdSets[0]
	cases = append(cases, outsideCase{misra.x, misra.y, misra.starts[1], false, false, 200})
	for i, f := range fitOutside(t, cases) {
		c := cases[i]
		fit := func() (thermal.Solution, error) { return thermal.FitRise(c.T, c.Y, nil) }
		if !c.Free {
			fit = func() (thermal.Solution, error) { return thermal.Fit(misra.model, c.T, c.Y, c.Start) }
		}
		best := math.Inf(1)
		var s thermal.Solution
		var err error
		for range 10 * c.Repeat {
			begin := time.Now()
			s, err = fit()
			best = math.Min(best, time.Since(begin).Seconds())
		}
		if err != nil {
			t.Fatal(err)
		}
		if c.Tight {
			for k := range s.B {
				if math.Abs(s.B[k]-f.P[k]) > 1e-4*f.SE[k] || math.Abs(s.SE[k]/f.SE[k]-1) > 1e-3 {
					t.Errorf("%d points, parameter %d: %.10g ± %.6g, outside %.10g ± %.6g", len(c.T), k, s.B[k], s.SE[k], f.P[k], f.SE[k])
				}
			}
			continue
		}
		t.Logf("%d points: %.1f µs, outside %.1f µs, %.1f times faster", len(c.T), best*1e6, f.S*1e6, f.S/best)
		if f.S < 10*best {
			t.Errorf("%d points: only %.1f times faster", len(c.T), f.S/best)
		}
	}
}
