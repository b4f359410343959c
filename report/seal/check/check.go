// Package check tells whether a sealed certificate is what it claims to be.
//
// The bytes of a PDF file come in, with what the reader knows of the signer; a
// [Report] goes out, as facts that the catalogue puts into words for somebody who
// has never heard of signatures. It reads no other file, has no network and no
// clock, and is small enough to be compiled for a page in a browser. It does not
// know what a record says: the caller hands in functions that score it and make
// its pages again. Any input is answered, within fixed bounds of work and memory.
package check

import (
	"bytes"
	"crypto/x509"
	"encoding/asn1"
	"errors"
	"slices"
	"strings"
	"time"
	"unicode"

	"proveout/plans/fact"
	"proveout/report/seal/cms"
	"proveout/report/seal/pdffile"
)

// RecordName is the name of the attachment that is the record.
const RecordName = "record.json"

// Verdict is the answer to the question whether a certificate can be relied on.
type Verdict string

const (
	Bad         Verdict = "bad"         // something is wrong with it
	Unconfirmed Verdict = "unconfirmed" // whole, but nothing says who its signer is
	Good        Verdict = "good"        // whole, and signed by who was expected
)

// State is the outcome of one question.
type State string

const (
	No   State = "no"   // the answer speaks against the certificate
	Open State = "open" // could not be told, or was not asked
	Yes  State = "yes"
)

// An Answer is one question about a certificate and what was found.
type Answer struct {
	Key      string    `json:"key"` // stable name of the question
	Question fact.Fact `json:"question"`
	State    State     `json:"state"`
	Words    fact.Fact `json:"words"`
}

// A Signer is who signed a certificate.
type Signer struct {
	Name        string      `json:"name"`
	Fingerprint Fingerprint `json:"fingerprint"`
	Spoken      string      `json:"fingerprint_spoken"`
	Standing    Standing    `json:"standing"`
}

// Standing says what is known of a signer.
type Standing string

const (
	Unknown     Standing = "unknown"      // nothing
	Expected    Standing = "expected"     // the one asked for by fingerprint
	Known       Standing = "known"        // among the certificates at hand
	Retired     Standing = "retired"      // once used and given up
	OtherKey    Standing = "other key"    // the name of a known one, but another key
	NotExpected Standing = "not expected" // another than the one asked for
)

// A Report is what was found.
type Report struct {
	Verdict Verdict     `json:"verdict"`
	Valid   bool        `json:"valid"` // the verdict is Good
	Summary fact.Fact   `json:"summary"`
	Answers []Answer    `json:"answers"`
	Limits  []fact.Fact `json:"limits"` // what this does not prove

	Signer   Signer    `json:"signer"`
	SignTime time.Time `json:"sign_time,omitzero"` // by the shop's own clock
	Reason   string    `json:"reason,omitempty"`
	Location string    `json:"location,omitempty"`

	// Contents is what the signed file holds; empty unless it is whole.
	Contents `json:"-"`
}

// Contents is what a certificate holds.
type Contents struct {
	Record      []byte
	Attachments []pdffile.Attachment // the record among them
	Pages       []byte               // the PDF as it was before anything was attached
	SignedBy    Fingerprint
}

// A Lapsed is a certificate that its shop gave up.
type Lapsed struct {
	Cert *x509.Certificate
	When time.Time
	Why  Why
}

// Why says why a certificate was given up.
type Why string

const (
	Replaced    Why = "replaced"    // by a newer one; nobody else had the key
	Compromised Why = "compromised" // somebody else may have the key
)

// A Question is one that the caller adds: see [Pages], and package record.
type Question struct {
	Key      string
	Question fact.Fact
	Ask      func(Contents) (State, fact.Fact)
}

// Options is what the reader knows and wants to know. The zero value asks
// whether the file is whole.
type Options struct {
	Signer  Wanted              // who has to have signed
	Known   []*x509.Certificate // certificates that are trusted to be who they say
	Retired []Lapsed
	Now     time.Time  // zero: the date is not compared with today
	Further []Question // are asked of a file that is whole
}

// An OtherVersion is the error of making pages again with another version of
// the program than theirs; then these values have to stand on the pages.
type OtherVersion struct {
	Version string   // that made the pages
	Values  []string // each a piece of text from the record
}

func (o OtherVersion) Error() string { return "made by version " + o.Version }

// Verify looks at a certificate. It never fails: what is wrong stands in the report.
func Verify(pdf []byte, o Options) (r Report) {
	defer func() {
		if p := recover(); p != nil { // a guard for the caller's functions; none of ours is known to need it
			r = givenUp(fact.New("check.not-to-its-end"))
		}
	}()
	v := &inspection{pdf: pdf, options: o}
	v.run()
	return v.report
}

// TookTooLong is the report on a file whose inspection was given up.
func TookTooLong() Report { return givenUp(fact.New("check.took-too-long")) }

func givenUp(why fact.Fact) Report {
	var r Report
	r.answer("form", No, why)
	r.conclude()
	return r
}

// inspection is one run of Verify.
type inspection struct {
	pdf     []byte
	report  Report
	options Options
	file    *pdffile.File
	found   pdffile.Found
	value   *cms.SignedData
	behind  []byte // what stands behind the value in its hole
}

// run asks the questions one after the other. What is asked of the file itself
// needs the answers before it: the first that speaks against it is the last.
func (v *inspection) run() {
	r := &v.report
	defer r.conclude()
	for _, q := range []struct {
		key string
		ask func() (State, fact.Fact)
	}{
		{"signed", v.open},
		{"covers", v.covers},
		{"untouched", v.untouched},
		{"form", v.form},
		{"signer", v.signer},
		{"time", v.time},
		{"record", v.record},
	} {
		state, words := q.ask()
		r.answer(q.key, state, words)
		if state == No {
			return
		}
	}
	for _, q := range v.options.Further {
		state, words := q.Ask(r.Contents)
		r.Answers = append(r.Answers, Answer{q.Key, q.Question, state, words})
	}
}

// shown is a text of the file as it may be shown: whatever cannot be seen is
// replaced, so that it can pretend to nothing on a terminal or a page.
func shown(text string) fact.Name {
	return fact.Name(strings.Map(func(r rune) rune {
		if unicode.IsGraphic(r) {
			return r
		}
		return unicode.ReplacementChar
	}, text))
}

func (r *Report) answer(key string, s State, words fact.Fact) {
	r.Answers = append(r.Answers, Answer{key, fact.New("check.question." + key), s, words})
}

// Against is the first answer that speaks against the certificate; nil if none does.
func (r *Report) Against() error {
	for _, a := range r.Answers {
		if a.State == No {
			return a.Words.Err()
		}
	}
	return nil
}

// conclude draws the verdict from the answers. What was never asked is never
// good, and a state that is none speaks against the certificate.
func (r *Report) conclude() {
	r.Limits = []fact.Fact{ // what no signature proves
		fact.New("check.limit-card"), fact.New("check.limit-honesty"), fact.New("check.limit-today"),
	}
	state := map[string]State{}
	against := false
	for i := range r.Answers {
		a := &r.Answers[i]
		if a.State != Yes && a.State != Open {
			a.State, against = No, true
		}
		state[a.Key] = a.State
	}
	for _, key := range []string{"signed", "covers", "untouched", "form", "time", "record"} {
		against = against || state[key] != Yes
	}
	switch {
	case against:
		r.Verdict, r.Summary = Bad, fact.New("check.bad")
		r.Contents = Contents{}
	case state["signer"] != Yes:
		r.Verdict, r.Summary = Unconfirmed, fact.New("check.unconfirmed")
	default:
		r.Verdict, r.Summary = Good, fact.New("check.good", "name", shown(r.Signer.Name))
	}
	r.Valid = r.Verdict == Good
}

// open reads the file and its signature value.
func (v *inspection) open() (State, fact.Fact) {
	var err error
	if v.file, err = pdffile.Read(v.pdf); err != nil {
		return No, fact.New("check.unreadable", "why", fact.Why(err))
	}
	if v.found, err = v.file.Certification(); err != nil {
		return No, fact.New("check.no-certification", "why", fact.Why(err))
	}
	var value asn1.RawValue
	if v.behind, err = asn1.Unmarshal(v.found.Value, &value); err != nil {
		return No, fact.New("check.value-unreadable", "why", fact.New("check.value-cut-short"))
	}
	if v.value, err = cms.Parse(value.FullBytes); err != nil {
		return No, fact.New("check.value-unreadable", "why", fact.Why(err))
	}
	s := v.value.Signer()
	fp := FingerprintOf(s.Raw)
	name := s.Subject.CommonName
	v.report.Signer = Signer{Name: name, Fingerprint: fp, Spoken: fp.String(), Standing: Unknown}
	v.report.Reason, v.report.Location = v.found.Reason, v.found.Location
	if v.found.Name != name {
		return No, fact.New("check.other-name", "shown", shown(v.found.Name), "name", shown(name))
	}
	return Yes, fact.New("check.one-signature", "name", shown(name))
}

// covers asks whether each byte is either signed or part of the one exact value.
func (v *inspection) covers() (State, fact.Fact) {
	h, b := v.found.Hole, v.found.ByteRange
	switch {
	case b[0] != 0 || b[1] != int64(h.Start) || b[2] != int64(h.End):
		return No, fact.New("check.leaves-out")
	case b[2]+b[3] != int64(len(v.pdf)):
		return No, fact.New("check.added-behind")
	case !v.found.HexExact:
		return No, fact.New("check.place-misused")
	case v.found.Change != 1:
		return No, fact.New("check.changes-allowed")
	}
	if len(bytes.Trim(v.behind, "\x00")) != 0 {
		return No, fact.New("check.hidden-behind")
	}
	return Yes, fact.New("check.covers-all")
}

// untouched asks whether the bytes are those that were signed.
func (v *inspection) untouched() (State, fact.Fact) {
	at, err := v.value.Check(v.found.Hole.Digest(v.pdf))
	switch {
	case errors.Is(err, cms.ErrChanged):
		return No, fact.New("check.changed")
	case err != nil:
		return No, fact.New("check.does-not-hold", "why", fact.Why(err))
	}
	v.report.SignTime = v.found.Time
	if !at.Equal(v.found.Time) {
		return No, fact.New("check.times-differ")
	}
	return Yes, fact.New("check.unchanged")
}

// form takes the file apart and puts it together again: pages, attachments and
// signature must give exactly this file. So nothing can be in it that one
// program shows and another does not. It is the first to read all of the file;
// by then a damaged one is found out.
func (v *inspection) form() (State, fact.Fact) {
	if err := v.file.OneSignature(); err != nil {
		return No, fact.New("check.no-certification", "why", fact.Why(err))
	}
	revs := v.file.Revisions
	files, err := v.file.Attachments()
	if err != nil {
		return No, fact.New("check.attachments-unreadable", "why", fact.Why(err))
	}
	if len(revs) < 3 {
		return No, fact.New("check.built-otherwise")
	}
	pages, attached := v.pdf[:revs[len(revs)-3].End], v.pdf[:revs[len(revs)-2].End]
	again, err := pdffile.Attach(pages, files)
	if err != nil || !bytes.Equal(again, attached) {
		return No, fact.New("check.attachments-otherwise")
	}
	sealed, hole, err := pdffile.PlaceSignature(attached, v.found.Signature)
	if err != nil || hole != v.found.Hole || len(sealed) != len(v.pdf) ||
		!bytes.Equal(sealed[:hole.Start], v.pdf[:hole.Start]) || !bytes.Equal(sealed[hole.End:], v.pdf[hole.End:]) {
		return No, fact.New("check.signature-otherwise")
	}
	v.report.Attachments, v.report.Pages, v.report.SignedBy = files, pages, v.report.Signer.Fingerprint
	return Yes, fact.New("check.built-exactly", "n", len(files))
}

// record asks for the record.
func (v *inspection) record() (State, fact.Fact) {
	i := slices.IndexFunc(v.report.Attachments, func(a pdffile.Attachment) bool { return a.Name == RecordName })
	if i < 0 {
		return No, fact.New("check.no-record")
	}
	record := v.report.Attachments[i].Data
	if err := inForm(record); err != nil {
		return No, fact.New("check.record-form", "why", fact.Why(err))
	}
	v.report.Record = record
	return Yes, fact.New("check.record", "file", RecordName, "n", len(record))
}

// Pages asks whether the pages are those that are made from the record. remake
// makes them again, to be compared byte for byte; it returns an [OtherVersion] if
// it would not make the same bytes.
func Pages(remake func(Contents) ([]byte, error)) Question {
	ask := func(c Contents) (State, fact.Fact) {
		again, err := remake(c)
		var other OtherVersion
		switch {
		case errors.As(err, &other):
			return other.standOn(c.Pages)
		case err != nil:
			return No, fact.New("check.pages-not-made", "why", fact.Why(err))
		case !bytes.Equal(again, c.Pages):
			return No, fact.New("check.pages-differ")
		}
		return Yes, fact.New("check.pages-same")
	}
	return Question{"pages", fact.New("check.question.pages"), ask}
}

// standOn looks for the record's values on pages of another version.
func (o OtherVersion) standOn(pages []byte) (State, fact.Fact) {
	version := shown(o.Version)
	if len(o.Values) == 0 {
		return Open, fact.New("check.values-not-compared", "version", version)
	}
	text, err := pdffile.PageText(pages)
	if err != nil {
		return Open, fact.New("check.text-unreadable", "version", version, "why", fact.Why(err))
	}
	for _, want := range o.Values {
		if !text.Contains(want) {
			return No, fact.New("check.value-missing", "value", shown(want))
		}
	}
	return Yes, fact.New("check.values-stand", "version", version, "n", len(o.Values))
}
