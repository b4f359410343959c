// Package reading holds the record of what the bench observed of one card: the
// job, the card, the attempts at each step, and in each attempt the readings,
// logs, captures and notes.
//
// These types are what the lines of a job's journal say, what job.toml says of
// the card, what scoring judges and what a certificate carries; their JSON and
// TOML tags are those of all four. They are plain values: what reads the files
// that they name is handed along beside them, as [Files]. What a person typed
// becomes readings by [Parse], what stands in a results file by [ParseResults].
// The package reads no files and judges nothing.
package reading

import (
	"encoding/json"
	"math"
	"time"

	"proveout/plans"
	"proveout/plans/fact"
)

// Version is the version of the program that records and documents name.
const Version = "1.0.0"

// A Job is one card's way through the bench.
type Job struct {
	Number     string    `json:"number" toml:"number"` // "2026-0042"
	Opened     time.Time `json:"opened" toml:"opened"`
	Plan       string    `json:"plan" toml:"plan"`                   // plan id
	Bench      string    `json:"bench" toml:"bench"`                 // bench id of the shop
	Technician string    `json:"technician" toml:"technician"`       // technician id of the shop
	Customer   string    `json:"customer,omitempty" toml:"customer"` // reference only
	Complaint  string    `json:"complaint,omitempty" toml:"complaint"`
	// ComplaintEvery is how often the fault came back before the repair, in
	// seconds; 0 when unknown or not intermittent.
	ComplaintEvery float64              `json:"complaint_every_s,omitempty" toml:"complaint_every_s"`
	Condition      string               `json:"condition,omitempty" toml:"condition"` // as received
	Work           []string             `json:"work,omitempty" toml:"work"`           // kinds: "memory chips replaced"
	WorkNotes      string               `json:"work_notes,omitempty" toml:"work_notes"`
	Card           Card                 `json:"card" toml:"card"`
	Attempts       map[string][]Attempt `json:"attempts" toml:"-"`           // by step id, in order
	Warnings       []fact.Fact          `json:"warnings,omitempty" toml:"-"` // e.g. a torn last line that was set aside
}

// A Card is the unit under test.
type Card struct {
	Family  string     `json:"family" toml:"family"`
	Variant string     `json:"variant,omitempty" toml:"variant"`
	Title   string     `json:"title" toml:"title"` // as the documents call it
	Serial  string     `json:"serial,omitempty" toml:"serial"`
	Marks   []Mark     `json:"marks,omitempty" toml:"mark"` // what else ties the paper to this card
	Photos  []Evidence `json:"photos,omitempty" toml:"photo"`
}

// A Mark is a feature of this very card: a chip's date code, a sticker number.
type Mark struct {
	Name  string `json:"name" toml:"name"`
	Value string `json:"value" toml:"value"`
}

// An Attempt is one run through a step. A retest is a new attempt.
type Attempt struct {
	Number   int        `json:"number"` // from 1
	Started  time.Time  `json:"started,omitzero"`
	Ended    time.Time  `json:"ended,omitzero"`
	By       string     `json:"by,omitempty"` // technician id
	Readings []Reading  `json:"readings,omitempty"`
	Logs     []Log      `json:"logs,omitempty"`
	Captures []Capture  `json:"captures,omitempty"`
	Dumps    []Evidence `json:"dumps,omitempty"` // of configuration space
	Notes    []Note     `json:"notes,omitempty"`
	Skipped  string     `json:"skipped,omitempty"` // reason, when the step was skipped
	Cut      string     `json:"cut,omitempty"`     // reason, when a timed run was cut short by a crash or stop
	Ran      float64    `json:"ran_s,omitempty"`   // timed by the guided run; 0 when it was not timed
}

// Latest returns the last reading of the given name and whether there is one.
// A correction is a later reading.
func (a *Attempt) Latest(name string) (Reading, bool) {
	for i := len(a.Readings) - 1; i >= 0; i-- {
		if a.Readings[i].Name == name {
			return a.Readings[i], true
		}
	}
	return Reading{}, false
}

// All returns every reading of the given name, in order. A reading marked as a
// correction takes the place of the one before it.
func (a *Attempt) All(name string) []Reading {
	var out []Reading
	for _, r := range a.Readings {
		if r.Name != name {
			continue
		}
		if r.Corrects && len(out) > 0 {
			out[len(out)-1] = r
			continue
		}
		out = append(out, r)
	}
	return out
}

// Files are the files of the attempt: logs, captures and dumps.
func (a *Attempt) Files() []Evidence {
	var out []Evidence
	for _, l := range a.Logs {
		out = append(out, l.Evidence)
	}
	for _, c := range a.Captures {
		out = append(out, c.Evidence)
	}
	return append(out, a.Dumps...)
}

// A Reading is one observed value. The journal has Seq, Corrects, At and By
// beside it, on the same line.
type Reading struct {
	Seq        int       `json:"seq,omitempty"`        // line of the journal it stands on
	Name       string    `json:"name"`                 // "core", "bridges", "peak"
	Value      *float64  `json:"value,omitempty"`      // base unit; nil when the reading is a word
	Over       bool      `json:"over,omitempty"`       // above the instrument's range; Value is its end, or 0 if unstated
	Word       string    `json:"word,omitempty"`       // "yes", "AGP", "1:4a2c" when it is not a number
	Text       string    `json:"text"`                 // as typed or logged
	Unit       string    `json:"unit,omitempty"`       // as typed: "MHz"
	Resolution float64   `json:"resolution,omitempty"` // one step of the last digit, base unit; 0 unknown
	Instrument string    `json:"instrument,omitempty"` // instrument id of the bench; empty when none is named
	Place      string    `json:"place,omitempty"`      // of a temperature: die, heatsink, case, board
	After      *float64  `json:"after,omitempty"`      // s since the run began, when it was stated: "61.5 @ 30 min"
	Corrects   bool      `json:"corrects,omitempty"`   // takes the place of the reading before it
	At         time.Time `json:"at,omitzero"`
	By         string    `json:"by,omitempty"`
	Source     Source    `json:"source"`
}

// Number is the value of the reading in its base unit, NaN when it is a word.
func (r Reading) Number() float64 {
	if r.Value == nil {
		return math.NaN()
	}
	return *r.Value
}

// A Source says where a reading came from.
type Source struct {
	Kind     string `json:"kind"`               // "typed", "file", "probe"
	Evidence string `json:"evidence,omitempty"` // SHA-256 of the file
	Line     int    `json:"line,omitempty"`     // line in it, from 1; 0 when it does not apply
	Column   string `json:"column,omitempty"`
}

// Roles are what files kept with a job usually are, each with the caption that a
// picture of that kind gets where nobody wrote one.
func Roles() map[string]string {
	return map[string]string{
		"log": "", "capture": "", "dump": "", "file": "",
		"photo before": "As received", "photo after": "After the repair", "close-up": "Marks of this card",
	}
}

// Evidence is a file kept with the job. Print is of this computer: records
// do not carry it.
type Evidence struct {
	Name    string `json:"name,omitempty" toml:"name"` // as it was called
	Role    string `json:"role,omitempty" toml:"role"` // "log", "capture", "photo after"
	Caption string `json:"caption,omitempty" toml:"caption"`
	SHA256  string `json:"sha256,omitempty" toml:"sha256"` // lower-case hex
	Size    int64  `json:"size,omitempty" toml:"size"`
	Print   string `json:"-" toml:"print,omitempty"` // of a photo: SHA-256 of its version for print
}

// A Capture is a picture taken of the card's output.
type Capture struct {
	Evidence
	Pattern string `json:"pattern,omitempty"` // which test picture was shown; empty when nobody knows
	Mode    string `json:"mode,omitempty"`    // display mode it was shown in: "640x480x16@75"
	Route   string `json:"route,omitempty"`   // how it came in: "digital", "analogue", "photo"; empty: to be found out
	Base    int64  `json:"base,omitempty"`    // byte address of the first pixel in the frame memory
}

// A Note is free text.
type Note struct {
	At    time.Time `json:"at,omitzero"`
	By    string    `json:"by,omitempty"`
	Text  string    `json:"text"`
	Event Event     `json:"event,omitempty"`
}

// An Event is what a note marks besides saying it; empty for most notes.
type Event string

// RunBegan marks that the clock of a timed run was started.
const RunBegan Event = "run-began"

// A Log is one run of an imported log, or a list of failing addresses.
type Log struct {
	Evidence
	Run        int             `json:"run"`                  // which run of the step it belongs to, from 1
	Part       int             `json:"part"`                 // which run of the file it is, from 1
	Map        json.RawMessage `json:"map,omitempty"`        // how the file is read, see package logs
	Columns    []Column        `json:"columns"`              // of the values of a row
	Count      int64           `json:"count"`                // rows imported
	Bad        int64           `json:"bad,omitempty"`        // rows set aside
	Seconds    float64         `json:"seconds,omitempty"`    // first to last time stamp, when the log has one
	Instrument string          `json:"instrument,omitempty"` // instrument id of the bench, when one is named
	Failures   *FailureOptions `json:"failures,omitempty"`   // of a list of failing addresses; nil for any other log
}

// FailureOptions say of a list of failing addresses what its text does not.
type FailureOptions struct {
	Bits int `json:"bits,omitempty"` // width of the values: 8, 16, 32 or 64; 0: as the digits say
	// Radix is that of numbers that neither their column nor their spelling tells: 10
	// or 16; 0: 16.
	Radix int    `json:"radix,omitempty"`
	Unit  int    `json:"unit,omitempty"` // bytes that an address counts by; 0: 1
	Base  uint64 `json:"base,omitempty"` // of the memory's first byte, taken off every address
	Pool  string `json:"pool,omitempty"` // memory that it is about: "frame"; empty when the card has one
}

// A Column is one quantity of a log.
type Column struct {
	Name       string  `json:"name"`                 // "time", "temperature", "frame-time", "fps", …
	Header     string  `json:"header"`               // as the file calls it
	Unit       string  `json:"unit,omitempty"`       // as the file gives it
	Resolution float64 `json:"resolution,omitempty"` // base unit, one step of the last digit seen; 0 unknown
	Place      string  `json:"place,omitempty"`      // of a temperature
}

// Column returns the index of the column of the given name, or -1.
func (l *Log) Column(name string) int {
	for i, c := range l.Columns {
		if c.Name == name {
			return i
		}
	}
	return -1
}

// A ControlRun is one run of the shop's control card.
type ControlRun struct {
	Seq      int       `json:"seq"` // in the shop's register
	Bench    string    `json:"bench"`
	Workload string    `json:"workload"`
	Card     string    `json:"card,omitempty"`
	Unit     string    `json:"unit"`
	Value    float64   `json:"value"`
	At       time.Time `json:"at"`
	By       string    `json:"by,omitempty"`
}

// A SignalAnswer says that somebody looked into a signal of the control card
// on a bench; runs up to and with UpTo are answered for.
type SignalAnswer struct {
	Bench    string    `json:"bench"`
	Workload string    `json:"workload"`
	UpTo     int       `json:"up_to"` // Seq of the last run answered for
	By       string    `json:"by,omitempty"`
	Text     string    `json:"text"`
	At       time.Time `json:"at"`
}

// Input is all that scoring is given.
type Input struct {
	Plan   *plans.Plan
	Family *plans.Family
	Shop   *plans.Shop
	Job    *Job

	References []plans.ReferenceSet // the shop's own sets for this family
	Control    []ControlRun         // oldest first
	Answers    []SignalAnswer

	Files Files // that the job names; may be nil where it names none
}
