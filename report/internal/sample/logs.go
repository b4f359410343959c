package sample

import (
	"iter"
	"math"
	"math/rand/v2"

	"proveout/harness/reading"
)

var (
	framesLog = reading.Log{
		Evidence: reading.Evidence{SHA256: fakeHash(1), Name: "arcade-hall-run1.csv", Size: 418_220, Role: "log"},
		Count:    manyFrames,
		Columns:  []reading.Column{{Name: "frame-time", Header: "frame time"}},
	}
	soakLog = reading.Log{
		Evidence: reading.Evidence{SHA256: fakeHash(3), Name: "soak-2.csv", Size: 61_400, Role: "log"},
		Count:    soakSeconds,
		Columns: []reading.Column{
			{Name: "time", Header: "time"},
			{Name: "temperature", Header: "heatsink", Place: "heatsink", Resolution: 0.1},
			{Name: "ambient", Header: "ambient", Place: "ambient", Resolution: 0.1},
		},
	}
)

const (
	manyFrames  = 15_700
	soakSeconds = 41 * 60
)

// files are the logs; nothing else of a sample is opened.
type files struct{ reading.Files }

// Rows makes the rows of a log, the same each time.
func (files) Rows(l *reading.Log) iter.Seq2[reading.Row, error] {
	row, r := frame, rand.New(rand.NewPCG(3, 4))
	if l.Name == soakLog.Name {
		row, r = second, rand.New(rand.NewPCG(1, 2))
	}
	return func(yield func(reading.Row, error) bool) {
		for i := range int(l.Count) {
			if !yield(reading.Row{Line: int64(i + 2), Values: row(i, r)}, nil) {
				return
			}
		}
	}
}

// frame is one of a run of five minutes and a half with two stalls.
func frame(i int, r *rand.Rand) []float64 {
	switch i {
	case manyFrames / 3:
		return []float64{0.096}
	case manyFrames * 7 / 10:
		return []float64{0.088}
	}
	return []float64{0.0205 + 0.0005*math.Sin(float64(i)/300) + 0.0005*r.ExpFloat64()}
}

// second is one of a rise to about 71 °C with a little noise.
func second(i int, r *rand.Rand) []float64 {
	t := float64(i)
	temp := 24.2 + 46.6*(1-math.Exp(-t/280)) + 0.1*r.NormFloat64()
	ambient := 23.8 + 0.1*math.Sin(t/500)
	return []float64{t, math.Round(temp*10) / 10, math.Round(ambient*10) / 10}
}
