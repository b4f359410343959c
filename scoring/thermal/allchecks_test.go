package thermal

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"testing"
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
