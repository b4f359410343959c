package thermal

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// outside fits rises with a general numerical library.
const outside = `
import json, sys
import numpy as np
from scipy.optimize import curve_fit
answers = []
for d in json.load(sys.stdin):
    t, y = np.array(d["t"]), np.array(d["y"])
    rise = lambda t, a, b, c: b + (a - b) * np.exp(-t / c)
    p, c = curve_fit(rise, t, y, [y[0], y[-1], 600], ftol=1e-12, xtol=1e-12)
    answers.append({"p": list(p), "se": list(np.sqrt(np.diag(c)))})
print(json.dumps(answers))
`

// Against a general numerical library; only when PROVEOUT_ALL_CHECKS is 1.
func TestAgainstNumericalLibrary(t *testing.T) {
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("set PROVEOUT_ALL_CHECKS=1 to compare with scipy")
	}
	type log struct {
		T []float64 `json:"t"`
		Y []float64 `json:"y"`
	}
	var logs []log
	for seed, n := range []int{14, 60, 120, 600, 2400, 4000} {
		x, y := noisyRise(n, 2400, rise{t0: 25, tInf: 65, tau: 300}, 0.1, 1, uint64(seed))
		logs = append(logs, log{x, y})
	}
	text, err := json.Marshal(logs)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("/usr/bin/python3", "-c", outside)
	cmd.Stdin, cmd.Stderr = bytes.NewReader(text), os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var theirs []struct{ P, SE []float64 }
	if err := json.Unmarshal(out, &theirs); err != nil {
		t.Fatal(err)
	}
	for i, l := range logs {
		s, err := fitRise(l.T, l.Y, nil)
		if err != nil {
			t.Fatal(err)
		}
		for k := range s.b {
			p, se := theirs[i].P[k], theirs[i].SE[k]
			if math.Abs(s.b[k]-p) > 1e-4*se || math.Abs(s.se[k]/se-1) > 1e-3 {
				t.Errorf("%d readings, parameter %d: %.10g ± %.6g, outside %.10g ± %.6g",
					len(l.T), k, s.b[k], s.se[k], p, se)
			}
		}
	}
}

// The stated 95 % intervals hold the true values; only when PROVEOUT_ALL_CHECKS is 1.
// Of 300 logs 273 inside are 91 %: fewer would be a chance of 1 in 400 of a true 95 %.
func TestIntervalsCover(t *testing.T) {
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("set PROVEOUT_ALL_CHECKS=1 to count 300 logs of each kind")
	}
	for _, c := range []struct {
		name               string
		noise, phi, digit  float64
		chip, share, every float64
	}{
		{"white noise", 0.1, 0, 0, 1, 0, 1},
		{"tenths", 0.05, 0, 0.1, 1, 0, 1},
		{"half degrees", 0.1, 0, 0.5, 1, 0, 1},
		{"whole degrees", 0.2, 0, 1, 1, 0, 1},
		{"whole degrees without noise", 0, 0, 1, 1, 0, 1},
		{"correlated noise", 0.2, 0.8, 0.1, 1, 0, 1},
		{"noise that lasts", 0.3, 0.95, 0.1, 1, 0, 1},
		{"noise that lasts, whole degrees", 0.3, 0.95, 1, 1, 0, 1},
		{"a chip on its heatsink", 0.1, 0, 0.1, 20, 0.2, 1},
		{"a chip on its heatsink, whole degrees", 0.2, 0, 1, 20, 0.2, 1},
	} {
		var described, end, tau, slope int
		for seed := range uint64(300) {
			rng := rand.New(rand.NewPCG(seed, 3))
			card := rise{t0: 20 + 6*rng.Float64(), tau: 120 + 380*rng.Float64()}
			height := 18 + 27*rng.Float64()
			card.tInf = card.t0 + height
			e := c.noise * rng.NormFloat64()
			warm := func(at float64) float64 {
				return card.t0 + height*((1-c.share)*(1-math.Exp(-at/card.tau))+c.share*(1-math.Exp(-at/c.chip)))
			}
			l := made(2700, c.every, 0, c.digit, seed, func(at float64) float64 {
				e = c.phi*e + c.noise*math.Sqrt(1-c.phi*c.phi)*rng.NormFloat64()
				return warm(at) + e
			})
			r := judged(t, l, Options{Window: 600})
			if !r.DescribesLog {
				continue
			}
			described++
			if math.Abs(*r.TInf-card.tInf) <= 2*r.TInfU {
				end++
			}
			if math.Abs(*r.Tau-card.tau) <= 2*r.TauU {
				tau++
			}
			exact := made(*r.SlopeWindow, 1, 0, 0, 1, func(at float64) float64 { return warm(2700 - *r.SlopeWindow + at) })
			_, trueSlope := stat.LinearRegression(exact.Time, exact.Temp, nil, false)
			if r.SlopeCI[0] <= 3600*trueSlope && 3600*trueSlope <= r.SlopeCI[1] {
				slope++
			}
		}
		if described < 270 || min(end, tau, slope) < described*91/100 {
			t.Errorf("%s: of %d described logs of 300, %d hold the end, %d the time constant, %d the slope",
				c.name, described, end, tau, slope)
		}
	}
}
