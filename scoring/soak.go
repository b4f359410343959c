package scoring

import (
	"fmt"
	"math"
	"strings"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/figure"
	"proveout/scoring/thermal"
)

var _ = judges(plans.SoakKind, (*judge).soak)

// A soakJudge works on one attempt at one soak.
type soakJudge struct {
	*judge
	spec *plans.Soak
}

// soak judges a timed thermal run: how long it lasted, its peak, whether it
// had settled, and where the chip would sit at the family's rated ambient.
func (j *judge) soak(spec *plans.Soak) { (&soakJudge{j, spec}).run() }

func (j *soakJudge) run() {
	run, err := j.soakRows()
	if err != nil {
		j.check(Check{Name: "log", Title: english("Temperature log"), Verdict: conformity.Inconclusive, Reason: english(endSentence(err.Error()))})
		return
	}
	if run.count == 0 {
		j.check(Check{Name: "peak", Title: english("Peak temperature"), Unit: "°C", Reason: english("No temperature was read.")})
		return
	}
	options, known := j.soakOptions(&run)
	report, err := run.rows.Analyse(run.resolution, options)
	if err != nil {
		j.check(Check{Name: "log", Title: english("Temperature log"), Verdict: conformity.Inconclusive,
			Reason: english(endSentence(saidOfError(err)))})
		return
	}
	stableEnd := j.spec.EndEarly && report.Stable != nil && *report.Stable
	length := j.soakLength(&run, &report)
	if j.spec.Duration != nil {
		j.check(j.lasted(length, *j.spec.Duration, stableEnd))
	}
	j.ambient(&report, options)
	j.check(j.peak(&run, &report, known))
	if j.spec.Stability != nil {
		j.check(j.stable(&report))
	}
	j.atRated(&report, known)
	j.rise(&report, known)
	j.throttled(report.Throttling, j.spec.ThrottleFail)
	if j.spec.Prove != "" {
		j.prove(&j.spec.Timed, []float64{length}, 0)
	}
	for _, s := range saidAll(report.Sentences) {
		j.remark("%s", s)
	}
	if run.typed {
		j.doubt("the readings were typed at intervals; a peak between them is not seen")
	}
	for _, a := range saidAll(report.Assumptions) {
		j.doubt("%s", a)
	}
	j.soakConditions(&run, &report, options)
	j.out.Figures = append(j.out.Figures, j.soakFigure(&run, &report, options))
	curve := report.Curve
	report.Curve = nil
	j.out.Detail = map[string]any{"thermal": report}
	report.Curve = curve
}

// soakRows gathers the rows of the attempt's logs, or the typed readings.
func (j *soakJudge) soakRows() (heatRun, error) {
	run := heatRun{seconds: math.NaN(), place: j.spec.Place(j.in.Family)}
	for i := range j.attempt.Logs {
		log := &j.attempt.Logs[i]
		temp := log.Column("temperature")
		if temp < 0 {
			continue
		}
		if run.count > 0 {
			j.doubt("several temperature logs were imported; %s was judged and %s was not", run.source, log.Name)
			continue
		}
		if err := run.takeLog(j.in.Files, log, temp); err != nil {
			return run, fmt.Errorf("%s: %w", log.Name, err)
		}
		if log.Bad > 0 {
			j.doubt("%d of %d rows of %s were set aside", log.Bad, log.Count+log.Bad, log.Name)
		}
	}
	if run.count > 0 {
		return run, nil
	}
	run.takeTyped(j.attempt)
	return run, nil
}

// takeTyped makes rows of typed readings, timed by what was stated with them,
// or else by when they were typed.
func (run *heatRun) takeTyped(a *reading.Attempt) {
	readings := a.All("temperature")
	if len(readings) == 0 {
		return
	}
	run.typed, run.source, run.from = true, "typed readings", readings[len(readings)-1]
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
		run.timed = run.timed || r.After != nil
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

func afterStart(r reading.Reading, start interface{ Unix() int64 }) float64 {
	if r.After != nil {
		return *r.After
	}
	return float64(r.At.UnixMilli())/1000 - float64(start.Unix())
}

// soakLength is how long the soak lasted and was watched. A stated duration
// counts no further than one interval of the plan behind the last reading whose
// time was stated.
func (j *soakJudge) soakLength(run *heatRun, report *thermal.Report) float64 {
	if math.IsNaN(run.seconds) {
		return report.LoadEnd - report.LoadStart
	}
	if run.timed && j.spec.Every != nil {
		if seen := report.LoadEnd + j.spec.Every.Value; seen < run.seconds {
			j.doubt("the last temperature was read %s after the beginning; nothing is known of the rest of %s", minutes(report.LoadEnd), minutes(run.seconds))
			return seen
		}
	}
	return run.seconds
}

// ambient judges whether the soak was made in the surroundings that the plan
// asks for. Outside them nothing is said of the card, so it never fails.
func (j *soakJudge) ambient(report *thermal.Report, o thermal.Options) {
	want := j.spec.Ambient
	if want == nil || !want.Tolerated {
		return
	}
	m := measurand{name: "ambient", title: english("Ambient temperature"), dimension: quantity.Temperature, unit: "°C", limits: tolerated(*want)}
	if report.Ambient == nil {
		j.check(missing(m))
		return
	}
	// The value alone is compared: the range is a condition of the test, and
	// its uncertainty is in the prediction.
	c := Check{Name: m.name, Title: m.title, Unit: m.unit, Limits: limitsIn(m), Value: number(*report.Ambient),
		U: number(2 * o.AmbientU), Text: english(showValue(*report.Ambient, 2*o.AmbientU, m.unit)), Rule: string(plans.Simple)}
	if v := *report.Ambient; v >= *m.limits.Low && v <= *m.limits.High {
		c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("The surroundings were at %s, as the plan asks (%s).", said(c.Text), said(c.Limits.Text)))
	} else {
		c.Verdict, c.Reason = conformity.Inconclusive, english(fmt.Sprintf("The surroundings were at %s; the plan asks for %s.", said(c.Text), said(c.Limits.Text)))
		c.Settle = english("Repeat the soak in surroundings of " + said(c.Limits.Text) + ".")
	}
	j.check(c)
}

// soakOptions states what plan, family, shop and technician know. known is
// false when the sensor has no instrument with stated limits.
func (j *soakJudge) soakOptions(run *heatRun) (o thermal.Options, known bool) {
	family := j.in.Family
	if r, ok := j.attempt.Latest("temperature"); ok && run.from.Instrument == "" {
		run.from.Instrument = r.Instrument
	}
	inst, ok := j.instrument(run.from, quantity.Temperature)
	if ok {
		o.U = conformityStandard(inst, quantity.Temperature, run.hottest, 0)
		if inst.Resolution != nil {
			run.resolution = math.Max(run.resolution, inst.Resolution.Value)
		}
		if run.place == "" {
			run.place = inst.Place
		}
		j.condition("thermometer", fmt.Sprintf("%s, limits %s, last checked %s", inst.Title, inst.Limits.Text, orUnknown(inst.LastCheck)))
	} else {
		j.doubt("no thermometer with stated limits is named, so the uncertainty of the temperature is not known")
	}
	o.Place = thermal.Place(run.place)
	if readings := j.attempt.All("ambient"); len(readings) > 0 {
		values := make([]float64, len(readings))
		for i, r := range readings {
			values[i] = r.Number()
		}
		a := mean(values)
		o.Ambient = &a
		if ambient, found := j.instrument(readings[len(readings)-1], quantity.Temperature); found {
			o.AmbientU = conformityStandard(ambient, quantity.Temperature, a, readings[len(readings)-1].Resolution)
		} else {
			o.AmbientU = 1 // K; an ambient read without a known instrument (common practice, no source)
			j.doubt("no instrument is stated for the ambient temperature; a standard uncertainty of 1 K is taken")
		}
	} else if ambient, found := j.instrument(reading.Reading{Place: "ambient"}, quantity.Temperature); found {
		o.AmbientU = conformityStandard(ambient, quantity.Temperature, run.ambient, 0)
	}
	if limit, place := j.spec.Limit(j.in.Family); limit != nil {
		v := limit.Value
		o.Limit, o.LimitPlace = &v, thermal.Place(place)
	}
	if family.Thermal.RatedAmbient != nil {
		v := family.Thermal.RatedAmbient.Value
		o.RatedAmbient = &v
	}
	if s := j.spec.Stability; s != nil {
		o.Drift = s.Rate.Value * 3600
		o.Window = s.Window.Value
	}
	return o, ok
}

func orUnknown(s string) string {
	if s == "" {
		return "at an unknown date"
	}
	return s
}

// conformityStandard is the standard uncertainty of an instrument at a value,
// with the step of its display when one is given.
func conformityStandard(inst *plans.Instrument, dim quantity.Dimension, value, step float64) float64 {
	lines := []conformity.Contribution{conformity.InstrumentLimits(phrase(inst.Title), instrumentLimits(inst, dim, value), inst.Coverage)}
	if step > 0 {
		lines = append(lines, conformity.Resolution(english("display"), step))
	}
	b, err := conformity.Combine(lines...)
	if err != nil {
		return math.NaN()
	}
	return b.Standard
}

func (j *soakJudge) peak(run *heatRun, report *thermal.Report, known bool) Check {
	limit, place := j.spec.Limit(j.in.Family)
	m := measurand{name: "peak", title: english("Peak temperature"), dimension: quantity.Temperature, unit: "°C", source: j.in.Family.Thermal.Source}
	if run.place != "" {
		m.title = english("Peak temperature at the " + run.place)
	}
	if limit != nil {
		m.limits = conformity.AtMost(limit.Value)
	}
	lines, _ := j.contributions(run.from, quantity.Temperature, report.Peak, report.Resolution)
	if !report.PlaceProblem.IsZero() && limit != nil {
		c := j.judgeValue(measurand{name: m.name, title: m.title, dimension: m.dimension, unit: m.unit}, report.Peak, lines, known)
		c.Informative, c.Verdict, c.Limits = false, conformity.Inconclusive, limitsIn(m)
		c.Reason = english(endSentence(said(report.PlaceProblem)))
		c.Settle = english(fmt.Sprintf("Read the temperature at the %s, or state the offset between the two places with its uncertainty.", place))
		return c
	}
	c := j.judgeValue(m, report.Peak, lines, known)
	if run.evidence != "" {
		c.Evidence = []string{run.evidence}
	}
	if c.Verdict == conformity.Fail {
		j.cause(0.6, "the chip runs too hot ("+said(c.Text)+")", "Heatsink seating and clips, thermal compound, the fan and its plug, dust; then the core voltage and clock.")
	}
	return c
}

func (j *soakJudge) stable(report *thermal.Report) Check {
	s := j.spec.Stability
	c := Check{Name: "stability", Title: english("Stable at the end"), Unit: "K/h", Source: english(s.Source),
		Limits: limitsIn(measurand{unit: "K/h", dimension: quantity.TemperatureRate, limits: conformity.Between(-s.Rate.Value, s.Rate.Value)})}
	if report.SlopePerHour == nil {
		c.Verdict, c.Reason = conformity.Inconclusive, english("The rate of change over the last "+s.Window.Text+" is not known.")
		c.Settle = english("Log the temperature once a second, or type it more often.")
		return c
	}
	c.Value, c.Text = number(*report.SlopePerHour), english(fmt.Sprintf("%+.2f K/h", *report.SlopePerHour))
	if ci := report.SlopeCI; ci != nil {
		half := (ci[1] - ci[0]) / 2
		c.U, c.Text = number(half), english(fmt.Sprintf("(%+.2f ± %.2f) K/h", *report.SlopePerHour, half))
	}
	switch {
	case report.Stable == nil:
		c.Verdict = conformity.Inconclusive
		c.Reason = english(fmt.Sprintf("Whether it had settled cannot be told: %s over the last %s, with %s allowed.", said(c.Text), s.Window.Text, s.Rate.Text))
		c.Settle = english(strings.Join(saidAll(report.Settle), "; "))
	case *report.Stable:
		c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("Settled: %s over the last %s, %s allowed.", said(c.Text), s.Window.Text, s.Rate.Text))
		if report.StableSince != nil {
			c.Reason = english(said(c.Reason) + fmt.Sprintf(" Stable since %s.", minutes(*report.StableSince-report.LoadStart)))
		}
	default:
		c.Verdict, c.Reason = conformity.Inconclusive, english(fmt.Sprintf("Not settled: %s over the last %s, %s allowed; the peak may still be to come.", said(c.Text), s.Window.Text, s.Rate.Text))
		c.Settle = english("Soak longer, until the rule is met.")
	}
	return c
}

// atRated judges, or only shows, the temperature expected at the family's
// rated ambient.
func (j *soakJudge) atRated(report *thermal.Report, known bool) {
	rated := j.in.Family.Thermal.RatedAmbient
	limit, _ := j.spec.Limit(j.in.Family)
	if rated == nil || limit == nil {
		return
	}
	m := measurand{name: "at-rated-ambient", title: english("Expected at " + rated.Text + " ambient"), dimension: quantity.Temperature, unit: "°C",
		limits: conformity.AtMost(limit.Value), source: j.in.Family.Thermal.Source}
	if report.Predicted == nil || report.PredictedU == nil {
		if j.spec.AtRated {
			c := missing(m)
			c.Verdict, c.Reason = conformity.Inconclusive, english("No prediction for "+rated.Text+": "+endSentence(firstNonEmpty(said(report.Why), "the ambient temperature of the run is not known")))
			c.Settle = english(strings.Join(saidAll(report.Settle), "; "))
			j.check(c)
		}
		return
	}
	line := conformity.Contribution{Name: english("prediction (fit, sensor, ambient)"), Distribution: conformity.Normal, Value: *report.PredictedU, K: 1}
	c := j.judgeValue(m, *report.Predicted, []conformity.Contribution{line}, known)
	c.Informative = !j.spec.AtRated
	if !j.spec.AtRated && c.Verdict != conformity.Pass {
		c.Reason = english(strings.TrimSuffix(said(c.Reason), ".") + " (shown; the plan does not judge it).")
	}
	j.check(c)
}

// rise compares the rise over ambient with that of the family's good cards.
func (j *soakJudge) rise(report *thermal.Report, known bool) {
	refs := j.in.Family.Thermal.Rise
	if !j.spec.CompareRise || len(refs) == 0 {
		return
	}
	c := Check{Name: "rise", Title: english("Rise over ambient"), Unit: "K"}
	if report.Rise == nil || report.RiseU == nil {
		c.Verdict, c.Reason = conformity.Inconclusive, english("The rise over ambient is not known: "+endSentence(firstNonEmpty(said(report.Why), "no ambient temperature")))
		j.check(c)
		return
	}
	if !known {
		c.Value, c.Text = number(*report.Rise), english(withUnit(trimmed4(*report.Rise), "K"))
		c.Verdict, c.Reason = conformity.Inconclusive, english("The rise over ambient of "+said(c.Text)+" cannot be judged without the uncertainty of the thermometer.")
		c.Settle = english("State the instrument and its limits in the shop file, or name it with the log.")
		j.check(c)
		return
	}
	values := make([]float64, len(refs))
	for i, r := range refs {
		values[i] = r.Rise.Value
	}
	c = j.againstGoodCards(c, values, *report.Rise, *report.RiseU)
	if c.Verdict == conformity.Fail {
		j.cause(0.7, "the chip rises "+said(c.Text)+" over ambient, more than good cards of the family", "Heatsink seating, thermal compound, fan.")
	}
	j.check(c)
}

func (j *soakJudge) soakConditions(run *heatRun, report *thermal.Report, o thermal.Options) {
	if run.place != "" {
		j.condition("sensor", "at the "+run.place)
	}
	if report.Ambient != nil {
		j.condition("ambient", showValue(*report.Ambient, 2*o.AmbientU, "°C"))
	}
	j.condition("readings", fmt.Sprintf("%d, from %s", report.Readings, run.source))
}

func (j *soakJudge) soakFigure(run *heatRun, report *thermal.Report, o thermal.Options) figure.Figure {
	f := figure.Figure{ID: "soak", Step: j.step.ID, Title: "Temperature", Source: run.source, Samples: int64(report.Readings),
		X: figure.Axis{Name: "time", Unit: "min"}, Y: figure.Axis{Name: "temperature", Unit: "°C"}}
	measured := figure.Series{Name: "measured", Style: figure.Line}
	if run.typed {
		measured.Style = figure.Points
	}
	fit := figure.Series{Name: "fitted rise", Style: figure.Dashed}
	band := figure.Curve{}
	for _, p := range report.Curve {
		x := p.Time / 60
		measured.X, measured.Y = append(measured.X, x), append(measured.Y, p.Temp)
		if p.Fit != nil {
			fit.X, fit.Y = append(fit.X, x), append(fit.Y, *p.Fit)
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
		f.Bands = append(f.Bands, figure.Band{Name: "95 % of readings expected here", Curve: &band})
	}
	if o.Limit != nil {
		f.Limits = append(f.Limits, figure.Limit{Name: "limit", At: *o.Limit})
	}
	if report.Ambient != nil {
		f.Limits = append(f.Limits, figure.Limit{Name: "ambient", At: *report.Ambient})
	}
	f.Alt = fmt.Sprintf("Temperature over %s, peak %.1f °C after %s.", minutes(report.LoadEnd-report.LoadStart), report.Peak, minutes(report.PeakAt-report.LoadStart))
	return f
}

func firstNonEmpty(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}
