// Package record holds what a document is made from, in the two forms that it
// has: a [Document], which the pages are made of, and the [Record] in it, which
// travels inside a certificate.
//
// The judged job comes in with its plan, family and shop; one canonical JSON
// text (RFC 8785) goes out, with everything that the pages are made from and
// that judging needs, but for the files of the test, which it names by their
// SHA-256. The other way, a record comes in and the document goes out, or the
// answer to the question whether its verdicts follow from its readings. The
// package opens no file and judges nothing itself; it only refuses to call a
// document a certificate when the outcome does not carry it.
package record

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"runtime"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/report/seal/check"
	"proveout/scoring/outcome"
)

// Schema is the version of the record that this program writes. Each version
// that was ever written stays readable:
//
//	1  the pages do not name the record's own SHA-256
//	2  they do, so that no value of the record can change without the pages
//	3  its job, shop and reference sets are the program's own types
const Schema = 3

// A Kind says what a document is.
type Kind int

// The kinds of document. The zero value is the one that promises less.
const (
	TestReport  Kind = iota // made in any state, marked on every page
	Certificate             // made only of an accepted outcome
)

var kindNames = [...]string{"test report", "certificate"}

// MarshalText writes the kind as records have it.
func (k Kind) MarshalText() ([]byte, error) {
	if k < 0 || int(k) >= len(kindNames) {
		return nil, fmt.Errorf("no such kind of document: %d", int(k))
	}
	return []byte(kindNames[k]), nil
}

// UnmarshalText reads what MarshalText wrote.
func (k *Kind) UnmarshalText(text []byte) error {
	for i, name := range kindNames {
		if name == string(text) {
			*k = Kind(i)
			return nil
		}
	}
	return fmt.Errorf("the record is of no known kind of document: %q", text)
}

// A Record is what a document was made from.
type Record struct {
	Schema       int                    `json:"schema"`
	Tool         string                 `json:"tool"`  // name and version of the program: "proveout 1.0.0"
	Built        string                 `json:"built"` // as [Built] says it
	Kind         Kind                   `json:"kind"`
	Number       string                 `json:"number"`             // of the certificate or report
	IssuedAt     time.Time              `json:"issued_at"`          // printed with its zone
	Language     string                 `json:"language"`           // "en", "de", "fr"; empty is "en"
	Paper        string                 `json:"paper"`              // "A4" or "Letter"
	Technician   string                 `json:"technician"`         // name of who tested
	AuthorisedBy string                 `json:"authorised_by"`      // who authorised the issue; empty on most reports
	Replaces     string                 `json:"replaces,omitempty"` // number of the certificate this one replaces
	Because      string                 `json:"because,omitempty"`  // why it was replaced
	Seal         *Seal                  `json:"signer,omitempty"`   // nil: the document is not signed
	Shop         *plans.Shop            `json:"shop"`
	Job          *reading.Job           `json:"job"`
	PlanText     string                 `json:"plan"`   // TOML
	FamilyText   string                 `json:"family"` // TOML
	References   []plans.ReferenceSet   `json:"references,omitempty"`
	Control      []reading.ControlRun   `json:"control_runs,omitempty"`
	Answers      []reading.SignalAnswer `json:"signal_answers,omitempty"`
	Outcome      *outcome.Outcome       `json:"outcome"`
	Photos       []Photo                `json:"photos,omitempty"`
	LogoSHA256   string                 `json:"logo_sha256,omitempty"` // of the attached picture of the shop's logo

	sum string // SHA-256 of the text that it was read from, hex
}

// A Seal is whose key signs a document, as its pages say.
type Seal struct {
	Name        string            `json:"name"` // on the key's certificate
	Fingerprint check.Fingerprint `json:"fingerprint"`
}

// A Photo is a picture of the card. Image is used when JPEG is empty; see
// [Document.Prepare].
type Photo struct {
	Caption string `json:"caption"`
	Role    string `json:"role,omitempty"`   // "photo before", "photo after", "close-up"
	SHA256  string `json:"sha256,omitempty"` // of the file the picture was read from
	Printed string `json:"printed_sha256"`   // of JPEG, in records
	Width   int    `json:"width"`            // of JPEG, px
	Height  int    `json:"height"`

	Image image.Image `json:"-"`
	JPEG  []byte      `json:"-"` // scaled and encoded, without metadata
}

// Built says what this program was built with: pages repeat byte for byte only
// with the same, because other compilers pack otherwise, and other processors
// round otherwise.
func Built() string { return runtime.Version() + " " + runtime.GOARCH }

// Sum is the SHA-256 of the record as the pages name it, hex; empty where they
// do not, because there is no record or it is older than that.
func (r *Record) Sum() string {
	if r.Schema < 2 {
		return ""
	}
	return r.sum
}

// Encode is the canonical JSON of the record (RFC 8785).
func (r *Record) Encode() ([]byte, error) { return check.Canonical(r) }

// errNewer is wrapped by the error for a record of a later schema.
var errNewer = errors.New("the record was written by a newer version of this program; get that to check it")

var errForeign = errors.New("the record holds something that this program does not write")

// Decode reads a record. One that holds anything that this program, or the one
// of its schema, would not write itself is refused: nothing in it goes unread.
func Decode(text []byte) (*Record, error) {
	if len(text) > check.MaxRecord {
		return nil, fmt.Errorf("the record has %d bytes; at most %d are read", len(text), check.MaxRecord)
	}
	var v struct {
		Schema int `json:"schema"`
	}
	if err := json.Unmarshal(text, &v); err != nil {
		return nil, fmt.Errorf("the record cannot be read: %w", err)
	}
	r := &Record{}
	var err error
	switch {
	case v.Schema > Schema:
		return nil, errNewer
	case v.Schema < 1:
		return nil, errors.New("the record does not say which schema it follows")
	case v.Schema <= 2:
		r, err = decodeSchema2(text)
	default:
		err = decodeStrictly(text, r)
	}
	switch {
	case err != nil:
		return nil, err
	case r.Shop == nil, r.Job == nil, r.Outcome == nil:
		return nil, errForeign
	}
	r.sum = Digest(text)
	return r, nil
}

// decodeStrictly reads a text that is what v would be written as.
func decodeStrictly(text []byte, v any) error {
	if err := json.Unmarshal(text, v); err != nil {
		return fmt.Errorf("the record cannot be read: %w", err)
	}
	again, err := check.Canonical(v)
	if err != nil {
		return err
	}
	if !bytes.Equal(again, text) {
		return errForeign
	}
	return nil
}

// documents reads the record's plan and family.
func (r *Record) documents() (*plans.Plan, *plans.Family, error) {
	if len(r.PlanText) > plans.MaxFile || len(r.FamilyText) > plans.MaxFile {
		return nil, nil, errors.New("the plan or the family is too long")
	}
	plan, problems := plans.ParsePlan("plan.toml", []byte(r.PlanText))
	if len(problems) > 0 {
		return nil, nil, plans.AsError(problems)
	}
	file, problems := plans.ParseFamily("family.toml", []byte(r.FamilyText))
	if len(problems) > 0 {
		return nil, nil, plans.AsError(problems)
	}
	family, err := file.Variant(r.Job.Card.Variant)
	return plan, family, err
}

// Digest is the SHA-256 of a file, hex, as records name it.
func Digest(file []byte) string {
	sum := sha256.Sum256(file)
	return hex.EncodeToString(sum[:])
}
