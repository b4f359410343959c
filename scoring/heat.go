package scoring

import (
	"math"
	"strings"

	"proveout/harness/reading"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
	"proveout/scoring/thermal"
)

// A heatRun is the temperatures of one run, ready to be judged: its rows and
// where they came from.
type heatRun struct {
	rows       thermal.Accumulator
	count      int
	resolution float64
	place      string
	from       reading.Reading // a reading that stands for all, for the instrument
	source     fact.Fact       // file the rows came from
	evidence   string
	seconds    float64 // the run lasted; NaN when nobody knows
	typed      bool
	hottest    float64 // °C
	ambient    float64 // °C, the last one seen in a log; 0 when there is none
}

func (run *heatRun) add(row thermal.Row) {
	if temp := row[thermal.Temperature]; run.count == 0 || temp > run.hottest {
		run.hottest = temp
	}
	if ambient := row[thermal.Ambient]; !math.IsNaN(ambient) {
		run.ambient = ambient
	}
	run.rows.Add(row)
	run.count++
}

// takeLog takes the rows of a log whose column temp is the temperature.
func (run *heatRun) takeLog(files reading.Files, log *reading.Log, temp int) error {
	run.source, run.evidence = fact.Text(fact.Name(log.Name)), log.SHA256
	columns := thermal.ColumnsOf(log.Column)
	if columns[thermal.Time] < 0 {
		return fact.New("run.no-time").Err()
	}
	run.resolution = log.Columns[temp].Resolution
	if p := log.Columns[temp].Place; p != "" {
		run.place = p
	}
	run.from = reading.Reading{Name: "temperature", Place: run.place, Instrument: log.Instrument,
		Source: reading.Source{Kind: "file", Evidence: log.SHA256}}
	for row, err := range files.Rows(log) {
		if err != nil {
			return err
		}
		run.add(columns.Row(func(place int) float64 { return row.Values[place] }))
	}
	return nil
}

// unusable is the check of a log, or of readings that were typed, of which
// nothing can be judged.
func unusable(title, source fact.Fact, err error) outcome.Check {
	return outcome.Check{Name: "log", Title: title, Verdict: conformity.Inconclusive,
		Reason: fact.New("run.unusable", "source", source, "why", fact.Why(err))}
}

// throttled tells of clocks or frame rates that fell as the card grew hot,
// which fails where the plan says so.
func (j *judge) throttled(found []thermal.Throttling, fails bool) {
	for _, t := range found {
		c := outcome.Check{
			Name:        "throttling",
			Title:       fact.New("run.throttling"),
			Verdict:     conformity.Pass,
			Reason:      t.Sentence,
			Text:        fact.New("run.throttled." + strings.ReplaceAll(t.Quantity, " ", "-")),
			Informative: true,
		}
		if fails {
			c.Informative, c.Verdict = false, conformity.Fail
		}
		j.check(c)
		j.suspect(0.5, fact.New("run.throttles", "what", c.Text), fact.New("run.throttles-look"))
	}
}
