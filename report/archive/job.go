package archive

import (
	"encoding/json"
	"math"
	"time"

	"proveout/harness/reading"
)

// A Job is [reading.Job].
type Job struct {
	Number         string               `json:"number"`
	Opened         time.Time            `json:"opened"`
	Plan           string               `json:"plan"`
	Card           Card                 `json:"card"`
	Bench          string               `json:"bench"`
	Technician     string               `json:"technician"`
	Complaint      string               `json:"complaint,omitempty"`
	ComplaintEvery float64              `json:"complaint_every_s,omitempty"`
	Condition      string               `json:"condition,omitempty"`
	Work           []string             `json:"work,omitempty"`
	WorkNotes      string               `json:"work_notes,omitempty"`
	Customer       string               `json:"customer,omitempty"`
	Attempts       map[string][]Attempt `json:"attempts"`
	Warnings       []string             `json:"warnings,omitempty"`
}

// A Card is [reading.Card].
type Card struct {
	Family  string     `json:"family"`
	Variant string     `json:"variant,omitempty"`
	Title   string     `json:"title"`
	Serial  string     `json:"serial,omitempty"`
	Marks   []Mark     `json:"marks,omitempty"`
	Photos  []Evidence `json:"photos,omitempty"`
}

// A Mark is [reading.Mark].
type Mark struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// An Attempt is [reading.Attempt].
type Attempt struct {
	Number   int        `json:"number"`
	Started  time.Time  `json:"started,omitzero"`
	Ended    time.Time  `json:"ended,omitzero"`
	By       string     `json:"by,omitempty"`
	Readings []Reading  `json:"readings,omitempty"`
	Logs     []Log      `json:"logs,omitempty"`
	Captures []Capture  `json:"captures,omitempty"`
	Dumps    []Evidence `json:"dumps,omitempty"`
	Notes    []Note     `json:"notes,omitempty"`
	Skipped  string     `json:"skipped,omitempty"`
	Cut      string     `json:"cut,omitempty"`
	Ran      float64    `json:"ran_s,omitempty"`
}

// A Reading is [reading.Reading]; value is absent for a word.
type Reading struct {
	Seq        int       `json:"seq,omitempty"`
	Name       string    `json:"name"`
	Value      *float64  `json:"value,omitempty"`
	Word       string    `json:"word,omitempty"`
	Text       string    `json:"text"`
	Unit       string    `json:"unit,omitempty"`
	Resolution float64   `json:"resolution,omitempty"`
	Instrument string    `json:"instrument,omitempty"`
	Place      string    `json:"place,omitempty"`
	After      *float64  `json:"after_s,omitempty"`
	Corrects   bool      `json:"corrects,omitempty"`
	At         time.Time `json:"at,omitzero"`
	By         string    `json:"by,omitempty"`
	Source     Source    `json:"source"`
}

// A Source is [reading.Source].
type Source struct {
	Kind     string `json:"kind"`
	Evidence string `json:"evidence,omitempty"`
	Line     int    `json:"line,omitempty"`
	Column   string `json:"column,omitempty"`
}

// Evidence is [reading.Evidence] without its place on the disk.
type Evidence struct {
	SHA256  string `json:"sha256"`
	Name    string `json:"name"`
	Size    int64  `json:"size"`
	Role    string `json:"role,omitempty"`
	Caption string `json:"caption,omitempty"`
}

// A Capture is [reading.Capture].
type Capture struct {
	Evidence
	Pattern string `json:"pattern,omitempty"`
	Mode    string `json:"mode,omitempty"`
	Route   string `json:"route,omitempty"`
	Base    int64  `json:"base,omitempty"`
}

// A Note is [reading.Note].
type Note struct {
	At   time.Time `json:"at,omitzero"`
	By   string    `json:"by,omitempty"`
	Text string    `json:"text"`
}

// A Log is [reading.Log] with how its file is read.
type Log struct {
	Evidence
	Instrument string          `json:"instrument,omitempty"`
	Run        int             `json:"run"`
	Columns    []Column        `json:"columns"`
	Count      int64           `json:"count"`
	Bad        int64           `json:"bad,omitempty"`
	Seconds    *float64        `json:"seconds,omitempty"`
	Recipe     json.RawMessage `json:"map,omitempty"`      // of a log
	Failures   json.RawMessage `json:"failures,omitempty"` // of a list of failing addresses: how it is read
	Pool       string          `json:"pool,omitempty"`
	Part       int             `json:"part"`
}

// A Column is [reading.Column].
type Column struct {
	Name       string  `json:"name"`
	Header     string  `json:"header"`
	Unit       string  `json:"unit,omitempty"`
	Resolution float64 `json:"resolution,omitempty"`
	Place      string  `json:"place,omitempty"`
}

func evidenceOf(e reading.Evidence) Evidence {
	return Evidence{SHA256: e.SHA256, Name: e.Name, Size: e.Size, Role: e.Role, Caption: e.Caption}
}

func (e Evidence) reading() reading.Evidence {
	return reading.Evidence{SHA256: e.SHA256, Name: e.Name, Size: e.Size, Role: e.Role, Caption: e.Caption}
}

func jobOf(j *reading.Job) Job {
	out := Job{Number: j.Number, Opened: j.Opened, Plan: j.Plan, Bench: j.Bench, Technician: j.Technician,
		Card:      Card{Family: j.Card.Family, Variant: j.Card.Variant, Title: j.Card.Title, Serial: j.Card.Serial},
		Complaint: j.Complaint, ComplaintEvery: j.ComplaintEvery, Condition: j.Condition, Work: j.Work, WorkNotes: j.WorkNotes,
		Customer: j.Customer, Attempts: map[string][]Attempt{}, Warnings: j.Warnings}
	for _, m := range j.Card.Marks {
		out.Card.Marks = append(out.Card.Marks, Mark(m))
	}
	for _, p := range j.Card.Photos {
		out.Card.Photos = append(out.Card.Photos, evidenceOf(p))
	}
	for step, attempts := range j.Attempts {
		for i := range attempts {
			out.Attempts[step] = append(out.Attempts[step], attemptOf(&attempts[i]))
		}
	}
	return out
}

func attemptOf(a *reading.Attempt) Attempt {
	out := Attempt{Number: a.Number, Started: a.Started, Ended: a.Ended, By: a.By, Skipped: a.Skipped, Cut: a.Cut, Ran: a.Ran}
	for _, r := range a.Readings {
		one := Reading{Seq: r.Seq, Name: r.Name, Word: r.Word, Text: r.Text, Unit: r.Unit, Resolution: r.Resolution, Instrument: r.Instrument,
			Place: r.Place, After: r.After, Corrects: r.Corrects, At: r.At, By: r.By, Source: Source(r.Source)}
		if r.Numeric {
			v := r.Value
			one.Value = &v
		}
		out.Readings = append(out.Readings, one)
	}
	for i := range a.Logs {
		l := &a.Logs[i]
		one := Log{Evidence: evidenceOf(l.Evidence), Instrument: l.Instrument, Run: l.Run, Count: l.Count, Bad: l.Bad, Recipe: l.Recipe, Part: l.Part, Pool: l.Pool}
		if l.Failures != nil {
			one.Recipe, one.Failures = nil, l.Recipe
		}
		if !math.IsNaN(l.Seconds) && !math.IsInf(l.Seconds, 0) {
			s := l.Seconds
			one.Seconds = &s
		}
		for _, c := range l.Columns {
			one.Columns = append(one.Columns, Column(c))
		}
		out.Logs = append(out.Logs, one)
	}
	for _, c := range a.Captures {
		out.Captures = append(out.Captures, Capture{Evidence: evidenceOf(c.Evidence), Pattern: c.Pattern, Mode: c.Mode, Route: c.Route, Base: c.Base})
	}
	for _, d := range a.Dumps {
		out.Dumps = append(out.Dumps, evidenceOf(d.Evidence))
	}
	for _, n := range a.Notes {
		out.Notes = append(out.Notes, Note(n))
	}
	return out
}

// reading is the job as judging takes it, with its files.
func (j *Job) reading(files Files) *reading.Job {
	out := &reading.Job{Number: j.Number, Opened: j.Opened, Plan: j.Plan, Bench: j.Bench, Technician: j.Technician,
		Card:      reading.Card{Family: j.Card.Family, Variant: j.Card.Variant, Title: j.Card.Title, Serial: j.Card.Serial},
		Complaint: j.Complaint, ComplaintEvery: j.ComplaintEvery, Condition: j.Condition, Work: j.Work, WorkNotes: j.WorkNotes,
		Customer: j.Customer, Attempts: map[string][]reading.Attempt{}, Warnings: j.Warnings}
	for _, m := range j.Card.Marks {
		out.Card.Marks = append(out.Card.Marks, reading.Mark(m))
	}
	for _, p := range j.Card.Photos {
		out.Card.Photos = append(out.Card.Photos, p.reading())
	}
	for step, attempts := range j.Attempts {
		for i := range attempts {
			out.Attempts[step] = append(out.Attempts[step], attempts[i].reading(files))
		}
	}
	return out
}

func (a *Attempt) reading(files Files) reading.Attempt {
	out := reading.Attempt{Number: a.Number, Started: a.Started, Ended: a.Ended, By: a.By, Skipped: a.Skipped, Cut: a.Cut, Ran: a.Ran}
	for _, r := range a.Readings {
		one := reading.Reading{Seq: r.Seq, Name: r.Name, Value: math.NaN(), Word: r.Word, Text: r.Text, Unit: r.Unit, Resolution: r.Resolution,
			Instrument: r.Instrument, Place: r.Place, After: r.After, Corrects: r.Corrects, At: r.At, By: r.By, Source: reading.Source(r.Source)}
		if r.Value != nil {
			one.Value, one.Numeric = *r.Value, true
		}
		out.Readings = append(out.Readings, one)
	}
	for i := range a.Logs {
		l := &a.Logs[i]
		one := reading.Log{Evidence: l.Evidence.reading(), Instrument: l.Instrument, Run: l.Run, Count: l.Count, Bad: l.Bad,
			Seconds: math.NaN(), Part: l.Part}
		l.read(&one, files)
		if l.Seconds != nil {
			one.Seconds = *l.Seconds
		}
		for _, c := range l.Columns {
			one.Columns = append(one.Columns, reading.Column(c))
		}
		out.Logs = append(out.Logs, one)
	}
	for _, c := range a.Captures {
		out.Captures = append(out.Captures, reading.Capture{Evidence: c.Evidence.reading(), Pattern: c.Pattern, Mode: c.Mode, Route: c.Route, Base: c.Base, Open: files.open(c.SHA256)})
	}
	for _, d := range a.Dumps {
		out.Dumps = append(out.Dumps, reading.Dump{Evidence: d.reading(), Bytes: files.bytes(d.SHA256)})
	}
	for _, n := range a.Notes {
		out.Notes = append(out.Notes, reading.Note(n))
	}
	return out
}
