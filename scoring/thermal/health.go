package thermal

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"proveout/plans/fact"
	"proveout/scoring/holes"
)

// Health says whether a log can speak for a card at all. With a doubt nothing is
// judged from it.
type Health struct {
	Doubt   fact.Fact    `json:"doubt,omitzero"`
	Look    []fact.Fact  `json:"look,omitempty"`  // what to look at
	Loads   []holes.Hole `json:"loads,omitempty"` // when there are several; the longest is judged
	Cycling *Cycling     `json:"cycling,omitempty"`
}

// A sensor that shows less of a load than this is not believed to be on the card
// (common practice, no source): a rise of 2 °C or three display steps, or of half
// of what the least known-good card rises; 70 % of that over ambient.
const (
	leastRise  = 2   // °C
	leastSteps = 3   // display steps
	leastShare = 0.7 // of the rise of the least known-good card
)

// takeHealth asks what else than a warm card would have given these readings.
func (r *Report) takeHealth(log, load samples, o Options) {
	if r.Doubt = r.doubt(log, load, o); !r.Doubt.IsZero() && r.Settling == Stable {
		r.Settling, r.StableSince = CannotTell, nil
	}
}

func (r *Report) doubt(log, load samples, o Options) fact.Fact {
	sensor, running := fact.New("thermal.look-sensor"), fact.New("thermal.look-load")
	if r.Impossible > max(3, (r.Readings+r.Impossible)/20) {
		r.Look = []fact.Fact{fact.New("thermal.look-cable")}
		return fact.New("thermal.doubt-impossible", "n", r.Impossible, "all", r.Readings+r.Impossible)
	}
	if len(r.Leaps) > 0 {
		r.Look = []fact.Fact{fact.New("thermal.look-cable"), sensor}
		return fact.New("thermal.doubt-leap", "at", inMinutes(r.Leaps[0].To))
	}
	if len(load.temp) < 5 {
		return fact.Fact{} // too few for any judgement, which is said elsewhere
	}
	r.Look = []fact.Fact{sensor, running}
	level := fact.In(load.temp[len(load.temp)-1], "°C").To(load.resolution)
	if slices.Min(load.temp) == slices.Max(load.temp) {
		return fact.New("thermal.doubt-never-moved", "n", len(load.temp), "level", level)
	}
	if at, due, ok := frozen(load); ok {
		r.Look = []fact.Fact{sensor, fact.New("thermal.look-program")}
		if due == 0 {
			return fact.New("thermal.doubt-silent", "at", inMinutes(at), "level", level)
		}
		return fact.New("thermal.doubt-frozen", "at", inMinutes(at), "level", level,
			"due", fact.In(due, "°C").To(0.1))
	}
	needed := math.Max(leastRise, leastSteps*load.resolution)
	if o.GoodRise > 0 {
		needed = math.Min(needed, o.GoodRise/2)
	}
	if rose := roseUnder(log, load); rose < needed {
		return fact.New("thermal.doubt-no-rise", "rise", fact.In(math.Max(0, rose), "°C").To(0.1),
			"needed", fact.In(needed, "°C").To(0.1))
	}
	if over, u, ok := r.overAmbient(load); ok && over < needed {
		return fact.New("thermal.doubt-room", "rise", fact.In(over, "°C").To(0.1),
			"needed", fact.In(needed, "°C").To(0.1))
	} else if ok && o.GoodRise > 0 && r.Settling != StillRising && over+2*u < leastShare*o.GoodRise {
		r.Look = append(r.Look, fact.New("thermal.look-workload"))
		return fact.New("thermal.doubt-little", "rise", fact.In(over, "°C").To(0.1),
			"good", fact.In(o.GoodRise, "°C").To(0.1))
	}
	r.Look = nil
	return fact.Fact{}
}

func inMinutes(seconds float64) fact.Amount { return fact.In(seconds/60, "min").To(0.1) }

// overAmbient is how much warmer than its surroundings the sensor was at the end,
// with its standard uncertainty; false where the surroundings are not known.
func (r *Report) overAmbient(load samples) (over, u float64, ok bool) {
	switch {
	case r.Ambient == nil:
		return 0, 0, false
	case r.Rise != nil:
		return *r.Rise, *r.RiseU, true
	}
	tail := load.temp[len(load.temp)-max(1, len(load.temp)/20):]
	return stat.Mean(tail, nil) - *r.Ambient, math.Hypot(r.PeakU, *r.AmbientU), true
}

// roseUnder is how far the load raised the temperature, or how far it fell when
// the load was over: either shows that the sensor saw the load.
func roseUnder(log, load samples) float64 {
	n := len(load.temp)
	_, means := stretchMeans(load.time, load.temp, min(20, n))
	top := slices.Max(means)
	rose := top - stat.Mean(load.temp[:min(5, n/10+1)], nil)
	after := log.temp[len(log.temp)-min(5, len(log.temp)/10+1):]
	if log.time[len(log.time)-1] > load.time[n-1] {
		rose = math.Max(rose, top-stat.Mean(after, nil))
	}
	return rose
}

// frozen finds the moment from which every reading is the same although the
// temperature must still change: by due °C, because of how it rose before; or, with
// due 0, because noise moved the readings before and does no longer.
func frozen(load samples) (at, due float64, ok bool) {
	n := len(load.temp)
	first := n - 1
	for first > 0 && math.Abs(load.temp[first-1]-load.temp[n-1]) < 1e-9 {
		first--
	}
	same, rest := n-first, load.time[n-1]-load.time[first]
	if first < 3 || same < 5 || rest < 60 || fanSteps(load, first) {
		return 0, 0, false
	}
	at = load.time[first]
	// Noise of 0.35 display steps turns the display over in one of seven readings at
	// the least, wherever it stands: 60 equal ones are a chance of 1 in 10⁴.
	q := load.resolution
	if same >= 60 && first >= 60 && q > 0 && jitter(load.temp[:first]) > square(q)/12+square(0.35*q) {
		return at, 0, true
	}
	for _, skipped := range [...]float64{0, 0.3} { // what comes first may be a chip on its heatsink
		from := load.time[0] + skipped*(at-load.time[0])
		if due, ok = stillDue(load.between(from, load.time[first]), load.temp[n-1], load.time[n-1]); ok {
			return at, due, true
		}
	}
	return at, 0, false
}

// stillDue is by how much the temperature still had to change until end, after it
// went as before and stood at level from then on; true where that is more than display
// and noise explain.
func stillDue(before samples, level, end float64) (due float64, ok bool) {
	times, temps := thinned(before.time, before.temp, 200)
	n := len(times)
	if n < 4 {
		return 0, false
	}
	origin, span := times[0], times[n-1]-times[0]
	shifted := make([]float64, n)
	for i, t := range times {
		shifted[i] = t - origin
	}
	rest := end - times[n-1]
	height := slices.Max(temps) - slices.Min(temps)
	needed := max(1.5*before.resolution, 0.5, 0.06*height)
	s, err := fit(riseModel, shifted, temps, guessRise(shifted, temps, nil), 0, brief)
	if n >= 5 && err == nil && s.b[2] < 3*span {
		c := curve{rise: rise{s.b[0], s.b[1], s.b[2]}, model: riseModel, known: known{cov: s.cov}}
		c.fit = s
		// A few readings that a curve meets by chance know it no better than they are rounded.
		u := c.u(end-origin) * math.Max(1, 0.3*before.resolution/(s.sigma+1e-9))
		due = c.at(end-origin) - level
		return due, math.Abs(due) > math.Max(needed, 4*s.sigma)+3*u
	}
	if n >= 20 {
		needed = math.Max(needed, 4*math.Sqrt(jitter(temps)))
	}
	// Too few for a curve, or almost a straight line: it goes on for a quarter of what
	// it went, or for most of the time constant of a small card, at the least (common
	// practice, no source).
	last := max(0, n-max(2, n/4))
	due = (temps[n-1] - temps[last]) / (shifted[n-1] - shifted[last]) * min(rest, max(span/4, 40))
	return due, math.Abs(due) > needed
}

// jitter is the variance of the scatter from reading to reading, free of any slope:
// from second differences.
func jitter(values []float64) float64 {
	sum := 0.0
	for i := 2; i < len(values); i++ {
		sum += square(values[i] - 2*values[i-1] + values[i-2])
	}
	return sum / 6 / float64(len(values)-2)
}

// fanSteps says whether the fan, the clock or the power changed near a row, which
// explains that the temperature stops rising there.
func fanSteps(load samples, at int) bool {
	for _, q := range [...]Quantity{Fan, Clock, Power} {
		if len(load.other[q]) == 0 {
			continue
		}
		before := finiteOf(load.other[q][max(0, at-40):max(1, at-10)])
		after := finiteOf(load.other[q][at:min(len(load.other[q]), at+20)])
		if len(before) > 0 && len(after) > 0 {
			from, to := stat.Mean(before, nil), stat.Mean(after, nil)
			if math.Abs(to-from) > 0.05*math.Max(math.Abs(from), math.Abs(to)) {
				return true
			}
		}
	}
	return false
}
