// Package record holds what a document is made from: the judged job with its
// plan, family, shop, photos and evidence.
//
// Values of the earlier rooms come in and go out unchanged. The package judges
// nothing; it only refuses to call a document a certificate when the outcome
// does not carry it.
package record

import (
	"errors"
	"fmt"
	"image"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/report/seal/fingerprint"
	"proveout/scoring"
	"proveout/scoring/conformity"
)

// A Kind says what a document is.
type Kind int

// The kinds of document. The zero value is the one that promises less.
const (
	TestReport  Kind = iota // made in any state, marked on every page
	Certificate             // made only of an accepted outcome
)

// A Document is everything that stands on a certificate or a test report.
type Document struct {
	Kind     Kind
	Number   string    // certificate or report number
	IssuedAt time.Time // printed with its zone
	Tool     string    // name and version of the program: "proveout 0.1.0"
	Language string    // of the shop's texts: "en", "de", "fr"; empty is "en"

	Shop         *plans.Shop
	Bench        *plans.Bench // nil when the shop has no bench of that name
	Technician   string       // name of who tested
	AuthorisedBy string       // name of who authorised the issue; empty on most reports

	Job     *reading.Job
	Plan    *plans.Plan
	Family  *plans.Family
	Outcome *scoring.Outcome

	Logo     image.Image // of the shop; nil when it has none
	Photos   []Photo
	Captures []Capture          // nil: gathered from the outcome by [Document.Prepare]
	Unshown  int                // captures that were left out to keep the document short
	Evidence []reading.Evidence // nil: gathered from the job

	Rule       string   // decision rule in words; empty: by the plan's rule
	Replaces   string   // number of the certificate this one replaces
	Because    string   // why it was replaced
	Deviations []string // departures from the plan, in sentences
	Remarks    []string
	Seal       *Seal // whose key signs the document; nil: it is not signed

	Record string // SHA-256 of the attached record that the document was made from, hex; empty when there is none
}

// A Seal is whose key signs a document, as its pages say.
type Seal struct {
	Name        string // on the key's certificate
	Fingerprint fingerprint.Fingerprint
}

// A Photo is a picture of the card. Image is used when JPEG is empty; see
// [Prepare].
type Photo struct {
	Image   image.Image
	Caption string
	Role    string // "photo before", "photo after", "close-up"
	SHA256  string // of the file the picture was read from

	JPEG          []byte // scaled and encoded, without metadata
	Width, Height int    // of JPEG, px
}

// ErrNotAccepted is returned for a certificate whose outcome is not accepted.
var ErrNotAccepted = errors.New("a certificate needs an accepted outcome; make a test report instead")

// Check says what a document lacks before it can be written: the values every
// page needs, and for a certificate an accepted outcome, a number and the name
// of who authorised it.
func (d *Document) Check() error {
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

// Files returns the evidence of the document: Evidence when given, otherwise
// every file the job's attempts and photos name, each once, in the plan's
// order.
func (d *Document) Files() []reading.Evidence {
	if d.Evidence != nil {
		return d.Evidence
	}
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
