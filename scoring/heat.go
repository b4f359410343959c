package scoring

import (
	"errors"
	"math"

	"proveout/harness/reading"
	"proveout/scoring/conformity"
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
	source     string          // file the rows came from
	evidence   string
	seconds    float64 // the run lasted; NaN when nobody knows
	typed      bool
	timed      bool    // typed readings say when they were taken
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
	columns := thermal.ColumnsOf(log.Column)
	if columns[thermal.Time] < 0 {
		return errors.New("the log has no column of time, so nothing can be said of duration or stability")
	}
	run.source, run.evidence = log.Name, log.SHA256
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

// throttled tells of clocks or frame rates that fell while the card grew hot,
// which fails where the plan says so.
func (j *judge) throttled(found []thermal.Throttling, fails bool) {
	for _, t := range found {
		c := Check{Name: "throttling", Title: english("Throttling"), Text: english(t.Quantity), Verdict: conformity.Pass,
			Reason: english(said(t.Sentence)), Informative: true}
		if fails {
			c.Informative, c.Verdict = false, conformity.Fail
		}
		j.check(c)
		j.cause(0.5, "throttling: "+said(t.Sentence), "Cooling first: heatsink, compound, fan; then the supply of the core.")
	}
}
