// Package archive turns a document into the record that travels inside its
// PDF, and a record back into the document and its verdicts.
//
// A [record.Document] and what scoring was given come in; one canonical JSON
// text (RFC 8785) goes out, with everything that the pages are made from and
// that judging needs, but for the log files, which it names by their SHA-256.
// The other way, a record comes in and the document goes out, or the answer to
// the question whether its verdicts follow from its readings. The package opens
// no file: logs come from a function of the caller. It judges nothing itself.
package archive

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/gowebpki/jcs"

	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/report/seal/canonical"
	"proveout/scoring"
)

// Schema is the version of the record that this program writes. Each version
// that was ever written stays readable:
//
//	1  the pages do not name the record's own SHA-256
//	2  they do, so that no value of the record can change without the pages
const Schema = 2

// MaxSize is the longest record that is read, in bytes.
const MaxSize = 4 << 20

// A Record is what a certificate or a report was made from.
type Record struct {
	Schema       int             `json:"schema"`
	Tool         string          `json:"tool"`  // "proveout 1.0.0"
	Built        string          `json:"built"` // compiler and processor: pages repeat byte for byte only with the same
	Kind         string          `json:"kind"`  // "certificate" or "test report"
	Number       string          `json:"number"`
	IssuedAt     time.Time       `json:"issued_at"`
	Language     string          `json:"language"`
	Paper        string          `json:"paper"` // "A4" or "Letter"
	Technician   string          `json:"technician"`
	AuthorisedBy string          `json:"authorised_by"`
	Replaces     string          `json:"replaces,omitempty"`
	Because      string          `json:"because,omitempty"`
	Signer       *Signer         `json:"signer,omitempty"`
	Shop         Shop            `json:"shop"`
	Job          Job             `json:"job"`
	Plan         string          `json:"plan"`   // TOML text
	Family       string          `json:"family"` // TOML text
	References   []ReferenceSet  `json:"references,omitempty"`
	Control      []ControlRun    `json:"control_runs,omitempty"`
	Answers      []SignalAnswer  `json:"signal_answers,omitempty"`
	Outcome      scoring.Outcome `json:"outcome"`
	Photos       []Photo         `json:"photos,omitempty"`
	Logo         string          `json:"logo_sha256,omitempty"` // of the attached picture

	sum string // SHA-256 of the text that it was read from, hex
}

// A Signer is whose key signs the document.
type Signer struct {
	Name        string `json:"name"`
	Fingerprint string `json:"fingerprint"` // SHA-256 of the certificate, hex
}

// A Photo is a picture on the pages.
type Photo struct {
	Caption string `json:"caption"`
	Role    string `json:"role,omitempty"`
	SHA256  string `json:"sha256,omitempty"` // of the original
	Printed string `json:"printed_sha256"`   // of the JPEG on the pages
	Width   int    `json:"width"`            // of that, px
	Height  int    `json:"height"`
}

// A Shop is what the document says of the workshop, and what judging needs of
// the bench.
type Shop struct {
	Name        string       `json:"name"`
	Address     []string     `json:"address,omitempty"`
	Contact     string       `json:"contact,omitempty"`
	Bench       *Bench       `json:"bench,omitempty"`
	Technicians []Technician `json:"technicians,omitempty"`
}

// A Technician is [plans.Technician].
type Technician struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	Sign bool   `json:"sign,omitempty"`
}

// A Bench is [plans.Bench].
type Bench struct {
	ID          string       `json:"id"`
	Title       string       `json:"title"`
	Host        string       `json:"host,omitempty"`
	Slot        Slot         `json:"slot"`
	Ambient     *Quantity    `json:"ambient,omitempty"`
	Instruments []Instrument `json:"instruments"`
	ControlCard string       `json:"control_card,omitempty"`
}

// A Slot is [plans.Slot].
type Slot struct {
	Kind      string     `json:"kind"`
	Signaling []Quantity `json:"signaling,omitempty"`
	Key       string     `json:"key,omitempty"`
	Rates     []string   `json:"rates,omitempty"`
}

// An Instrument is [plans.Instrument].
type Instrument struct {
	ID         string               `json:"id"`
	Title      string               `json:"title"`
	Measures   []quantity.Dimension `json:"measures"`
	Limits     Quantity             `json:"limits"`
	Floor      *Quantity            `json:"floor,omitempty"`
	Coverage   float64              `json:"coverage,omitempty"`
	Resolution *Quantity            `json:"resolution,omitempty"`
	Place      string               `json:"place,omitempty"`
	LastCheck  string               `json:"last_check,omitempty"`
	NextCheck  string               `json:"next_check,omitempty"`
}

// A Quantity is [quantity.Quantity].
type Quantity struct {
	Dimension  quantity.Dimension `json:"dimension"`
	Value      float64            `json:"value"`
	Minus      float64            `json:"minus,omitempty"`
	Plus       float64            `json:"plus,omitempty"`
	Tolerated  bool               `json:"tolerated,omitempty"`
	Resolution float64            `json:"resolution,omitempty"`
	Unit       string             `json:"unit"`
	Text       string             `json:"text"`
}

// A ReferenceSet is [plans.ReferenceSet].
type ReferenceSet struct {
	Workload string           `json:"workload"`
	Bench    string           `json:"bench"`
	Unit     string           `json:"unit"`
	Better   string           `json:"better"`
	Source   string           `json:"source,omitempty"`
	Scores   []ReferenceScore `json:"scores"`
}

// A ReferenceScore is [plans.ReferenceScore].
type ReferenceScore struct {
	Card  string  `json:"card"`
	Value float64 `json:"value"`
	Job   string  `json:"job,omitempty"`
	By    string  `json:"by,omitempty"`
	When  string  `json:"when,omitempty"`
}

// A ControlRun is a run of the control card.
type ControlRun struct {
	Seq      int       `json:"seq"`
	Bench    string    `json:"bench"`
	Workload string    `json:"workload"`
	Card     string    `json:"card,omitempty"`
	Unit     string    `json:"unit"`
	Value    float64   `json:"value"`
	At       time.Time `json:"at"`
	By       string    `json:"by,omitempty"`
}

// A SignalAnswer is an answer to a signal of the control card.
type SignalAnswer struct {
	Bench    string    `json:"bench"`
	Workload string    `json:"workload"`
	UpTo     int       `json:"up_to"`
	By       string    `json:"by,omitempty"`
	Text     string    `json:"text"`
	At       time.Time `json:"at"`
}

// Encode is the canonical JSON of the record (RFC 8785).
func (r *Record) Encode() ([]byte, error) { return canonicalOf(r) }

func canonicalOf(v any) ([]byte, error) {
	raw, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	if err := canonical.Keeps(raw); err != nil {
		return nil, err
	}
	return jcs.Transform(raw)
}

// ErrNewer is wrapped by the error for a record of a later schema.
var ErrNewer = errors.New("the record was written by a newer version of this program; get that to check it")

// Decode reads a record. One that holds anything that this program would not
// write itself is refused: nothing in it goes unread.
func Decode(text []byte) (*Record, error) {
	if len(text) > MaxSize {
		return nil, fmt.Errorf("the record has %d bytes; at most %d are read", len(text), MaxSize)
	}
	var v struct {
		Schema int `json:"schema"`
	}
	if err := json.Unmarshal(text, &v); err != nil {
		return nil, fmt.Errorf("the record cannot be read: %w", err)
	}
	switch {
	case v.Schema > Schema:
		return nil, ErrNewer
	case v.Schema < 1:
		return nil, errors.New("the record does not say which schema it follows")
	}
	r := &Record{sum: digest(text)}
	if err := json.Unmarshal(text, r); err != nil {
		return nil, fmt.Errorf("the record cannot be read: %w", err)
	}
	again, err := r.Encode()
	if err != nil {
		return nil, err
	}
	if !bytes.Equal(again, text) {
		return nil, errors.New("the record holds something that this program does not write")
	}
	return r, nil
}

// documents reads the record's plan and family.
func (r *Record) documents() (*plans.Plan, *plans.Family, error) {
	const most = 512 << 10
	if len(r.Plan) > most || len(r.Family) > most {
		return nil, nil, errors.New("the plan or the family is too long")
	}
	plan, problems := plans.ParsePlan("plan.toml", []byte(r.Plan))
	if len(problems) > 0 {
		return nil, nil, plans.AsError(problems)
	}
	file, problems := plans.ParseFamily("family.toml", []byte(r.Family))
	if len(problems) > 0 {
		return nil, nil, plans.AsError(problems)
	}
	family, err := file.Variant(r.Job.Card.Variant)
	return plan, family, err
}
