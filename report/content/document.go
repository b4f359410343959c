package content

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/report/seal/check"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// A Document is everything that stands on a certificate or a test report.
type Document struct {
	Record // what of it travels inside a certificate

	Plan   *plans.Plan
	Family *plans.Family

	Logo     image.Image // of the shop; nil when it has none
	Captures []Capture   // nil: gathered from the outcome by [Document.Prepare]
	Unshown  int         // captures that were left out to keep the document short
}

// ErrNotAccepted is returned for a certificate whose outcome is not accepted.
var ErrNotAccepted = errors.New("a certificate needs an accepted outcome; make a test report instead")

// check says what a document lacks before it can be written: the values every
// page needs, and for a certificate an accepted outcome, a number and the name
// of who authorised it.
func (d *Document) check() error {
	switch {
	case d.Outcome == nil, d.Job == nil, d.Plan == nil, d.Family == nil, d.Shop == nil:
		return errors.New("a document needs the shop, the job, its plan, its family and the outcome")
	case d.IssuedAt.IsZero():
		return errors.New("a document needs the time of issue")
	case d.Kind != Certificate:
		return nil
	case !d.Outcome.Accepted || d.Outcome.Verdict != conformity.Pass:
		return fmt.Errorf("job %s: %w", d.Job.Number, ErrNotAccepted)
	case d.Number == "":
		return errors.New("a certificate needs a number")
	case d.AuthorisedBy == "":
		return errors.New("a certificate needs the name of who authorised it")
	}
	return nil
}

// Bench is the bench of the job; nil when the shop has none of that name.
func (d *Document) Bench() *plans.Bench {
	bench, _ := d.Shop.Bench(d.Job.Bench)
	return bench
}

// Files returns every file that the job's attempts and photos name, each once,
// in the plan's order.
func (d *Document) Files() []reading.Evidence {
	var out []reading.Evidence
	seen := map[string]bool{}
	add := func(e reading.Evidence) {
		if e.SHA256 != "" && !seen[e.SHA256] {
			seen[e.SHA256] = true
			out = append(out, e)
		}
	}
	for _, s := range d.Plan.Steps {
		for _, a := range d.Job.Attempts[s.ID] {
			for _, l := range a.Logs {
				add(l.Evidence)
			}
			for _, c := range a.Captures {
				add(c.Evidence)
			}
		}
	}
	for _, p := range d.Job.Card.Photos {
		add(p)
	}
	return out
}

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
	return fact.New("check.record-kind", "kind", string(text)).Err()
}

// A Record is what a document was made from.
type Record struct {
	Schema       int                    `json:"schema"`
	Tool         string                 `json:"tool"`  // name and version of the program: "proveout 1.0.0"
	Built        string                 `json:"built"` // compiler and processor
	Kind         Kind                   `json:"kind"`
	Number       string                 `json:"number"`             // of the certificate or report
	IssuedAt     time.Time              `json:"issued_at"`          // printed with its zone
	Language     string                 `json:"language"`           // of a catalogue of words; empty is "en"
	Paper        string                 `json:"paper"`              // "A4" or "Letter"
	Technician   string                 `json:"technician"`         // name of who tested
	AuthorisedBy string                 `json:"authorised_by"`      // who authorised the issue; empty on most reports
	Replaces     string                 `json:"replaces,omitempty"` // number of the certificate this one replaces
	Because      string                 `json:"because,omitempty"`  // why it was replaced
	Seal         *Seal                  `json:"signer,omitempty"`   // nil: the document is not signed
	Shop         *plans.Shop            `json:"shop"`
	Job          *reading.Job           `json:"job"`
	PlanText     string                 `json:"plan"`            // TOML
	FamilyText   string                 `json:"family"`          // TOML
	Proof        *reading.Proof         `json:"proof,omitempty"` // what the plan lets through; nil: not worked out
	References   []plans.ReferenceSet   `json:"references,omitempty"`
	Control      []reading.ControlRun   `json:"control_runs,omitempty"`
	Answers      []reading.SignalAnswer `json:"signal_answers,omitempty"`
	Outcome      *outcome.Outcome       `json:"outcome"`
	Photos       []Photo                `json:"photos,omitempty"`
	LogoSHA256   string                 `json:"logo_sha256,omitempty"` // of the attached picture of the shop's logo

	// Sum is the SHA-256 of the text that the record was read from, hex, as the
	// pages name it; empty where they do not, because there is no record or it is
	// older than that.
	Sum string `json:"-"`
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

func (p *Photo) picture() Picture { return Picture{p.JPEG, p.Width, p.Height} }

// Digest is the SHA-256 of a file, hex, as records name it.
func Digest(file []byte) string {
	sum := sha256.Sum256(file)
	return hex.EncodeToString(sum[:])
}
