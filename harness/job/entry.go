package job

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"proveout/harness/logs"
	"proveout/harness/reading"
)

// A Kind says what a line of the journal records.
type Kind string

// The kinds of line.
const (
	AttemptStart Kind = "attempt-start"
	AttemptEnd   Kind = "attempt-end"
	Value        Kind = "reading"
	Correction   Kind = "correction" // a reading that takes the place of the one before it
	LogFile      Kind = "log"
	Picture      Kind = "capture"
	Dumped       Kind = "dump" // a configuration space
	Remark       Kind = "note"
	Skip         Kind = "skip"  // Text says why
	Cut          Kind = "cut"   // a timed run ended before its time; Text says why
	Issued       Kind = "issue" // a document was issued
)

func (k Kind) known() bool {
	switch k {
	case AttemptStart, AttemptEnd, Value, Correction, LogFile, Picture, Dumped, Remark, Skip, Cut, Issued:
		return true
	}
	return false
}

// An Entry is one line of the journal. Seq, At and More are filled in by Append
// where they are zero.
type Entry struct {
	Version int           `json:"v"`
	Seq     int           `json:"seq"`
	At      time.Time     `json:"at"`
	Kind    Kind          `json:"kind"`
	More    int           `json:"more,omitempty"` // lines of the same append that follow
	Step    string        `json:"step,omitempty"`
	Attempt int           `json:"attempt,omitempty"`
	By      string        `json:"by,omitempty"`
	Reading *Observation  `json:"reading,omitempty"`
	File    *File         `json:"file,omitempty"`
	Log     *LogPart      `json:"log,omitempty"`
	Capture *CapturePart  `json:"capture,omitempty"`
	Text    string        `json:"text,omitempty"`
	Ran     float64       `json:"ran,omitempty"` // s; of attempt-end and cut
	Issue   *IssuedRecord `json:"issue,omitempty"`

	Line int    `json:"-"` // of the journal, from 1
	Raw  []byte `json:"-"` // the line as it stands there

	offset int64
}

// An Observation is one reading as the journal has it.
type Observation struct {
	Name       string   `json:"name"`
	Value      *float64 `json:"value,omitempty"` // base unit; absent for a word
	Word       string   `json:"word,omitempty"`
	Text       string   `json:"text"`
	Unit       string   `json:"unit,omitempty"`
	Resolution float64  `json:"resolution,omitempty"`
	Instrument string   `json:"instrument,omitempty"`
	Place      string   `json:"place,omitempty"`
	After      *float64 `json:"after,omitempty"` // s since the run began
	Source     Source   `json:"source"`
}

// Source is reading.Source as the journal has it.
type Source struct {
	Kind     string `json:"kind"`
	Evidence string `json:"evidence,omitempty"`
	Line     int    `json:"line,omitempty"`
	Column   string `json:"column,omitempty"`
}

// A File is a piece of evidence as the journal has it.
type File struct {
	SHA256  string `json:"sha256"`
	Kept    string `json:"kept"` // file name in the evidence folder
	Name    string `json:"name"`
	Size    int64  `json:"size"`
	Role    string `json:"role"`
	Caption string `json:"caption,omitempty"`
}

// A LogPart is one run of an imported log as the journal has it.
type LogPart struct {
	Run     int      `json:"run"`  // of the step
	Part    int      `json:"part"` // run of the file
	Map     logs.Map `json:"map"`
	Columns []Column `json:"columns"`
	Count   int64    `json:"count"`
	Bad     int64    `json:"bad,omitempty"` // of the whole file
	Seconds float64  `json:"seconds,omitempty"`

	Instrument string `json:"instrument,omitempty"` // of the bench

	Failures *logs.FailureOptions `json:"failures,omitempty"` // of a list of failing addresses
}

// A Column is reading.Column as the journal has it.
type Column struct {
	Name       string  `json:"name"`
	Header     string  `json:"header"`
	Unit       string  `json:"unit,omitempty"`
	Resolution float64 `json:"resolution,omitempty"`
	Place      string  `json:"place,omitempty"`
}

// A CapturePart says what a picture shows.
type CapturePart struct {
	Pattern string `json:"pattern,omitempty"`
	Mode    string `json:"mode,omitempty"`
	Route   string `json:"route,omitempty"` // how it came in: "digital", "analogue", "photo"
	Base    int64  `json:"base,omitempty"`  // byte address of the first pixel
}

// An IssuedRecord says which document was issued.
type IssuedRecord struct {
	Document string `json:"document"` // "certificate", "report", "page"
	Number   string `json:"number,omitempty"`
	File     string `json:"file"`
	SHA256   string `json:"sha256"`
}

// Observe makes the journal entry of a reading; a correction when the reading
// says so.
func Observe(step string, attempt int, r reading.Reading) Entry {
	o := &Observation{Name: r.Name, Word: r.Word, Text: r.Text, Unit: r.Unit, Resolution: r.Resolution,
		Instrument: r.Instrument, Place: r.Place, After: r.After,
		Source: Source{r.Source.Kind, r.Source.Evidence, r.Source.Line, r.Source.Column}}
	if r.Numeric {
		o.Value = &r.Value
	}
	e := Entry{Kind: Value, At: r.At, Step: step, Attempt: attempt, By: r.By, Reading: o}
	if r.Corrects {
		e.Kind = Correction
	}
	return e
}

func (e *Entry) reading() reading.Reading {
	o := e.Reading
	r := reading.Reading{Seq: e.Seq, Name: o.Name, Value: math.NaN(), Word: o.Word, Text: o.Text, Unit: o.Unit,
		Resolution: o.Resolution, Instrument: o.Instrument, Place: o.Place, After: o.After, Corrects: e.Kind == Correction, At: e.At, By: e.By,
		Source: reading.Source{Kind: o.Source.Kind, Evidence: o.Source.Evidence, Line: o.Source.Line, Column: o.Source.Column}}
	if o.Value != nil {
		r.Value, r.Numeric = *o.Value, true
	}
	return r
}

// check refuses an entry that could not be read again.
func (e *Entry) check() error {
	switch {
	case !e.Kind.known():
		return fmt.Errorf("kind %q is not known", e.Kind)
	case (e.Kind == Value || e.Kind == Correction) && (e.Reading == nil || e.Reading.Name == ""):
		return errors.New("a reading without a name")
	case e.Kind == LogFile && (e.File == nil || e.Log == nil):
		return errors.New("a log without a file")
	case e.Kind == Picture && e.File == nil:
		return errors.New("a capture without a file")
	case e.Kind == Dumped && e.File == nil:
		return errors.New("a dump without a file")
	case e.Kind == Issued && e.Issue == nil:
		return errors.New("an issue without a document")
	case e.Step == "" && e.Kind != Remark && e.Kind != Issued:
		return fmt.Errorf("a %s without a step", e.Kind)
	}
	if e.Reading != nil && e.Reading.Value != nil && (math.IsNaN(*e.Reading.Value) || math.IsInf(*e.Reading.Value, 0)) {
		return fmt.Errorf("reading %q is not a finite number", e.Reading.Name)
	}
	return nil
}

// encode returns the entry as one line with its line feed.
func (e *Entry) encode() ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(e); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// decodeEntry reads one line of a journal. Lines of a newer version and kinds
// that are not known are kept as they are.
func decodeEntry(line []byte) (Entry, error) {
	var head struct {
		Version int  `json:"v"`
		Kind    Kind `json:"kind"`
		Seq     int  `json:"seq"`
		More    int  `json:"more"`
	}
	if err := json.Unmarshal(line, &head); err != nil {
		return Entry{}, err
	}
	if head.Version < 1 || head.Kind == "" {
		return Entry{}, errors.New("no version or kind")
	}
	if head.Version > formatNumber || !head.Kind.known() {
		return Entry{Version: head.Version, Kind: head.Kind, Seq: head.Seq, More: head.More}, nil
	}
	var e Entry
	if err := json.Unmarshal(line, &e); err != nil {
		return Entry{}, err
	}
	return e, e.check()
}

func (e *Entry) newer() bool { return e.Version > formatNumber || !e.Kind.known() }
