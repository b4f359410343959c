package pacing

import (
	"encoding/csv"
	"os"
	"slices"
	"strconv"
	"testing"
)

// A real recording (testdata/ORIGIN.md), held against plain arithmetic on the
// sorted list.
func TestRealRecording(t *testing.T) {
	f, err := os.Open("testdata/server-card-part-load-frames.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var ms []float64
	sum := 0.0
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		ms = append(ms, v)
		sum += v
	}
	r := report(t, ms, Options{})
	near(t, "duration", r.Duration, sum/1000, 1e-9)
	near(t, "mean", *r.MeanFPS, 1000*float64(len(ms))/sum, 1e-9)
	near(t, "median", r.Median, quantileOf(ms, 0.5), 1e-12)
	near(t, "99 %", r.Percentiles["99"], quantileOf(ms, 0.99), 1e-12)
	slices.Sort(ms)
	slow := 0.0
	for _, v := range ms[len(ms)-53:] { // 1 % of 5215, rounded up
		slow += v
	}
	near(t, "slowest 1 %", *r.Slow1, 1000*53/slow, 1e-9)
	if r.Frames != 5215 || r.Drift == nil {
		t.Errorf("%d frames, drift %v", r.Frames, r.Drift)
	}
}
