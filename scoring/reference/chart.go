package reference

import (
	"errors"
	"fmt"
	"math"

	"proveout/plans/fact"
)

// Constants of moving ranges of two, as control-chart tables print them.
//
// Source: ASTM manual on presentation of data, table of control-chart
// constants, n = 2, second hand; NIST/SEMATECH e-Handbook, 6.3.2.2 (d2).
const (
	d2 = 1.128
	d4 = 3.267
)

// How far from the centre all limits lie, in standard deviations; the weight of
// the newest run in the weighted average (NIST/SEMATECH e-Handbook, 6.3.2.4:
// 0.2 to 0.3 is usual); and the number of runs from which limits are called
// settled (common practice, no source).
const (
	chartWidth   = 3
	newestWeight = 0.2
	settledRuns  = 20
)

// The charts a signal comes from.
const (
	individuals  = "individuals"
	movingRanges = "moving range"
	ewma         = "ewma"
)

// A Signal is a run of the control card that does not look like the bench did
// before. It holds verdicts on this bench until a person has answered it.
type Signal struct {
	Index int       `json:"index"` // run, from 0
	Chart string    `json:"chart"`
	Why   fact.Fact `json:"why"`
}

// A Chart holds what a control chart shows, one entry per run: an individuals
// chart with its moving ranges, and an exponentially weighted moving average.
type Chart struct {
	Runs            []float64   `json:"runs"`
	Center          float64     `json:"center"`
	Sigma           float64     `json:"sigma"`
	Low             float64     `json:"low"`
	High            float64     `json:"high"`
	MeanMovingRange float64     `json:"mean_moving_range"`
	MovingRangeHigh float64     `json:"moving_range_high"`
	EWMA            []float64   `json:"ewma"`
	EWMALow         []float64   `json:"ewma_low"`
	EWMAHigh        []float64   `json:"ewma_high"`
	Signals         []Signal    `json:"signals"`
	Notes           []fact.Fact `json:"notes"`
}

// ControlChart draws the chart of the runs of the control card, oldest first.
// All runs set its limits. Fewer than two runs and runs that are not finite
// numbers are errors.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2
// (individuals chart: mean ± 3·MR/d2).
func ControlChart(runs []float64) (Chart, error) {
	n := len(runs)
	if n == 0 {
		return Chart{}, errors.New("the control card has no runs")
	}
	for i, x := range runs {
		if !finite(x) {
			return Chart{}, fmt.Errorf("run %d of the control card is not a number", i+1)
		}
	}
	if n < 2 {
		return Chart{}, errors.New("a control chart needs at least 2 runs of the control card, there is 1")
	}
	d, err := describe(runs)
	if err != nil {
		return Chart{}, err
	}
	sum := 0.0
	for i := range runs {
		sum += movingRange(runs, i)
	}
	c := chartAround(runs, d.Mean, sum/float64(n-1), newestWeight)
	if n < settledRuns {
		c.Notes = append(c.Notes, fact.New("reference.few-runs", "n", n, "settled", settledRuns))
	}
	if c.Sigma == 0 {
		c.Notes = append(c.Notes, fact.New("reference.equal-runs"))
	}
	return c, nil
}

// movingRange is how far a run lies from the one before; 0 for the first.
func movingRange(runs []float64, i int) float64 { return math.Abs(runs[i] - runs[max(0, i-1)]) }

// chartAround draws the chart of runs that ought to lie about center and differ
// from one to the next by meanRange on average. The weighted average starts at the centre and has
// the exact limits, which widen with the number of runs, so that the first runs
// are held to no more than the later ones.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (weighted
// average; there the steady limits); the exact variance
// σ²·λ/(2−λ)·(1−(1−λ)^(2i)) from memory.
func chartAround(runs []float64, center, meanRange, lambda float64) Chart {
	sigma := meanRange / d2
	c := Chart{
		Runs: runs, Center: center, Sigma: sigma, Low: center - chartWidth*sigma, High: center + chartWidth*sigma,
		MeanMovingRange: meanRange, MovingRangeHigh: d4 * meanRange,
		Signals: []Signal{}, Notes: []fact.Fact{},
	}
	average, forgotten := center, 1.0
	for _, x := range runs {
		average = lambda*x + (1-lambda)*average
		forgotten *= (1 - lambda) * (1 - lambda)
		half := chartWidth * sigma * math.Sqrt(lambda/(2-lambda)*(1-forgotten))
		c.EWMA = append(c.EWMA, average)
		c.EWMALow = append(c.EWMALow, center-half)
		c.EWMAHigh = append(c.EWMAHigh, center+half)
	}
	c.detect()
	return c
}

// detect looks for signals. Equal runs must give none, though their limits have
// no width and their average its rounding.
func (c *Chart) detect() {
	slack := 1e-12 * math.Max(math.Abs(c.Center), c.Sigma)
	show := func(x float64) fact.Amount { return toSpread(fact.In(x, ""), c.Sigma) }
	for i, x := range c.Runs {
		if x < c.Low-slack || x > c.High+slack {
			c.Signals = append(c.Signals, Signal{i, individuals, fact.New("reference.sudden-change",
				"run", i+1, "value", show(x), "low", show(c.Low), "high", show(c.High))})
		}
		if r := movingRange(c.Runs, i); r > c.MovingRangeHigh+slack {
			c.Signals = append(c.Signals, Signal{i, movingRanges, fact.New("reference.jump",
				"run", i+1, "value", show(r), "high", show(c.MovingRangeHigh))})
		}
		if z := c.EWMA[i]; z < c.EWMALow[i]-slack || z > c.EWMAHigh[i]+slack {
			c.Signals = append(c.Signals, Signal{i, ewma, fact.New("reference.lasting-drift",
				"run", i+1, "value", show(z), "low", show(c.EWMALow[i]), "high", show(c.EWMAHigh[i]))})
		}
	}
}
