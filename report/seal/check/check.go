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

// A Question is one that the caller adds.
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
	Now     time.Time // zero: the date is not compared with today

	// Rescore scores the record again and says what it found.
	Rescore func(Contents) (State, fact.Fact)
	// Remake makes the pages again, to be compared byte for byte. It returns
	// an [OtherVersion] if it would not make the same bytes.
	Remake func(Contents) ([]byte, error)
	// Further questions are asked of a file that is whole.
	Further []Question
}

// An OtherVersion is returned by a Remake that belongs to another version of
// the program than the pages; then these values have to stand on the pages.
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
	r.no("form", why)
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
}

// run asks the questions one after the other. What is asked of the file itself
// needs the answers before it: the first that speaks against it is the last.
func (v *inspection) run() {
	defer v.report.conclude()
	for _, step := range []func() bool{v.open, v.covers, v.untouched, v.form, v.signer, v.time, v.record} {
		if !step() {
			return
		}
	}
	v.scores()
	v.pages()
	for _, q := range v.options.Further {
		state, words := q.Ask(v.report.Contents)
		v.report.Answers = append(v.report.Answers, Answer{q.Key, q.Question, state, words})
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

// limits are what no signature proves.
func limits() []fact.Fact {
	return []fact.Fact{
		fact.New("check.limit-card"), fact.New("check.limit-honesty"), fact.New("check.limit-today"),
	}
}

func (r *Report) answer(key string, s State, words fact.Fact) {
	r.Answers = append(r.Answers, Answer{key, fact.New("check.question." + key), s, words})
}

func (r *Report) yes(key string, words fact.Fact) bool {
	r.answer(key, Yes, words)
	return true
}

func (r *Report) no(key string, words fact.Fact) bool {
	r.answer(key, No, words)
	return false
}

// conclude draws the verdict from the answers. What was never asked is never
// good, and a state that is none speaks against the certificate.
func (r *Report) conclude() {
	r.Limits = limits()
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
func (v *inspection) open() bool {
	var err error
	if v.file, err = pdffile.Read(v.pdf); err != nil {
		return v.report.no("signed", fact.New("check.unreadable", "why", fact.Why(err)))
	}
	if v.found, err = v.file.Certification(); err != nil {
		return v.report.no("signed", fact.New("check.no-certification", "why", fact.Why(err)))
	}
	raw := v.found.Value
	var n int
	if n, err = derLength(raw); err == nil {
		v.value, err = cms.Parse(raw[:n])
	}
	if err != nil {
		return v.report.no("signed", fact.New("check.value-unreadable", "why", fact.Why(err)))
	}
	s := v.value.Signer()
	fp := FingerprintOf(s.Raw)
	name := s.Subject.CommonName
	v.report.Signer = Signer{Name: name, Fingerprint: fp, Spoken: fp.String(), Standing: Unknown}
	v.report.Reason, v.report.Location = v.found.Reason, v.found.Location
	if v.found.Name != name {
		return v.report.no("signed", fact.New("check.other-name", "shown", shown(v.found.Name), "name", shown(name)))
	}
	return v.report.yes("signed", fact.New("check.one-signature", "name", shown(name)))
}

// derLength is the length of the DER value at the start of b, in long form.
func derLength(b []byte) (int, error) {
	err := fact.New("check.value-cut-short").Err()
	if len(b) < 6 || b[0] != 0x30 || b[1] < 0x82 || b[1] > 0x83 {
		return 0, err
	}
	n, k := 0, int(b[1]-0x80)
	for _, c := range b[2 : 2+k] {
		n = n<<8 | int(c)
	}
	if n += 2 + k; n > len(b) {
		return 0, err
	}
	return n, nil
}

// covers asks whether each byte is either signed or part of the one exact value.
func (v *inspection) covers() bool {
	h, b := v.found.Hole, v.found.ByteRange
	switch {
	case b[0] != 0 || b[1] != int64(h.Start) || b[2] != int64(h.End):
		return v.report.no("covers", fact.New("check.leaves-out"))
	case b[2]+b[3] != int64(len(v.pdf)):
		return v.report.no("covers", fact.New("check.added-behind"))
	case !v.found.HexExact:
		return v.report.no("covers", fact.New("check.place-misused"))
	case v.found.Change != 1:
		return v.report.no("covers", fact.New("check.changes-allowed"))
	}
	n, _ := derLength(v.found.Value)
	if len(bytes.Trim(v.found.Value[n:], "\x00")) != 0 {
		return v.report.no("covers", fact.New("check.hidden-behind"))
	}
	return v.report.yes("covers", fact.New("check.covers-all"))
}

// untouched asks whether the bytes are those that were signed.
func (v *inspection) untouched() bool {
	at, err := v.value.Check(v.found.Hole.Digest(v.pdf))
	switch {
	case errors.Is(err, cms.ErrChanged):
		return v.report.no("untouched", fact.New("check.changed"))
	case err != nil:
		return v.report.no("untouched", fact.New("check.does-not-hold", "why", fact.Why(err)))
	}
	v.report.SignTime = v.found.Time
	if !at.Equal(v.found.Time) {
		return v.report.no("untouched", fact.New("check.times-differ"))
	}
	return v.report.yes("untouched", fact.New("check.unchanged"))
}

// form takes the file apart and puts it together again: pages, attachments and
// signature must give exactly this file. So nothing can be in it that one
// program shows and another does not. It is the first to read all of the file;
// by then a damaged one is found out.
func (v *inspection) form() bool {
	if err := v.file.OneSignature(); err != nil {
		return v.report.no("form", fact.New("check.no-certification", "why", fact.Why(err)))
	}
	revs := v.file.Revisions
	files, err := v.file.Attachments()
	if err != nil {
		return v.report.no("form", fact.New("check.attachments-unreadable", "why", fact.Why(err)))
	}
	if len(revs) < 3 {
		return v.report.no("form", fact.New("check.built-otherwise"))
	}
	pages, attached := v.pdf[:revs[len(revs)-3].End], v.pdf[:revs[len(revs)-2].End]
	again, err := pdffile.Attach(pages, files)
	if err != nil || !bytes.Equal(again, attached) {
		return v.report.no("form", fact.New("check.attachments-otherwise"))
	}
	sealed, hole, err := pdffile.PlaceSignature(attached, v.found.Signature)
	if err != nil || hole != v.found.Hole || len(sealed) != len(v.pdf) ||
		!bytes.Equal(sealed[:hole.Start], v.pdf[:hole.Start]) || !bytes.Equal(sealed[hole.End:], v.pdf[hole.End:]) {
		return v.report.no("form", fact.New("check.signature-otherwise"))
	}
	v.report.Attachments, v.report.Pages, v.report.SignedBy = files, pages, v.report.Signer.Fingerprint
	return v.report.yes("form", fact.New("check.built-exactly", "n", len(files)))
}

// record asks for the record.
func (v *inspection) record() bool {
	i := slices.IndexFunc(v.report.Attachments, func(a pdffile.Attachment) bool { return a.Name == RecordName })
	if i < 0 {
		return v.report.no("record", fact.New("check.no-record"))
	}
	record := v.report.Attachments[i].Data
	if err := inForm(record); err != nil {
		return v.report.no("record", fact.New("check.record-form", "why", fact.Why(err)))
	}
	v.report.Record = record
	return v.report.yes("record", fact.New("check.record", "file", RecordName, "n", len(record)))
}

// scores asks whether the verdicts follow from the readings.
func (v *inspection) scores() {
	if v.options.Rescore == nil {
		v.report.answer("scores", Open, fact.New("check.not-looked-at"))
		return
	}
	state, words := v.options.Rescore(v.report.Contents)
	v.report.answer("scores", state, words)
}

// pages asks whether the pages were made from the record.
func (v *inspection) pages() {
	if v.options.Remake == nil {
		v.report.answer("pages", Open, fact.New("check.not-looked-at"))
		return
	}
	again, err := v.options.Remake(v.report.Contents)
	var other OtherVersion
	switch {
	case errors.As(err, &other):
		v.values(other)
	case err != nil:
		v.report.no("pages", fact.New("check.pages-not-made", "why", fact.Why(err)))
	case !bytes.Equal(again, v.report.Pages):
		v.report.no("pages", fact.New("check.pages-differ"))
	default:
		v.report.yes("pages", fact.New("check.pages-same"))
	}
}

// values looks for the record's values on pages of another version.
func (v *inspection) values(o OtherVersion) {
	version := shown(o.Version)
	if len(o.Values) == 0 {
		v.report.answer("pages", Open, fact.New("check.values-not-compared", "version", version))
		return
	}
	text, err := pdffile.PageText(v.report.Pages)
	if err != nil {
		v.report.answer("pages", Open, fact.New("check.text-unreadable", "version", version, "why", fact.Why(err)))
		return
	}
	for _, want := range o.Values {
		if !text.Contains(want) {
			v.report.no("pages", fact.New("check.value-missing", "value", shown(want)))
			return
		}
	}
	v.report.yes("pages", fact.New("check.values-stand", "version", version, "n", len(o.Values)))
}
