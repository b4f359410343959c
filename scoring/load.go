package scoring

import (
	"fmt"
	"math"
	"slices"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/holes"
	"proveout/scoring/outcome"
	"proveout/scoring/pacing"
	"proveout/scoring/thermal"
)

var _ = judges(plans.LoadKind, (*judge).load)

// A loadJudge works on one attempt at one load step.
type loadJudge struct {
	*judge
	spec *plans.Load
}

// A loadRun is one run of a timed 3D load.
type loadRun struct {
	number  int            // from 1
	source  fact.Fact      // file, or that it was typed
	report  *pacing.Report // nil when only a score was typed
	score   float64        // NaN when there is none
	seconds float64        // NaN when nobody knows
	trace   pacing.Trace   // of its log
}

// untested are the times of the run that its log says nothing of.
func (r *loadRun) untested() []holes.Hole {
	if r.report == nil {
		return nil
	}
	return r.report.Holes
}

// load judges timed 3D runs: duration, freezes, stalls, frame rate, how alike
// the runs are, and the score against the family's good cards.
func (j *judge) load(spec *plans.Load) { (&loadJudge{j, spec}).run() }

func (j *loadJudge) run() {
	runs, ok := j.loadRuns()
	if !ok {
		return
	}
	j.frozen(runs)
	j.seenDuringLoad()
	if len(runs) == 0 {
		j.check(outcome.Check{Name: "runs", Title: fact.New("load.runs"), Reason: fact.New("load.no-run")})
		return
	}
	j.runCount(len(runs))
	j.measured(runs)
	for i := range runs {
		j.oneRun(&runs[i], len(runs) > 1)
	}
	j.overRuns(runs)
	j.loadThrottling()
	j.benchSteady()
	if j.spec.Prove != "" {
		var seconds []float64
		failures := 0
		for _, r := range runs {
			seconds = append(seconds, r.seconds)
			if r.report != nil {
				failures += len(r.report.Freezes)
			}
		}
		if failures == 0 && j.sawFreeze() {
			failures = 1
		}
		j.check(j.faultGone(&j.spec.Timed, seconds, failures))
	}
}

// loadRuns gathers the attempt's frame logs, or its typed scores. It is false
// when a log cannot be judged, which it tells.
func (j *loadJudge) loadRuns() ([]loadRun, bool) {
	var runs []loadRun
	for i := range j.attempt.Logs {
		log := &j.attempt.Logs[i]
		columns := pacing.ColumnsOf(log.Column)
		if !columns.Any() {
			continue
		}
		r, err := j.readRun(log, columns)
		if err != nil {
			j.check(unusable(fact.New("load.log"), r.source, err))
			return nil, false
		}
		r.number = len(runs) + 1
		runs = append(runs, r)
	}
	scores, durations := j.attempt.All("score"), j.attempt.All("duration")
	for i, s := range scores {
		if i < len(runs) {
			runs[i].score = s.Number() // a typed score stands beside the log of its run
			continue
		}
		runs = append(runs, loadRun{
			number: i + 1, source: fact.New("load.typed"), score: s.Number(), seconds: math.NaN(),
		})
	}
	for i := range runs {
		if !math.IsNaN(runs[i].seconds) {
			continue
		}
		switch {
		case i < len(durations):
			runs[i].seconds = durations[i].Number()
		case len(durations) == 1:
			runs[i].seconds = durations[0].Number()
		case j.attempt.Ran > 0 && len(runs) == 1:
			runs[i].seconds = j.attempt.Ran
		}
	}
	return runs, true
}

func (j *loadJudge) readRun(log *reading.Log, columns pacing.Columns) (loadRun, error) {
	r := loadRun{source: fact.Text(fact.Name(log.Name)), score: math.NaN(), seconds: math.NaN()}
	var a pacing.Accumulator
	for row, err := range j.in.Files.Rows(log) {
		if err != nil {
			return r, err
		}
		columns.Add(&a, func(place int) float64 { return row.Values[place] })
		if columns.Frame >= 0 {
			r.trace.Add(row.Values[columns.Frame])
		} else if columns.Rate >= 0 {
			r.trace.Add(row.Values[columns.Rate])
		}
	}
	options := pacing.Options{}
	if j.spec.FreezeAfter != nil {
		options.FreezeLimit = j.spec.FreezeAfter.Value
	}
	report, err := a.Report(options)
	if err != nil {
		return r, err
	}
	r.report, r.seconds = &report, report.Duration
	if report.MeanFPS != nil {
		r.score = *report.MeanFPS
	}
	if log.Bad > 0 {
		j.warning(fact.New("run.rows-set-aside", "n", log.Bad, "file", log.Name))
	}
	return r, nil
}

// measured asks whether the frames of each run were measured, and in that run.
func (j *loadJudge) measured(runs []loadRun) {
	doubt := func(why, settle fact.Fact) {
		j.check(outcome.Check{
			Name: "measured", Title: fact.New("load.measured"), Verdict: conformity.Inconclusive, Reason: why, Settle: settle,
		})
	}
	for i := range runs {
		r := &runs[i]
		if r.trace.Still() {
			doubt(fact.New("load.all-equal", "run", r.number, "time", fact.In(r.report.Median, "ms")),
				fact.New("load.all-equal-settle"))
		}
		for k := range runs[:i] {
			if r.trace.CopyOf(&runs[k].trace) {
				doubt(fact.New("load.copied", "run", r.number, "other", runs[k].number), fact.New("load.copied-settle"))
				break
			}
		}
	}
}

// loadThrottling looks for clocks or frame rates that fell while the card grew
// hot, in logs that hold both.
func (j *loadJudge) loadThrottling() {
	looked := false
	for i := range j.attempt.Logs {
		log := &j.attempt.Logs[i]
		temp := log.Column("temperature")
		if temp < 0 || log.Column("time") < 0 || log.Column("core-clock") < 0 && log.Column("fps") < 0 {
			continue
		}
		var run heatRun
		if err := run.takeLog(j.in.Files, log, temp); err != nil {
			continue // told already, where its frames were read
		}
		report, err := run.rows.Analyse(run.resolution, thermal.Options{})
		if err != nil {
			continue
		}
		looked = true
		j.throttled(report.Throttling, j.spec.ThrottleFail)
	}
	if j.spec.ThrottleFail && !looked {
		j.warning(fact.New("load.throttling-not-looked-for"))
	}
}

func (j *loadJudge) sawFreeze() bool {
	return slices.ContainsFunc(j.attempt.All("frozen"), func(r reading.Reading) bool { return r.Word == plans.Yes })
}

// frozen judges what was seen of freezes. A run that has a log shows its
// freezes there; of one that has none somebody must say so.
func (j *loadJudge) frozen(runs []loadRun) {
	c := outcome.Check{
		Name:   "frozen",
		Title:  fact.New("load.frozen"),
		Limits: &conformity.Limits{Text: fact.New("answer.no")},
	}
	switch {
	case j.sawFreeze():
		c.Verdict, c.Text, c.Reason = conformity.Fail, fact.New("answer.yes"), fact.New("load.froze")
		j.suspect(0.5, fact.New("load.froze-cause"), fact.New("load.freezes-look"))
	case len(j.attempt.All("frozen")) > 0:
		c.Verdict, c.Text, c.Reason = conformity.Pass, fact.New("answer.no"), fact.New("load.not-frozen")
	case slices.ContainsFunc(runs, func(r loadRun) bool { return r.report == nil }):
		c.Reason = fact.New("load.frozen-not-recorded")
	default:
		return
	}
	j.check(c)
}

func (j *loadJudge) seenDuringLoad() {
	for _, r := range j.attempt.All("seen") {
		c := outcome.Check{
			Name:   "seen",
			Title:  fact.New("load.seen"),
			Limits: &conformity.Limits{Text: fact.New("answer.clean")},
		}
		if seen := wordOf(r); plans.SameWords(seen, plans.PictureClean) {
			c.Verdict, c.Text, c.Reason = conformity.Pass, fact.New("answer.clean"), fact.New("load.seen-clean")
		} else {
			c.Verdict, c.Text = conformity.Fail, plans.Answer(seen)
			c.Reason = fact.New("load.seen-fault", "seen", endSentence(seen))
			j.suspect(0.5, fact.New("load.seen-fault-cause", "seen", seen), fact.New("load.seen-fault-look"))
		}
		j.check(c)
	}
}

func (j *loadJudge) runCount(made int) {
	want := max(j.spec.Runs, 1)
	if want == 1 && made == 1 {
		return
	}
	c := outcome.Check{
		Name: "runs", Title: fact.New("load.runs"), Value: number(float64(made)), Text: fact.Text(fact.Count(made)),
		Limits: limitsIn(measurand{dimension: quantity.Number, limits: conformity.AtLeast(float64(want))}),
	}
	if made >= want {
		c.Verdict, c.Reason = conformity.Pass, fact.New("load.runs-made", "n", made)
	} else {
		c.Verdict, c.Reason = conformity.Inconclusive, fact.New("load.runs-missing", "n", made, "wanted", want)
		c.Settle = fact.New("load.run-more", "n", want-made)
	}
	j.check(c)
}

// oneRun judges what each run must show by itself.
func (j *loadJudge) oneRun(r *loadRun, several bool) {
	label := func(c outcome.Check) outcome.Check {
		if several {
			c.Name += fmt.Sprint(".", r.number)
			c.Title = fact.New("load.of-run", "what", c.Title, "run", r.number)
		}
		return c
	}
	if j.spec.Duration != nil {
		j.check(label(j.lasted(r.seconds, *j.spec.Duration, false, r.untested())))
	}
	if r.report == nil {
		return
	}
	j.check(label(j.freezes(r.report)))
	if j.spec.MaxStalls != nil {
		j.check(label(j.stalls(r.report)))
	}
	if j.spec.MinFPS != nil && r.report.MeanFPS != nil {
		m := measurand{
			name: "mean-fps", title: fact.New("load.mean-rate"), dimension: quantity.FrameRate, unit: "fps",
			limits: conformity.AtLeast(j.spec.MinFPS.Value),
		}
		// The frame count is exact and the clock of the logging computer good
		// to 100 ppm (common practice, no source).
		line := conformity.InstrumentLimits(fact.New("load.logging-clock"), 1e-4**r.report.MeanFPS, 0)
		j.check(label(j.judgeValue(m, *r.report.MeanFPS, []conformity.Contribution{line}, true)))
	}
	for _, says := range r.report.Sentence {
		j.finding(fact.New("load.run-says", "run", r.number, "what", says))
	}
	j.out.Figures = append(j.out.Figures, j.paceFigure(r), j.shapeFigure(r))
	numbers := *r.report
	numbers.Series, numbers.Shape = nil, nil
	j.detail(fmt.Sprint("pacing.run ", r.number), numbers)
}

func (j *loadJudge) freezes(p *pacing.Report) outcome.Check {
	c := outcome.Check{
		Name: "freezes", Title: fact.New("load.freezes"),
		Value: number(float64(len(p.Freezes))), Text: fact.Text(fact.Count(len(p.Freezes))),
		Limits: &conformity.Limits{High: number(0), Text: fact.New("load.no-freezes")},
	}
	if len(p.Freezes) == 0 {
		c.Verdict, c.Reason = conformity.Pass, fact.New("load.no-freeze", "longest", fact.In(p.Max, "ms").To(0.1))
		return c
	}
	first := p.Freezes[0]
	length := fact.In(first.Seconds, "s").To(0.1)
	c.Verdict = conformity.Fail
	c.Reason = fact.New("load.freezes-found", "n", len(p.Freezes), "at", minutes(first.At), "length", length)
	j.suspect(0.5, fact.New("load.freezes-cause", "length", length), fact.New("load.freezes-look"))
	return c
}

func (j *loadJudge) stalls(p *pacing.Report) outcome.Check {
	most := *j.spec.MaxStalls
	c := outcome.Check{
		Name: "stalls", Title: fact.New("load.stalls"),
		Value: number(float64(p.StallCount)), Text: fact.Text(fact.Count(p.StallCount)),
		Limits: limitsIn(measurand{dimension: quantity.Number, limits: conformity.AtMost(float64(most))}),
	}
	if p.StallCount <= int64(most) {
		c.Verdict, c.Reason = conformity.Pass, fact.New("load.stalls-few", "n", p.StallCount, "rule", p.StallRule)
	} else {
		c.Verdict = conformity.Fail
		c.Reason = fact.New("load.stalls-many", "n", p.StallCount, "most", most, "rule", p.StallRule)
		j.suspect(0.3, fact.New("load.stalls-cause", "n", p.StallCount), fact.New("load.stalls-look"))
	}
	return c
}

// overRuns judges the runs together: how alike they are, and their mean score.
func (j *loadJudge) overRuns(runs []loadRun) {
	var scores []float64
	for _, r := range runs {
		if !math.IsNaN(r.score) {
			scores = append(scores, r.score)
		}
	}
	if len(scores) > 1 {
		if rep, err := pacing.Repeat(scores); err == nil {
			if j.spec.MaxSpread != nil {
				j.check(spread(rep, j.spec.MaxSpread))
			}
			if rep.SD > 0 {
				j.finding(fact.New("load.spreads", "n", rep.N, "sd", fact.In(rep.SD, "").Digits(2), "cv", asShare(rep.CV)))
			} else {
				j.finding(fact.New("load.equal", "n", rep.N))
			}
		}
	}
	if j.spec.Workload == "" || len(scores) == 0 {
		return
	}
	j.check(j.scoreAgainstSet(mean(scores)))
}

// asShare is a coefficient of variation as it is told: the spread of a few runs
// is not known to more than two digits.
func asShare(cv float64) fact.Amount { return fact.In(100*cv, "%").Digits(2) }

func spread(rep pacing.Repeatability, most *quantity.Quantity) outcome.Check {
	share := asShare(rep.CV)
	c := outcome.Check{
		Name: "spread", Title: fact.New("load.spread"), Unit: "%", Value: number(share.Value), Text: fact.Text(share),
		Limits: limitsIn(measurand{unit: "%", dimension: quantity.Ratio, limits: conformity.AtMost(most.Value)}),
	}
	if rep.CV <= most.Value {
		c.Verdict, c.Reason = conformity.Pass, fact.New("load.runs-agree", "n", rep.N, "spread", share)
		return c
	}
	c.Verdict = conformity.Inconclusive
	c.Reason = fact.New("load.runs-disagree", "n", rep.N, "spread", share, "limits", c.Limits.Text)
	c.Settle = fact.New("load.runs-disagree-settle")
	return c
}

// mostMarked is how many stalls a figure marks.
const mostMarked = 12

func (j *loadJudge) paceFigure(r *loadRun) outcome.Figure {
	p := r.report
	f := outcome.Figure{
		ID: fmt.Sprint("frames-", r.number), Step: j.step.ID, Title: fact.New("figure.frame-time", "run", r.number),
		Source: r.source, Samples: p.Frames,
		X: axis(fact.New("figure.axis-time"), "s"), Y: axis(fact.New("figure.axis-frame-time"), "ms"),
		Alt: fact.New("figure.frame-time-alt", "run", r.number, "time", minutes(p.Duration),
			"median", fact.In(p.Median, "ms").To(0.1), "longest", fact.In(p.Max, "ms").To(0.1), "n", p.StallCount),
	}
	longest := outcome.Series[fact.Fact]{Name: fact.New("figure.longest"), Style: outcome.Line}
	typical := outcome.Series[fact.Fact]{Name: fact.New("figure.median-of-stretch"), Style: outcome.Line}
	for _, pt := range p.Series {
		longest.Add(pt.At, pt.Max)
		typical.Add(pt.At, pt.Median)
	}
	f.Series = append(f.Series, longest, typical)
	f.Limits = append(f.Limits, outcome.LimitLine[fact.Fact]{Name: fact.New("figure.stall"), At: p.StallLimit})
	for _, s := range p.Stalls[:min(len(p.Stalls), mostMarked)] {
		label := fact.Text(fact.In(s.Ms, "ms").To(1))
		f.Marks = append(f.Marks, outcome.Mark[fact.Fact]{X: s.At, Y: s.Ms, Label: label})
	}
	return f
}

// shapeFigure draws how the frame times of a run are distributed.
func (j *loadJudge) shapeFigure(r *loadRun) outcome.Figure {
	p := r.report
	median, p99 := p.Median, p.Percentiles["99"]
	f := outcome.Figure{
		ID: fmt.Sprint("distribution-", r.number), Step: j.step.ID,
		Title:  fact.New("figure.distribution", "run", r.number),
		Source: r.source, Samples: p.Frames,
		X: axis(fact.New("figure.axis-frame-time"), "ms"), Y: axis(fact.New("figure.frames"), ""),
		Alt: fact.New("figure.distribution-alt", "run", r.number,
			"median", fact.In(median, "ms").To(0.1), "percentile", fact.In(p99, "ms").To(0.1)),
	}
	bars := outcome.Series[fact.Fact]{Name: fact.New("figure.frames"), Style: outcome.Bars}
	for _, b := range p.Shape {
		bars.Add((b.Low+b.High)/2, float64(b.Count))
	}
	f.Series = append(f.Series, bars)
	f.Limits = append(f.Limits,
		outcome.LimitLine[fact.Fact]{Name: fact.New("figure.median"), At: median, Vertical: true},
		outcome.LimitLine[fact.Fact]{Name: fact.Text(fact.In(99, "%").Whole()), At: p99, Vertical: true})
	return f
}
