package workflow

import (
	"fmt"
	"os"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans/fact"
	"proveout/scoring/pacing"
	"proveout/scoring/thermal"
)

// A LogFile is a log that belongs to no job.
type LogFile struct {
	Path string
	Name string   // in messages
	Map  logs.Map // how it is read; without a format, as its header says

	Hints logs.Hints // what a person says of it

	Notes []fact.Fact // what was found out about it, once it has been read
}

// read streams the log, with its map completed.
func (f *LogFile) read(begin func(logs.Map) error, each func(reading.Row) error) (sum logs.Summary, err error) {
	if f.Map, err = understood(f.Path, f.Name, f.Map, f.Hints); err != nil {
		return sum, err
	}
	if err := begin(f.Map); err != nil {
		return sum, err
	}
	file, err := os.Open(f.Path)
	if err != nil {
		return sum, err
	}
	defer file.Close()
	sum, err = logs.Read(f.Name, file, f.Map, each)
	f.Notes = sum.Notes()
	return sum, err
}

// Pacing reports on the frame times of each run in the log.
func (f *LogFile) Pacing(o pacing.Options) ([]pacing.Report, error) {
	var columns pacing.Columns
	begin := func(m logs.Map) error {
		if columns = pacing.ColumnsOf(m.Place); !columns.Any() {
			return noColumn(f.Name, m, "no column holds frame times, the time stamps of frames, or a frame rate")
		}
		return nil
	}
	var runs []*pacing.Accumulator
	_, err := f.read(begin, func(row reading.Row) error {
		for len(runs) < row.Run {
			runs = append(runs, &pacing.Accumulator{})
		}
		columns.Add(runs[row.Run-1], func(place int) float64 { return row.Values[place] })
		return nil
	})
	if err != nil {
		return nil, err
	}
	var out []pacing.Report
	for _, run := range runs {
		r, err := run.Report(o)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", f.Name, err)
		}
		out = append(out, r)
	}
	return out, nil
}

// Heat says what the temperatures of each run in the log show.
func (f *LogFile) Heat(o thermal.Options) ([]thermal.Report, error) {
	var columns thermal.Columns
	begin := func(m logs.Map) error {
		columns = thermal.ColumnsOf(m.Place)
		if columns[thermal.Temperature] < 0 {
			return noColumn(f.Name, m, "no column holds a temperature")
		}
		if columns[thermal.Time] < 0 {
			return noColumn(f.Name, m, "no column holds the time")
		}
		return nil
	}
	var runs []*thermal.Accumulator
	sum, err := f.read(begin, func(row reading.Row) error {
		for len(runs) < row.Run {
			runs = append(runs, &thermal.Accumulator{})
		}
		runs[row.Run-1].Add(columns.Row(func(place int) float64 { return row.Values[place] }))
		return nil
	})
	if err != nil {
		return nil, err
	}
	temperature := columns[thermal.Temperature]
	if o.Place == thermal.Unknown {
		o.Place = thermal.Place(f.Map.Columns[temperature].Place)
		o.LimitPlace = o.Place
	}
	var out []thermal.Report
	for _, rows := range runs {
		r, err := rows.Analyse(sum.Columns[temperature].Resolution, o)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", f.Name, err)
		}
		out = append(out, r)
	}
	return out, nil
}
