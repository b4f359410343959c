package job

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

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
// where they are zero. Reading, Log and Capture say what stands nowhere else on
// the line: the time, the person and the file are the entry's own.
type Entry struct {
	Version int              `json:"v"`
	Seq     int              `json:"seq"`
	At      time.Time        `json:"at"`
	Kind    Kind             `json:"kind"`
	More    int              `json:"more,omitempty"` // lines of the same append that follow
	Step    string           `json:"step,omitempty"`
	Attempt int              `json:"attempt,omitempty"`
	By      string           `json:"by,omitempty"`
	Reading *reading.Reading `json:"reading,omitempty"`
	File    *File            `json:"file,omitempty"`
	Log     *reading.Log     `json:"log,omitempty"`
	Capture *reading.Capture `json:"capture,omitempty"`
	Text    string           `json:"text,omitempty"`
	Event   reading.Event    `json:"event,omitempty"` // that a note marks
	Ran     float64          `json:"ran,omitempty"`   // s; of attempt-end and cut
	Issue   *IssuedRecord    `json:"issue,omitempty"`

	line   int // of the journal, from 1
	offset int64
	length int // bytes, without the line feed
}

// A File is a piece of evidence with the name that it has in the folder of the
// evidence.
type File struct {
	reading.Evidence
	Kept string `json:"kept"`

	fresh bool // it was not there before
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
	e := Entry{Kind: Value, At: r.At, Step: step, Attempt: attempt, By: r.By, Reading: &r}
	if r.Corrects {
		e.Kind = Correction
	}
	r.Seq, r.At, r.By, r.Corrects = 0, time.Time{}, "", false
	return e
}

// reading is the reading of the entry with what the line says of it.
func (e *Entry) reading() reading.Reading {
	r := *e.Reading
	r.Seq, r.At, r.By, r.Corrects = e.Seq, e.At, e.By, e.Kind == Correction
	return r
}

// log is the log of the entry with the file that it is.
func (e *Entry) log() reading.Log {
	l := *e.Log
	l.Evidence = e.File.Evidence
	if l.Failures != nil {
		l.Map = nil // older lines have an empty one
	}
	return l
}

// capture is the capture of the entry with the file that it is.
func (e *Entry) capture() reading.Capture {
	var c reading.Capture
	if e.Capture != nil {
		c = *e.Capture
	}
	c.Evidence = e.File.Evidence
	return c
}

// note is the note of the entry.
func (e *Entry) note() reading.Note {
	n := reading.Note{At: e.At, By: e.By, Text: e.Text, Event: e.Event}
	if n.Event == "" && n.Text == begunBefore {
		n.Event = reading.RunBegan
	}
	return n
}

// begunBefore is how lines say that a clock was started that were written
// before they had an event for it. Nothing else may go by these words.
const begunBefore = "the clock was started"

// check refuses an entry that could not be read again.
func (e *Entry) check() error {
	switch {
	case !e.Kind.known():
		return fmt.Errorf("kind %q is not known", e.Kind)
	case (e.Kind == Value || e.Kind == Correction) && (e.Reading == nil || e.Reading.Name == ""):
		return errors.New("a reading without a name")
	case e.Kind == LogFile && (e.File == nil || e.Log == nil):
		return errors.New("a log without a file")
	case e.Kind == LogFile && e.Log.Failures == nil && !isObject(e.Log.Map):
		return errors.New("a log without a map that says how it is read")
	case e.Kind == Picture && e.File == nil:
		return errors.New("a capture without a file")
	case e.Kind == Dumped && e.File == nil:
		return errors.New("a dump without a file")
	case e.Kind == Issued && e.Issue == nil:
		return errors.New("an issue without a document")
	case e.Step == "" && e.Kind != Remark && e.Kind != Issued:
		return fmt.Errorf("a %s without a step", e.Kind)
	}
	if r := e.Reading; r != nil && r.Value != nil && (math.IsNaN(*r.Value) || math.IsInf(*r.Value, 0)) {
		return fmt.Errorf("reading %q is not a finite number", r.Name)
	}
	return nil
}

// isObject tells whether a JSON text is an object. What is in a map is the
// business of what reads logs by it.
func isObject(text json.RawMessage) bool {
	var keys map[string]json.RawMessage
	return json.Unmarshal(text, &keys) == nil
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
