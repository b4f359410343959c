package scoring

import (
	"math"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
	"proveout/scoring/thermal"
)

var _ = judges(plans.SoakKind, (*judge).soak)

// A soakJudge works on one attempt at one soak.
type soakJudge struct {
	*judge
	spec    *plans.Soak
	heat    heatRun
	options thermal.Options
	known   bool // the thermometer has an instrument with stated limits
	report  thermal.Report
}

// soak judges a timed thermal run: how long it lasted, its peak, whether it
// had settled, and where the chip would sit at the family's rated ambient.
func (j *judge) soak(spec *plans.Soak) { (&soakJudge{judge: j, spec: spec}).run() }

func (j *soakJudge) run() {
	err := j.read()
	if err == nil && j.heat.count == 0 {
		j.check(
			outcome.Check{
				Name:   "peak",
				Title:  fact.New("soak.peak"),
				Unit:   "°C",
				Reason: fact.New("soak.no-temperature"),
			},
		)
		return
	}
	if err == nil {
		j.takeOptions()
		j.report, err = j.heat.rows.Analyse(j.heat.resolution, j.options)
	}
	if err != nil {
		j.check(unusable(fact.New("soak.log"), j.heat.source, err))
		return
	}
	length := j.length()
	if j.spec.Duration != nil {
		stable := j.spec.EndEarly && j.report.Settling == thermal.Stable
		j.check(j.lasted(length, *j.spec.Duration, stable, j.report.Gaps))
	}
	if j.report.Doubt.IsZero() {
		j.judgeHeat(length)
	} else {
		j.check(j.doubted())
	}
	j.out.Findings = append(j.out.Findings, j.report.Sentences...)
	if j.heat.typed {
		j.warning(fact.New("soak.typed-at-intervals"))
	}
	j.out.Warnings = append(j.out.Warnings, j.report.Assumptions...)
	j.circumstances()
	j.out.Figures = append(j.out.Figures, j.temperatureFigure())
	numbers := j.report
	numbers.Curve = nil
	j.detail("thermal", numbers)
}

// doubted is the check of a log that does not speak for the card: nothing else is
// judged from it.
func (j *soakJudge) doubted() outcome.Check {
	return outcome.Check{
		Name: "sensor", Title: fact.New("soak.sensor"), Verdict: conformity.Inconclusive,
		Reason: fact.New("soak.nothing-judged", "why", j.report.Doubt), Settle: parts(j.report.Look),
	}
}

func (j *soakJudge) judgeHeat(length float64) {
	j.ambient()
	j.check(j.peak())
	if j.spec.Stability != nil {
		j.check(j.stable())
	}
	j.atRated()
	j.rise()
	j.throttled(j.report.Throttling, j.spec.ThrottleFail)
	if j.spec.Prove != "" {
		j.check(j.faultGone(&j.spec.Timed, []float64{length}, 0))
	}
}

// read gathers the rows of the attempt's log, or the typed readings.
func (j *soakJudge) read() error {
	j.heat = heatRun{seconds: math.NaN(), place: j.spec.Place(j.in.Family)}
	for i := range j.attempt.Logs {
		log := &j.attempt.Logs[i]
		temp := log.Column("temperature")
		if temp < 0 {
			continue
		}
		if j.heat.count > 0 {
			j.warning(fact.New("soak.several-logs", "judged", j.heat.source, "left", log.Name))
			continue
		}
		if err := j.heat.takeLog(j.in.Files, log, temp); err != nil {
			return err
		}
		if log.Bad > 0 {
			j.warning(fact.New("run.rows-of-all-set-aside", "n", log.Bad, "all", log.Count+log.Bad, "file", log.Name))
		}
	}
	if j.heat.count == 0 {
		j.heat.takeTyped(j.attempt)
	}
	return nil
}

// takeTyped makes rows of typed readings, timed by what was stated with them,
// or else by when they were typed.
func (run *heatRun) takeTyped(a *reading.Attempt) {
	readings := a.All("temperature")
	if len(readings) == 0 {
		return
	}
	run.typed, run.source, run.from = true, fact.New("soak.typed-readings"), readings[len(readings)-1]
	start := a.Started
	if start.IsZero() {
		start = readings[0].At
	}
	ambient := a.All("ambient")
	power := a.All("power")
	for i, r := range readings {
		row := thermal.RowAt(afterStart(r, start), r.Number())
		if len(ambient) == len(readings) {
			row[thermal.Ambient] = ambient[i].Number()
		}
		if len(power) == len(readings) {
			row[thermal.Power] = power[i].Number()
		}
		run.add(row)
		run.resolution = math.Max(run.resolution, r.Resolution)
		if r.Place != "" {
			run.place = r.Place
		}
	}
	if last, ok := a.Latest("duration"); ok {
		run.seconds = last.Number()
	} else if a.Ran > 0 {
		run.seconds = a.Ran
	}
}

func afterStart(r reading.Reading, start time.Time) float64 {
	if r.After != nil {
		return *r.After
	}
	return float64(r.At.UnixMilli())/1000 - float64(start.Unix())
}

// length is how long the soak lasted and was watched, without the holes. A reading
// speaks for the time up to the next one, and for no more than the interval of the
// plan before the first and behind the last.
func (j *soakJudge) length() float64 {
	r := &j.report
	if math.IsNaN(j.heat.seconds) {
		return r.Tested
	}
	if j.spec.Every == nil {
		length := j.heat.seconds
		for _, g := range r.Gaps {
			length -= g.To - g.From
		}
		return length
	}
	every := j.spec.Every.Value
	seen := math.Min(math.Max(r.LoadStart, 0), every) + r.Tested + every
	if r.LoadEnd+every < j.heat.seconds {
		j.warning(fact.New("soak.not-watched-to-the-end",
			"last", minutes(r.LoadEnd), "length", minutes(j.heat.seconds)))
	}
	return math.Min(seen, j.heat.seconds)
}

// ambient judges whether the soak was made in the surroundings that the plan
// asks for. Outside them nothing is said of the card, so it never fails.
func (j *soakJudge) ambient() {
	want := j.spec.Ambient
	if want == nil || !want.Tolerated {
		return
	}
	m := measurand{
		name: "ambient", title: fact.New("soak.ambient"), dimension: quantity.Temperature, unit: "°C",
		limits: tolerated(*want),
	}
	c := missing(m)
	if v := j.report.Ambient; v != nil {
		// The value alone is compared: the range is a condition of the test, and
		// its uncertainty is in the prediction.
		c.Rule = string(plans.Simple)
		c.Value, c.U, c.Text = number(*v), number(2*j.options.AmbientU), fact.Text(j.ambientRead())
		c.Verdict = conformity.Pass
		c.Reason = fact.New("soak.ambient-as-asked", "ambient", c.Text, "limits", c.Limits.Text)
		if *v < *m.limits.Low || *v > *m.limits.High {
			c.Verdict = conformity.Inconclusive
			c.Reason = fact.New("soak.ambient-not-as-asked", "ambient", c.Text, "limits", c.Limits.Text)
			c.Settle = fact.New("soak.ambient-repeat", "limits", c.Limits.Text)
		}
	}
	j.check(c)
}

// ambientRead is the ambient temperature of the run, which is known.
func (j *soakJudge) ambientRead() fact.Amount {
	return fact.In(*j.report.Ambient, "°C").Within(2 * j.options.AmbientU)
}

// soakOptions are what plan and family state of a soak.
func soakOptions(spec *plans.Soak, family *plans.Family) thermal.Options {
	o := thermal.Options{Place: thermal.Place(spec.Place(family))}
	if limit, place := spec.Limit(family); limit != nil {
		o.Limit, o.LimitPlace = &limit.Value, thermal.Place(place)
	}
	if rated := family.Thermal.RatedAmbient; rated != nil {
		o.RatedAmbient = &rated.Value
	}
	if spec.Every != nil {
		o.Every = spec.Every.Value
	}
	if s := spec.Stability; s != nil {
		o.Drift, o.Window = s.Rate.Value*3600, s.Window.Value
	}
	return o
}

// SoakNotice says before a soak that the bench's thermometer cannot show what the
// plan asks for: its display would have to stand still for more than half of the
// soak. It is zero where it can, and where nothing is known of the thermometer.
func SoakNotice(step *plans.Step, family *plans.Family, bench *plans.Bench) fact.Fact {
	soak, ok := step.Spec.(*plans.Soak)
	if !ok || soak.Stability == nil || soak.Duration == nil {
		return fact.Fact{}
	}
	inst, ok := bench.Measuring(quantity.Temperature, soak.Place(family))
	if !ok || inst.Resolution == nil {
		return fact.Fact{}
	}
	rule := soak.Stability
	level := thermal.LevelFor(inst.Resolution.Value, rule.Rate.Value*3600)
	finer := thermal.StepFor(rule.Window.Value, rule.Rate.Value*3600)
	if level <= math.Max(rule.Window.Value, soak.Duration.Value/2) || finer == 0 {
		return fact.Fact{}
	}
	return fact.New("soak.too-coarse", "title", fact.Phrase(inst.Title), "step", *inst.Resolution,
		"rate", rule.Rate, "level", minutes(level), "finer", fact.In(finer, "°C").Whole())
}

// takeOptions states what plan, family, shop and technician know.
func (j *soakJudge) takeOptions() {
	run := &j.heat
	if r, ok := j.attempt.Latest("temperature"); ok && run.from.Instrument == "" {
		run.from.Instrument = r.Instrument
	}
	j.options = soakOptions(j.spec, j.in.Family)
	j.options.GoodRise = j.leastGoodRise()
	var inst *plans.Instrument
	if inst, j.known = j.instrument(run.from, quantity.Temperature); j.known {
		j.options.U = standardOf(inst, run.hottest, 0)
		if inst.Resolution != nil {
			run.resolution = math.Max(run.resolution, inst.Resolution.Value)
		}
		if run.place == "" {
			run.place = inst.Place
		}
		title, limits := fact.Phrase(inst.Title), fact.AsWritten(inst.Limits.Text)
		text := fact.New("soak.thermometer-never-checked", "title", title, "limits", limits)
		if inst.LastCheck != "" {
			text = fact.New("soak.thermometer", "title", title, "limits", limits, "date", fact.Day(inst.LastCheck))
		}
		j.circumstance(fact.New("condition.thermometer"), text)
	} else {
		j.warning(fact.New("soak.no-thermometer"))
	}
	j.options.Place = thermal.Place(run.place)
	if readings := j.attempt.All("ambient"); len(readings) > 0 {
		j.takeAmbient(readings)
	} else if ambient, found := j.instrument(reading.Reading{Place: "ambient"}, quantity.Temperature); found {
		j.options.AmbientU = standardOf(ambient, run.ambient, 0)
	}
}

// takeAmbient takes typed ambient temperatures, with the uncertainty of what
// they were read with.
func (j *soakJudge) takeAmbient(readings []reading.Reading) {
	values := make([]float64, len(readings))
	for i, r := range readings {
		values[i] = r.Number()
	}
	ambient, last := mean(values), readings[len(readings)-1]
	j.options.Ambient = &ambient
	if inst, found := j.instrument(last, quantity.Temperature); found {
		j.options.AmbientU = standardOf(inst, ambient, last.Resolution)
		return
	}
	const unknown = 1 // K; an ambient read without a known instrument (common practice, no source)
	j.options.AmbientU = unknown
	j.warning(fact.New("soak.ambient-without-instrument", "u", fact.In(unknown, "K").Whole()))
}

// standardOf is the standard uncertainty of a thermometer at a temperature, with
// the step of its display; 0 where that is in the readings already.
func standardOf(inst *plans.Instrument, value, step float64) float64 {
	return math.Hypot(standardLimits(inst, quantity.Temperature, value), step/math.Sqrt(12))
}

func (j *soakJudge) peak() outcome.Check {
	title := fact.New("soak.peak")
	if j.heat.place != "" {
		title = fact.New("soak.peak-at", "place", plans.AtPlace(j.heat.place))
	}
	m := measurand{name: "peak", title: title, dimension: quantity.Temperature, unit: "°C"}
	limits := conformity.Limits{High: j.options.Limit}
	lines, _ := j.contributions(j.heat.from, quantity.Temperature, j.report.Peak, j.report.Resolution)
	lines = append(lines, conformity.Contribution{Name: fact.New("soak.noise"),
		Distribution: conformity.Normal, Value: j.report.PeakNoise, K: 1})
	if !j.report.PlaceProblem.IsZero() {
		c := j.judgeValue(m, j.report.Peak, lines, j.known)
		m.limits = limits
		c.Informative, c.Verdict, c.Limits = false, conformity.Inconclusive, limitsIn(m)
		c.Reason = fact.New("thermal.no-judgement", "why", j.report.PlaceProblem)
		c.Settle = fact.New("soak.read-there", "place", plans.AtPlace(string(j.options.LimitPlace)))
		return c
	}
	m.limits, m.source = limits, j.in.Family.Thermal.Source
	c := j.judgeValue(m, j.report.Peak, lines, j.known)
	if j.heat.evidence != "" {
		c.Evidence = []string{j.heat.evidence}
	}
	if c.Verdict == conformity.Fail {
		j.suspect(0.6, fact.New("soak.too-hot", "temp", c.Text), fact.New("soak.too-hot-look"))
	}
	return c
}

func (j *soakJudge) stable() outcome.Check {
	rule, r := j.spec.Stability, &j.report
	c := measurand{
		name: "stability", title: fact.New("soak.stable-at-end"), dimension: quantity.TemperatureRate, unit: "K/h",
		limits: conformity.Between(-rule.Rate.Value, rule.Rate.Value), source: rule.Source,
	}.unread()
	if r.SlopePerHour == nil {
		c.Verdict = conformity.Inconclusive
		c.Reason, c.Settle = fact.New("soak.no-rate", "window", rule.Window), fact.New("soak.log-more-often")
		return c
	}
	rate := r.Slope()
	if ci := r.SlopeCI; ci != nil {
		c.U = number((ci[1] - ci[0]) / 2)
	}
	c.Value, c.Text = number(*r.SlopePerHour), fact.Text(rate)
	window := minutes(*r.SlopeWindow)
	switch r.Settling {
	case thermal.CannotTell:
		c.Verdict = conformity.Inconclusive
		c.Reason = fact.New("soak.cannot-tell", "rate", rate, "window", window, "allowed", rule.Rate)
		c.Settle = parts(r.Settle)
	case thermal.Stable:
		c.Verdict = conformity.Pass
		c.Reason = fact.New("soak.settled", "rate", rate, "window", window, "allowed", rule.Rate)
		if r.StableSince != nil {
			since := fact.New("soak.stable-since", "time", minutes(*r.StableSince-r.LoadStart))
			c.Reason = fact.Text(fact.Sentences(c.Reason, since))
		}
	default:
		c.Verdict = conformity.Inconclusive
		c.Reason = fact.New("soak.not-settled", "rate", rate, "window", window, "allowed", rule.Rate)
		c.Settle = fact.New("soak.longer")
	}
	return c
}

// atRated judges, or only shows, the temperature expected at the family's
// rated ambient.
func (j *soakJudge) atRated() {
	rated := j.in.Family.Thermal.RatedAmbient
	if rated == nil || j.options.Limit == nil {
		return
	}
	m := measurand{
		name: "at-rated-ambient", title: fact.New("soak.at-rated", "rated", rated),
		dimension: quantity.Temperature, unit: "°C",
		limits: conformity.AtMost(*j.options.Limit), source: j.in.Family.Thermal.Source,
	}
	if j.report.Predicted == nil || j.report.PredictedU == nil {
		if j.spec.AtRated {
			why := j.report.Why
			if j.report.MayPredict() { // it is not a curve that lacks
				why = fact.New("soak.ambient-not-read")
			}
			c := missing(m)
			c.Verdict, c.Reason = conformity.Inconclusive, fact.New("soak.no-prediction", "rated", rated, "why", why)
			c.Settle = parts(j.report.Settle)
			j.check(c)
		}
		return
	}
	line := conformity.Contribution{Name: fact.New("soak.prediction"),
		Distribution: conformity.Normal, Value: *j.report.PredictedU, K: 1}
	c := j.judgeValue(m, *j.report.Predicted, []conformity.Contribution{line}, j.known)
	c.Informative = !j.spec.AtRated
	if !j.spec.AtRated && c.Verdict != conformity.Pass {
		c.Reason = fact.Text(fact.Sentences(c.Reason, fact.New("soak.only-shown")))
	}
	j.check(c)
}

// rise compares the rise over ambient with that of the family's good cards.
func (j *soakJudge) rise() {
	if !j.spec.CompareRise {
		return
	}
	c := outcome.Check{Name: "rise", Title: fact.New("soak.rise"), Unit: "K"}
	switch rise, u := j.report.Rise, j.report.RiseU; {
	case rise == nil || u == nil:
		why := j.report.Why
		if j.report.Ambient == nil {
			why = fact.New("soak.ambient-not-read")
		}
		c.Verdict, c.Reason = conformity.Inconclusive, fact.New("soak.no-rise", "why", why)
	case !j.known:
		c.Value, c.Text = number(*rise), fact.Text(fact.In(*rise, "K"))
		c.Verdict, c.Reason = conformity.Inconclusive, fact.New("soak.rise-without-thermometer", "rise", c.Text)
		c.Settle = fact.New("soak.state-thermometer")
	default:
		j.riseAgainstSet(&c, *rise, *u)
		if c.Verdict == conformity.Fail {
			j.suspect(0.7, fact.New("soak.rises-too-much", "rise", c.Text), fact.New("soak.rises-too-much-look"))
		}
	}
	j.check(c)
}

func (j *soakJudge) circumstances() {
	if j.heat.place != "" {
		j.circumstance(fact.New("condition.sensor"), plans.AtPlace(j.heat.place))
	}
	if j.report.Ambient != nil {
		j.circumstance(fact.New("condition.ambient"), fact.Text(j.ambientRead()))
	}
	j.circumstance(fact.New("condition.readings"),
		fact.New("soak.readings", "n", j.report.Readings, "source", j.heat.source))
}

func (j *soakJudge) temperatureFigure() outcome.Figure {
	r := &j.report
	f := outcome.Figure{
		ID: "soak", Step: j.step.ID, Title: fact.New("figure.temperature"),
		Source: j.heat.source, Samples: int64(r.Readings),
		X: axis(fact.New("figure.axis-time"), "min"), Y: axis(fact.New("figure.axis-temperature"), "°C"),
		Alt: fact.New("figure.temperature-alt", "time", minutes(r.LoadEnd-r.LoadStart),
			"peak", fact.In(r.Peak, "°C").To(0.1), "at", minutes(r.PeakAt-r.LoadStart)),
	}
	measured := outcome.Series[fact.Fact]{Name: fact.New("figure.measured"), Style: outcome.Line}
	if j.heat.typed {
		measured.Style = outcome.Points
	}
	fit := outcome.Series[fact.Fact]{Name: fact.New("figure.fitted-rise"), Style: outcome.Dashed}
	band := outcome.Curve{}
	for _, p := range r.Curve {
		x := p.Time / 60
		measured.Add(x, p.Temp)
		if p.Fit != nil {
			fit.Add(x, *p.Fit)
		}
		if p.Low != nil && p.High != nil {
			band.X, band.Low, band.High = append(band.X, x), append(band.Low, *p.Low), append(band.High, *p.High)
		}
	}
	f.Series = append(f.Series, measured)
	if len(fit.X) > 1 {
		f.Series = append(f.Series, fit)
	}
	if len(band.X) > 1 {
		f.Bands = append(f.Bands, outcome.Band[fact.Fact]{Name: fact.New("figure.readings-expected"), Curve: &band})
	}
	if j.options.Limit != nil {
		f.Limits = append(f.Limits, outcome.LimitLine[fact.Fact]{Name: fact.New("figure.limit"), At: *j.options.Limit})
	}
	if r.Ambient != nil {
		f.Limits = append(f.Limits, outcome.LimitLine[fact.Fact]{Name: fact.New("figure.ambient"), At: *r.Ambient})
	}
	return f
}
