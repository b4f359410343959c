package reference

import (
	"errors"
	"fmt"
	"math"
)

// Constants of moving ranges of two, as control-chart tables print them.
//
// Source: ASTM manual on presentation of data, table of control-chart
// constants, n = 2, second hand; NIST/SEMATECH e-Handbook, 6.3.2.2 (d2).
const (
	d2 = 1.128
	d4 = 3.267
)

// The charts a signal comes from.
const (
	Individuals = "individuals"
	MovingRange = "moving range"
	EWMA        = "ewma"
)

// ChartOptions choose how a control chart is drawn.
type ChartOptions struct {
	// Baseline is the number of first runs that set the limits; zero means all.
	Baseline int
	// Target and Sigma, where stated, stand in for the mean of the baseline and
	// for the standard deviation by its moving ranges. Sigma is above zero.
	Target *float64
	Sigma  *float64
	// Lambda is the weight of the newest run in the EWMA, above 0 up to 1; zero
	// means 0.2. Width is the half-width of all limits in standard deviations;
	// zero means 3.
	Lambda float64
	Width  float64
}

// A Signal is a run of the control card that does not look like the bench did
// before. It holds verdicts on this bench until a person has answered it.
type Signal struct {
	Index int     `json:"index"` // run, from 0
	Chart string  `json:"chart"`
	Value float64 `json:"value"` // the plotted value
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
	Why   string  `json:"why"`
}

// A Chart holds what a control chart shows, one entry per run: an individuals
// chart with its moving ranges, and an exponentially weighted moving average.
type Chart struct {
	Runs     []float64 `json:"runs"`
	Baseline int       `json:"baseline"`
	Center   float64   `json:"center"`
	Sigma    float64   `json:"sigma"`
	Low      float64   `json:"low"`
	High     float64   `json:"high"`
	// MovingRanges[i] is the distance of run i from run i−1; the first is 0 and
	// means nothing.
	MovingRanges    []float64 `json:"moving_ranges"`
	MeanMovingRange float64   `json:"mean_moving_range"`
	MovingRangeHigh float64   `json:"moving_range_high"`
	EWMA            []float64 `json:"ewma"`
	EWMALow         []float64 `json:"ewma_low"`
	EWMAHigh        []float64 `json:"ewma_high"`
	Signals         []Signal  `json:"signals"`
	Notes           []string  `json:"notes"`
}

// ControlChart draws the chart of the runs of the control card, oldest first.
// The EWMA starts at the centre and has the exact limits that widen with the
// number of runs. Fewer than two runs in the baseline without stated Target
// and Sigma, runs that are not finite numbers and options out of range are
// errors.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2
// (individuals chart: mean ± 3·MR/d2) and 6.3.2.4 (EWMA; there the steady
// limits); the exact variance σ²·λ/(2−λ)·(1−(1−λ)^(2i)) from memory.
func ControlChart(runs []float64, o ChartOptions) (Chart, error) {
	if o.Lambda == 0 {
		o.Lambda = 0.2
	}
	if o.Width == 0 {
		o.Width = 3
	}
	if o.Baseline == 0 {
		o.Baseline = len(runs)
	}
	if err := o.check(runs); err != nil {
		return Chart{}, err
	}
	c := Chart{Runs: runs, Baseline: o.Baseline, MovingRanges: make([]float64, len(runs)), Signals: []Signal{}, Notes: []string{}}
	for i := 1; i < len(runs); i++ {
		c.MovingRanges[i] = math.Abs(runs[i] - runs[i-1])
	}
	if err := c.limits(o); err != nil {
		return Chart{}, err
	}
	c.average(o)
	c.detect()
	return c, nil
}

func (o ChartOptions) check(runs []float64) error {
	if len(runs) == 0 {
		return errors.New("the control card has no runs")
	}
	for i, x := range runs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Errorf("run %d of the control card is not a number", i+1)
		}
	}
	switch {
	case o.Baseline < 0 || o.Baseline > len(runs):
		return fmt.Errorf("a baseline of %d runs does not fit %d runs", o.Baseline, len(runs))
	case !(o.Lambda > 0 && o.Lambda <= 1):
		return fmt.Errorf("the weight of the newest run lies above 0 and up to 1, not at %g", o.Lambda)
	case !(o.Width > 0) || math.IsInf(o.Width, 0):
		return fmt.Errorf("the width of the limits is above 0, not %g", o.Width)
	case o.Sigma != nil && (!(*o.Sigma > 0) || math.IsInf(*o.Sigma, 0)):
		return errors.New("a stated standard deviation is above 0")
	case o.Target != nil && (math.IsNaN(*o.Target) || math.IsInf(*o.Target, 0)):
		return errors.New("a stated target is a number")
	}
	return nil
}

func (c *Chart) limits(o ChartOptions) error {
	if o.Target == nil || o.Sigma == nil {
		if o.Baseline < 2 {
			return fmt.Errorf("a control chart needs at least 2 runs of the control card, there is %d", o.Baseline)
		}
		d, err := Describe(c.Runs[:o.Baseline])
		if err != nil {
			return err
		}
		c.Center = d.Mean
		c.MeanMovingRange = sum(c.MovingRanges[1:o.Baseline], 0) / float64(o.Baseline-1)
		c.Sigma = c.MeanMovingRange / d2
		if o.Baseline < 20 {
			c.Notes = append(c.Notes, fmt.Sprintf("The limits rest on %d runs of the control card; they are preliminary until there are about 20.", o.Baseline))
		}
	}
	if o.Target != nil {
		c.Center = *o.Target
	}
	if o.Sigma != nil {
		c.Sigma = *o.Sigma
		c.MeanMovingRange = d2 * c.Sigma
	}
	if c.Sigma == 0 {
		c.Notes = append(c.Notes, "All runs of the baseline are equal, so the limits have no width and any change is a signal.")
	}
	c.Low, c.High = c.Center-o.Width*c.Sigma, c.Center+o.Width*c.Sigma
	c.MovingRangeHigh = d4 * c.MeanMovingRange
	return nil
}

func (c *Chart) average(o ChartOptions) {
	z, rest := c.Center, 1.0
	for _, x := range c.Runs {
		z = o.Lambda*x + (1-o.Lambda)*z
		rest *= (1 - o.Lambda) * (1 - o.Lambda)
		half := o.Width * c.Sigma * math.Sqrt(o.Lambda/(2-o.Lambda)*(1-rest))
		c.EWMA = append(c.EWMA, z)
		c.EWMALow = append(c.EWMALow, c.Center-half)
		c.EWMAHigh = append(c.EWMAHigh, c.Center+half)
	}
}

func (c *Chart) detect() {
	slack := 1e-12 * math.Max(math.Abs(c.Center), c.Sigma)
	show := figures(c.Sigma, "")
	for i, x := range c.Runs {
		if x < c.Low-slack || x > c.High+slack {
			c.Signals = append(c.Signals, Signal{i, Individuals, x, c.Low, c.High,
				fmt.Sprintf("run %d, %s, lies outside %s to %s: a sudden change", i+1, show(x), show(c.Low), show(c.High))})
		}
		if r := c.MovingRanges[i]; r > c.MovingRangeHigh+slack {
			c.Signals = append(c.Signals, Signal{i, MovingRange, r, 0, c.MovingRangeHigh,
				fmt.Sprintf("run %d differs from the run before by %s, more than %s: a jump", i+1, show(r), show(c.MovingRangeHigh))})
		}
		if z := c.EWMA[i]; z < c.EWMALow[i]-slack || z > c.EWMAHigh[i]+slack {
			c.Signals = append(c.Signals, Signal{i, EWMA, z, c.EWMALow[i], c.EWMAHigh[i],
				fmt.Sprintf("at run %d the running average, %s, lies outside %s to %s: a lasting drift", i+1, show(z), show(c.EWMALow[i]), show(c.EWMAHigh[i]))})
		}
	}
}
