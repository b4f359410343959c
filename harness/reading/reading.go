// Package reading holds what the bench observed of one card: the card itself,
// the attempts at each step, and in each attempt the readings, logs, captures
// and notes.
//
// These are plain values between the job folder, which fills them, and
// scoring, which judges them. The package reads no files and judges nothing.
package reading

import (
	"io"
	"iter"
	"time"

	"proveout/plans"
)

// Version is the version of the program that records and documents name.
const Version = "1.0.0"

// A Job is one card's way through the bench.
type Job struct {
	Number     string // "2026-0042"
	Opened     time.Time
	Plan       string // plan id
	Card       Card
	Bench      string // bench id of the shop
	Technician string // technician id of the shop
	Complaint  string // as received
	// ComplaintEvery is how often the fault came back before the repair, in
	// seconds; 0 when unknown or not intermittent.
	ComplaintEvery float64
	Condition      string   // as received
	Work           []string // kinds of work done: "memory chips replaced"
	WorkNotes      string
	Customer       string               // reference only
	Attempts       map[string][]Attempt // by step id, in order
	Warnings       []string             // e.g. a torn last line that was set aside
}

// A Card is the unit under test.
type Card struct {
	Family  string
	Variant string
	Title   string // as the documents call it
	Serial  string
	Marks   []Mark // what else ties the paper to this card
	Photos  []Evidence
}

// A Mark is a feature of this very card: a chip's date code, a sticker number.
type Mark struct {
	Name, Value string
}

// An Attempt is one run through a step. A retest is a new attempt.
type Attempt struct {
	Number   int // from 1
	Started  time.Time
	Ended    time.Time
	By       string // technician id
	Readings []Reading
	Logs     []Log
	Captures []Capture
	Dumps    []Dump // of configuration space
	Notes    []Note
	Skipped  string  // reason, when the step was skipped
	Cut      string  // reason, when a timed run was cut short by a crash or stop
	Ran      float64 // s, timed by the guided run; 0 when it was not timed
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

// A Reading is one observed value.
type Reading struct {
	Seq        int     // line of the journal it stands on
	Name       string  // "core", "bridges", "peak"
	Value      float64 // base unit; NaN when the reading is a word
	Numeric    bool
	Word       string   // "yes", "AGP", "1:4a2c" when it is not a number
	Text       string   // as typed or logged
	Unit       string   // as typed: "MHz"
	Resolution float64  // one step of the last digit, base unit; 0 unknown
	Instrument string   // instrument id of the bench; empty when none is named
	Place      string   // of a temperature: die, heatsink, case, board
	After      *float64 // s since the run began, when it was stated: "61.5 @ 30 min"
	Corrects   bool     // takes the place of the reading before it
	At         time.Time
	By         string
	Source     Source
}

// A Source says where a reading came from.
type Source struct {
	Kind     string // "typed", "file", "probe"
	Evidence string // SHA-256 of the file
	Line     int    // line in it, from 1; 0 when it does not apply
	Column   string
}

// Evidence is a file kept with the job.
type Evidence struct {
	SHA256  string // lower-case hex
	Name    string // as it was called
	Size    int64
	Role    string // "log", "capture", "photo before", "photo after", "close-up", "note"
	Caption string
	Path    string // where the job keeps it
	Print   string // of a photo: SHA-256 of its version for print; empty when none is kept
}

// A Capture is a picture taken of the card's output. It is read again each
// time it is compared, unless what was found then is kept and still holds.
type Capture struct {
	Evidence
	Pattern string                        // which test picture was shown; empty when nobody knows
	Mode    string                        // display mode it was shown in: "640x480x16@75"
	Route   string                        // how it came in: "digital", "analogue", "photo"; empty: to be found out
	Base    int64                         // byte address of the first pixel in the frame memory
	Open    func() (io.ReadCloser, error) // the file; nil when it is not at hand

	// Recall returns what was kept under the key, Keep keeps it. Both may be
	// nil; a capture is then compared afresh.
	Recall func(key string) ([]byte, bool)
	Keep   func(key string, found []byte)
}

// A Note is free text.
type Note struct {
	At   time.Time
	By   string
	Text string
}

// A Log is an imported log. It is read again each time it is judged; Rows
// streams it, so a log of any length needs little memory.
type Log struct {
	Evidence
	Instrument string   // instrument id of the bench, when one is named
	Run        int      // which run of the step it belongs to, from 1
	Columns    []Column // of the values that Rows yields
	Rows       func() iter.Seq2[Row, error]
	Recipe     []byte  // how Rows or Failures reads the file, as JSON: a log map, or what is known of the list
	Part       int     // which run of the file Rows yields
	Count      int64   // rows imported
	Bad        int64   // rows set aside
	Seconds    float64 // first to last time stamp, when the log has one

	// Failures streams the rows of a list of failing addresses, some at a
	// time; each piece is valid until the next one is asked for. It is nil for
	// any other log.
	Failures func() iter.Seq2[[]Failure, error]
	Pool     string // memory that the list is about: "frame", "texture"; empty when the card has one
}

// A Failure is one row of a list of failing addresses.
type Failure struct {
	Address     int64   // byte address within the memory, from 0; below 0 when the list's lies before its base
	Written     uint64  // value written; byte 0 (the low byte) at Address
	Read        uint64  // value read back
	Bits        int     // width of the value: 8, 16, 32 or 64
	Seconds     float64 // time since any fixed instant; NaN when not listed
	Celsius     float64 // temperature at that time; NaN when not listed
	PatternName string  // name of the test's data pattern; empty when not listed
}

// A Dump is a configuration space as it was dumped, kept as evidence.
type Dump struct {
	Evidence
	Bytes func() ([]byte, error) // the file, whole
}

// A Column is one quantity of a log.
type Column struct {
	Name       string  // "time", "temperature", "ambient", "frame-time", "fps", "power", "core-clock", …
	Header     string  // as the file calls it
	Unit       string  // as the file gives it
	Resolution float64 // base unit, one step of the last digit seen; 0 unknown
	Place      string  // of a temperature
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

// A Row is one line of a log in base units, NaN where the log has no value. It
// is valid until the next row is asked for.
type Row struct {
	Line   int64 // line in the file, from 1
	Values []float64
}

// A ControlRun is one run of the shop's control card.
type ControlRun struct {
	Seq      int // in the shop's register
	Bench    string
	Workload string
	Card     string
	Unit     string
	Value    float64
	At       time.Time
	By       string
}

// A SignalAnswer says that somebody looked into a signal of the control card
// on a bench; runs up to and with UpTo are answered for.
type SignalAnswer struct {
	Bench, Workload string
	UpTo            int // Seq of the last run answered for
	By, Text        string
	At              time.Time
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
}
