package scoring

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/figure"
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
	name    string         // "run 1"
	source  string         // file, or "typed"
	report  *pacing.Report // nil when only a score was typed
	score   float64        // NaN when there is none
	seconds float64        // NaN when nobody knows
}

// load judges timed 3D runs: duration, freezes, stalls, frame rate, how alike
// the runs are, and the score against the family's good cards.
func (j *judge) load(spec *plans.Load) { (&loadJudge{j, spec}).run() }

func (j *loadJudge) run() {
	runs, err := j.loadRuns()
	if err != nil {
		j.check(Check{Name: "log", Title: english("Frame log"), Verdict: conformity.Inconclusive, Reason: english(endSentence(err.Error()))})
		return
	}
	j.frozen(runs)
	j.seenDuringLoad()
	if len(runs) == 0 {
		j.check(Check{Name: "runs", Title: english("Runs"), Reason: english("No run was recorded: neither a log nor a score.")})
		return
	}
	j.runCount(len(runs))
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
		j.prove(&j.spec.Timed, seconds, failures)
	}
}

// loadRuns gathers the attempt's frame logs, or its typed scores.
func (j *loadJudge) loadRuns() ([]loadRun, error) {
	var runs []loadRun
	for i := range j.attempt.Logs {
		log := &j.attempt.Logs[i]
		r, ok, err := j.readRun(log)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", log.Name, err)
		}
		if ok {
			r.name = fmt.Sprintf("run %d", len(runs)+1)
			runs = append(runs, r)
		}
	}
	scores, durations := j.attempt.All("score"), j.attempt.All("duration")
	for i, s := range scores {
		if i < len(runs) {
			runs[i].score = s.Number() // a typed score stands beside the log of its run
			continue
		}
		runs = append(runs, loadRun{name: fmt.Sprintf("run %d", i+1), source: "typed", score: s.Number(), seconds: math.NaN()})
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
	return runs, nil
}

func (j *loadJudge) readRun(log *reading.Log) (loadRun, bool, error) {
	columns := pacing.ColumnsOf(log.Column)
	r := loadRun{source: log.Name, score: math.NaN(), seconds: math.NaN()}
	if !columns.Any() {
		return r, false, nil
	}
	var a pacing.Accumulator
	for row, err := range j.in.Files.Rows(log) {
		if err != nil {
			return r, false, err
		}
		columns.Add(&a, func(place int) float64 { return row.Values[place] })
	}
	options := pacing.Options{}
	if j.spec.FreezeAfter != nil {
		options.FreezeLimit = j.spec.FreezeAfter.Value
	}
	report, err := a.Report(options)
	if err != nil {
		return r, false, errors.New(saidOfError(err))
	}
	r.report, r.seconds = &report, report.Duration
	if report.MeanFPS != nil {
		r.score = *report.MeanFPS
	}
	if log.Bad > 0 {
		j.doubt("%d rows of %s were set aside", log.Bad, log.Name)
	}
	return r, true, nil
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
		j.doubt("no log holds temperature together with clock or frame rate, so throttling was not looked for")
	}
}

func (j *loadJudge) sawFreeze() bool {
	return slices.ContainsFunc(j.attempt.All("frozen"), func(r reading.Reading) bool { return r.Word == plans.Yes })
}

// frozen judges what was seen of freezes. A run that has a log shows its
// freezes there; of one that has none somebody must say so.
func (j *loadJudge) frozen(runs []loadRun) {
	c := Check{Name: "frozen", Title: english("Picture froze or computer hung"), Limits: &Limits{Text: english(plans.No)}}
	readings := j.attempt.All("frozen")
	for _, r := range readings {
		c.Text = english(r.Word)
		if r.Word == plans.Yes {
			c.Verdict, c.Reason = conformity.Fail, english("The picture froze or the computer hung during the run.")
			j.cause(0.5, "the 3D run froze", "Core supply and temperature first; then memory and its solder joints; the bus last.")
			j.check(c)
			return
		}
	}
	if len(readings) > 0 {
		c.Verdict, c.Reason = conformity.Pass, english("No freeze was seen.")
		j.check(c)
		return
	}
	if slices.ContainsFunc(runs, func(r loadRun) bool { return r.report == nil }) {
		c.Reason = english("Whether the picture froze or the computer hung was not recorded, and not every run has a log that shows it.")
		j.check(c)
	}
}

func (j *loadJudge) seenDuringLoad() {
	for _, r := range j.attempt.All("seen") {
		c := Check{Name: "seen", Title: english("Picture during the run"), Text: english(wordOf(r)), Limits: &Limits{Text: english(plans.PictureClean)}}
		if sameWords(said(c.Text), plans.PictureClean) {
			c.Verdict, c.Reason = conformity.Pass, english("The picture was clean during the run.")
		} else {
			c.Verdict, c.Reason = conformity.Fail, english("During the run was seen: "+endSentence(said(c.Text)))
			j.cause(0.5, "picture faults under load: "+said(c.Text), "Memory under load: its supply, its clock and temperature; then the core.")
		}
		j.check(c)
	}
}

func (j *loadJudge) runCount(n int) {
	want := max(j.spec.Runs, 1)
	if want == 1 && n == 1 {
		return
	}
	c := Check{Name: "runs", Title: english("Runs"), Value: number(float64(n)), Text: english(fmt.Sprint(n)), Limits: &Limits{Low: number(float64(want)), Text: english(fmt.Sprintf("at least %d", want))}}
	if n >= want {
		c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("%d runs were made.", n))
	} else {
		c.Verdict, c.Reason = conformity.Inconclusive, english(fmt.Sprintf("%d of %d runs were made.", n, want))
		c.Settle = english(fmt.Sprintf("Make %d more.", want-n))
	}
	j.check(c)
}

// oneRun judges what each run must show by itself.
func (j *loadJudge) oneRun(r *loadRun, several bool) {
	label := func(c Check) Check {
		if several {
			c.Name += "." + r.name[len("run "):]
			c.Title = english(said(c.Title) + ", " + r.name)
		}
		return c
	}
	if j.spec.Duration != nil {
		j.check(label(j.lasted(r.seconds, *j.spec.Duration, false)))
	}
	if r.report == nil {
		return
	}
	j.check(label(j.freezes(r.report)))
	if j.spec.MaxStalls != nil {
		j.check(label(j.stalls(r.report)))
	}
	if j.spec.MinFPS != nil && r.report.MeanFPS != nil {
		m := measurand{name: "mean-fps", title: english("Mean frame rate"), dimension: quantity.FrameRate, unit: "fps", limits: conformity.AtLeast(j.spec.MinFPS.Value)}
		// The frame count is exact and the clock of the logging computer good
		// to 100 ppm (common practice, no source).
		line := conformity.InstrumentLimits(english("clock of the logging computer"), 1e-4**r.report.MeanFPS, 0)
		j.check(label(j.judgeValue(m, *r.report.MeanFPS, []conformity.Contribution{line}, true)))
	}
	for _, s := range saidAll(r.report.Sentence) {
		j.remark("%s: %s", upperFirst(r.name), s)
	}
	j.out.Figures = append(j.out.Figures, j.paceFigure(r), j.shapeFigure(r))
	if j.out.Detail == nil {
		j.out.Detail = map[string]any{}
	}
	numbers := *r.report
	numbers.Series, numbers.Shape = nil, nil
	j.out.Detail["pacing."+r.name] = numbers
}

func (j *loadJudge) freezes(p *pacing.Report) Check {
	c := Check{Name: "freezes", Title: english("Freezes"), Value: number(float64(len(p.Freezes))), Text: english(fmt.Sprint(len(p.Freezes))), Limits: &Limits{High: number(0), Text: english("none")}}
	if len(p.Freezes) == 0 {
		c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("No freeze: the longest frame took %.1f ms.", p.Max))
		return c
	}
	first := p.Freezes[0]
	c.Verdict = conformity.Fail
	c.Reason = english(fmt.Sprintf("%d freeze(s), the first after %s for %.1f s.", len(p.Freezes), minutes(first.At), first.Seconds))
	j.cause(0.5, "the 3D run froze for "+fmt.Sprintf("%.1f s", first.Seconds), "Core supply and temperature first; then memory and its solder joints; the bus last.")
	return c
}

func (j *loadJudge) stalls(p *pacing.Report) Check {
	most := float64(*j.spec.MaxStalls)
	c := Check{Name: "stalls", Title: english("Stalls"), Value: number(float64(p.StallCount)), Text: english(fmt.Sprint(p.StallCount)),
		Limits: &Limits{High: number(most), Text: english(fmt.Sprintf("at most %d", *j.spec.MaxStalls))}}
	if float64(p.StallCount) <= most {
		c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("%d stall(s); a stall is %s.", p.StallCount, said(p.StallRule)))
	} else {
		c.Verdict, c.Reason = conformity.Fail, english(fmt.Sprintf("%d stalls, at most %d allowed; a stall is %s.", p.StallCount, *j.spec.MaxStalls, said(p.StallRule)))
		j.cause(0.3, fmt.Sprintf("%d stalls in the 3D run", p.StallCount), "Texture memory and the bus; throttling; then the bench itself with the control card.")
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
		if rep, err := pacing.Repeat(scores, 0); err == nil {
			if j.spec.MaxSpread != nil {
				j.check(spread(rep, j.spec.MaxSpread))
			}
			j.remark("Over %d runs the score spreads by s = %.3g (%.2g %%).", rep.N, rep.SD, 100*rep.CV)
		}
	}
	if j.spec.Workload == "" || len(scores) == 0 {
		return
	}
	if c, ok := j.scoreAgainstSet(mean(scores), ""); ok {
		j.check(c)
		return
	}
	c := Check{Name: "score", Title: english("Score, " + j.spec.Workload), Value: number(mean(scores)), Text: english(trimmed4(mean(scores))),
		Informative: j.spec.Reference != plans.ReferenceJudge, Reason: english("There is no reference set for this workload; the score is shown and not judged.")}
	c.Settle = english("Measure known-good cards of the family on this bench: proveout reference add.")
	j.check(c)
}

func spread(rep pacing.Repeatability, most *quantity.Quantity) Check {
	c := Check{Name: "spread", Title: english("Spread over the runs"), Unit: "%", Value: number(100 * rep.CV), Text: english(fmt.Sprintf("%.2g %%", 100*rep.CV)),
		Limits: &Limits{High: number(100 * most.Value), Text: english("at most " + most.Text)}}
	if rep.CV <= most.Value {
		c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("The %d runs agree: they spread by %s.", rep.N, said(c.Text)))
		return c
	}
	c.Verdict, c.Reason = conformity.Inconclusive, english(fmt.Sprintf("The %d runs do not agree: they spread by %s, %s.", rep.N, said(c.Text), said(c.Limits.Text)))
	c.Settle = english("Find what differs between the runs (background work, temperature, settings) and repeat them.")
	return c
}

func (j *loadJudge) paceFigure(r *loadRun) figure.Figure {
	p := r.report
	f := figure.Figure{ID: "frames-" + r.name[len("run "):], Step: j.step.ID, Title: "Frame time, " + r.name, Source: r.source, Samples: p.Frames,
		X: figure.Axis{Name: "time", Unit: "s"}, Y: figure.Axis{Name: "frame time", Unit: "ms"}}
	longest := figure.Series{Name: "longest in the stretch", Style: figure.Line}
	typical := figure.Series{Name: "median of the stretch", Style: figure.Line}
	for _, pt := range p.Series {
		longest.X, longest.Y = append(longest.X, pt.At), append(longest.Y, pt.Max)
		typical.X, typical.Y = append(typical.X, pt.At), append(typical.Y, pt.Median)
	}
	f.Series = append(f.Series, longest, typical)
	f.Limits = append(f.Limits, figure.Limit{Name: "stall", At: p.StallLimit})
	for i, s := range p.Stalls {
		if i == 12 {
			break
		}
		f.Marks = append(f.Marks, figure.Mark{X: s.At, Y: s.Ms, Label: fmt.Sprintf("%.0f ms", s.Ms)})
	}
	f.Alt = fmt.Sprintf("Frame times of %s over %s: median %.1f ms, longest %.1f ms, %d stalls.", r.name, minutes(p.Duration), p.Median, p.Max, p.StallCount)
	return f
}

// shapeFigure draws how the frame times of a run are distributed.
func (j *loadJudge) shapeFigure(r *loadRun) figure.Figure {
	p := r.report
	f := figure.Figure{ID: "distribution-" + r.name[len("run "):], Step: j.step.ID, Title: "Distribution of frame times, " + r.name, Source: r.source, Samples: p.Frames,
		X: figure.Axis{Name: "frame time", Unit: "ms"}, Y: figure.Axis{Name: "frames", Unit: ""}}
	bars := figure.Series{Name: "frames", Style: figure.Bars}
	for _, b := range p.Shape {
		bars.X, bars.Y = append(bars.X, (b.Low+b.High)/2), append(bars.Y, float64(b.Count))
	}
	f.Series = append(f.Series, bars)
	f.Limits = append(f.Limits, figure.Limit{Name: "median", At: p.Median, Vertical: true})
	if p99, ok := p.Percentiles["99"]; ok {
		f.Limits = append(f.Limits, figure.Limit{Name: "99 %", At: p99, Vertical: true})
	}
	f.Alt = fmt.Sprintf("Half of the frames of %s took longer than %.1f ms, one in a hundred longer than %.1f ms.", r.name, p.Median, p.Percentiles["99"])
	return f
}
