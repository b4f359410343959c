// Package check tells whether a sealed certificate is what it claims to be.
//
// The bytes of a PDF file come in, with what the reader knows of the signer; a
// [Report] goes out, in words for somebody who has never heard of signatures.
// It reads no other file, has no network and no clock, and is small enough to
// be compiled for a page in a browser. It does not know what a record says: the
// caller hands in functions that score it and make its pages again. Any input
// is answered, within fixed bounds of time and memory.
package check

import (
	"bytes"
	"crypto/sha256"
	"crypto/x509"
	"errors"
	"fmt"
	"time"

	"proveout/report/seal/cms"
	"proveout/report/seal/pdffile"
)

// RecordName is the name of the attachment that is the record.
const RecordName = "record.json"

// Verdict is the answer to the question whether a certificate can be relied on.
type Verdict int

const (
	Bad         Verdict = iota // something is wrong with it
	Unconfirmed                // whole, but nothing says who its signer is
	Good                       // whole, and signed by who was expected
)

func (v Verdict) String() string {
	switch v {
	case Good:
		return "good"
	case Unconfirmed:
		return "unconfirmed"
	}
	return "bad"
}

// MarshalText writes the verdict as its word.
func (v Verdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// UnmarshalText reads a verdict's word; any other is Bad.
func (v *Verdict) UnmarshalText(text []byte) error {
	*v = Bad
	for _, one := range []Verdict{Unconfirmed, Good} {
		if one.String() == string(text) {
			*v = one
		}
	}
	return nil
}

// State is the outcome of one question.
type State int

const (
	No   State = iota // the answer speaks against the certificate
	Open              // could not be told, or was not asked
	Yes
)

func (s State) String() string {
	switch s {
	case Yes:
		return "yes"
	case Open:
		return "open"
	}
	return "no"
}

// MarshalText writes the state as its word.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads a state's word; any other is No.
func (s *State) UnmarshalText(text []byte) error {
	*s = No
	for _, one := range []State{Open, Yes} {
		if one.String() == string(text) {
			*s = one
		}
	}
	return nil
}

// An Answer is one question about a certificate and what was found.
type Answer struct {
	Key      string `json:"key"` // stable name of the question
	Question string `json:"question"`
	State    State  `json:"state"`
	Words    string `json:"words"`
}

// A Signer is who signed a certificate.
type Signer struct {
	Name        string      `json:"name"`
	Fingerprint Fingerprint `json:"-"`
	Hex         string      `json:"fingerprint"`
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
	Verdict Verdict  `json:"verdict"`
	Valid   bool     `json:"valid"` // the verdict is Good
	Summary string   `json:"summary"`
	Answers []Answer `json:"answers"`
	Limits  []string `json:"limits"` // what this does not prove

	Signer   Signer    `json:"signer"`
	SignTime time.Time `json:"sign_time,omitzero"` // by the shop's own clock
	Stamped  time.Time `json:"stamped,omitzero"`   // by a time stamp authority that is trusted
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
	Question string
	Ask      func(Contents) (State, string)
}

// Options is what the reader knows and wants to know. The zero value asks
// whether the file is whole.
type Options struct {
	Signer          Wanted              // who has to have signed
	Known           []*x509.Certificate // certificates that are trusted to be who they say
	Retired         []Lapsed
	TimeAuthorities []*x509.Certificate
	Now             time.Time // zero: the date is not compared with today

	// Rescore scores the record again and says what it found.
	Rescore func(Contents) (State, string)
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
			r = Report{Limits: limits}
			r.answer("form", No, "The file could not be checked to its end. Take it as bad.")
			r.conclude()
		}
	}()
	return verify(pdf, o)
}

func verify(pdf []byte, o Options) Report {
	r := Report{Limits: limits}
	v := &inspection{pdf: pdf, report: &r, options: o}
	for _, step := range []func() bool{v.open, v.covers, v.untouched, v.form, v.signer, v.time, v.record} {
		if !step() {
			r.conclude()
			return r
		}
	}
	v.scores()
	v.pages()
	for _, q := range o.Further {
		state, words := q.Ask(r.Contents)
		r.Answers = append(r.Answers, Answer{q.Key, q.Question, state, words})
	}
	r.conclude()
	return r
}

// inspection is one run of Verify.
type inspection struct {
	pdf     []byte
	report  *Report
	options Options
	file    *pdffile.File
	found   pdffile.Found
	value   *cms.SignedData
}

// open reads the file and its signature value.
func (v *inspection) open() bool {
	var err error
	if v.file, err = pdffile.Read(v.pdf); err != nil {
		return v.report.no("signed", "It cannot be read as a certificate: "+err.Error()+".")
	}
	if v.found, err = v.file.Certification(); err != nil {
		return v.report.no("signed", "It does not carry the one signature of a certificate: "+err.Error()+".")
	}
	raw := v.found.Value
	var n int
	if n, err = derLength(raw); err == nil {
		v.value, err = cms.Parse(raw[:n])
	}
	if err != nil {
		return v.report.no("signed", "Its signature cannot be read: "+err.Error()+".")
	}
	s := v.value.Signer()
	fp := FingerprintOf(s.Raw)
	v.report.Signer = Signer{Name: s.Subject.CommonName, Fingerprint: fp, Hex: fp.Hex(), Spoken: fp.String(), Standing: Unknown}
	v.report.Reason, v.report.Location = v.found.Reason, v.found.Location
	if v.found.Name != s.Subject.CommonName {
		return v.report.no("signed", fmt.Sprintf("It shows the name %q, but its signature belongs to %q.", v.found.Name, s.Subject.CommonName))
	}
	return v.report.yes("signed", fmt.Sprintf("It carries one signature, in the name of %q.", s.Subject.CommonName))
}

// derLength is the length of the DER value at the start of b, in long form.
func derLength(b []byte) (int, error) {
	err := errors.New("the signature value is cut short")
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
		return v.report.no("covers", "The signature leaves out parts of the file beside itself. They may have been changed.")
	case b[2]+b[3] != int64(len(v.pdf)):
		return v.report.no("covers", "The signature does not reach the end of the file. Something was added after signing.")
	case !v.found.HexExact:
		return v.report.no("covers", "The place of the signature holds something that is not a signature.")
	case v.found.Change != 1:
		return v.report.no("covers", "The signature allows changes to the document after signing. A certificate allows none.")
	}
	n, _ := derLength(v.found.Value)
	if len(bytes.Trim(v.found.Value[n:], "\x00")) != 0 {
		return v.report.no("covers", "Something is hidden behind the signature, in its own place.")
	}
	return v.report.yes("covers", "It covers every byte of the file from the first to the last, nothing was added after it, and it allows no change.")
}

// untouched asks whether the bytes are those that were signed.
func (v *inspection) untouched() bool {
	before, behind := v.found.Hole.Covered(v.pdf)
	d := sha256.New()
	d.Write(before)
	d.Write(behind)
	var digest [sha256.Size]byte
	at, err := v.value.Check([sha256.Size]byte(d.Sum(digest[:0])))
	switch {
	case errors.Is(err, cms.ErrChanged):
		return v.report.no("untouched", "The file was changed after it was signed.")
	case err != nil:
		return v.report.no("untouched", "The signature does not hold: "+err.Error()+".")
	}
	v.report.SignTime = v.found.Time
	if !at.Equal(v.found.Time) {
		return v.report.no("untouched", "The file names another time of signing than the signature itself.")
	}
	return v.report.yes("untouched", "Not one byte was changed since it was signed.")
}

// form takes the file apart and puts it together again: pages, attachments and
// signature must give exactly this file. So nothing can be in it that one
// program shows and another does not. It is the first to read all of the file;
// by then a damaged one is found out.
func (v *inspection) form() bool {
	if err := v.file.OneSignature(); err != nil {
		return v.report.no("form", "It does not carry the one signature of a certificate: "+err.Error()+".")
	}
	revs := v.file.Revisions
	files, err := v.file.Attachments()
	if err != nil {
		return v.report.no("form", "Its attachments cannot be read: "+err.Error()+".")
	}
	if len(revs) < 3 {
		return v.report.no("form", "It was not put together as a certificate is: pages, then attachments, then the signature.")
	}
	pages, attached := v.pdf[:revs[len(revs)-3].End], v.pdf[:revs[len(revs)-2].End]
	again, err := pdffile.Attach(pages, files)
	if err != nil || !bytes.Equal(again, attached) {
		return v.report.no("form", "Its attachments are not stored as this program stores them.")
	}
	sealed, hole, err := pdffile.PlaceSignature(attached, v.found.Signature)
	if err != nil || hole != v.found.Hole || len(sealed) != len(v.pdf) ||
		!bytes.Equal(sealed[:hole.Start], v.pdf[:hole.Start]) || !bytes.Equal(sealed[hole.End:], v.pdf[hole.End:]) {
		return v.report.no("form", "Its signature is not stored as this program stores it.")
	}
	v.report.Attachments, v.report.Pages, v.report.SignedBy = files, pages, v.report.Signer.Fingerprint
	return v.report.yes("form", fmt.Sprintf("It is built exactly as certificates are: pages, %s, one signature, and nothing else.", count(len(files), "attached file")))
}

func count(n int, what string) string {
	if n == 1 {
		return "one " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// record asks for the record.
func (v *inspection) record() bool {
	for _, a := range v.report.Attachments {
		if a.Name != RecordName {
			continue
		}
		if err := inForm(a.Data); err != nil {
			return v.report.no("record", "Its record is not in the exact form that is signed: "+err.Error()+".")
		}
		v.report.Record = a.Data
		return v.report.yes("record", fmt.Sprintf("It carries the record of the test (%s, %d bytes) inside the signed part.", RecordName, len(a.Data)))
	}
	return v.report.no("record", "It carries no record of the test.")
}

// scores asks whether the verdicts follow from the readings.
func (v *inspection) scores() {
	if v.options.Rescore == nil {
		v.report.answer("scores", Open, "Not looked at here.")
		return
	}
	state, words := v.options.Rescore(v.report.Contents)
	v.report.answer("scores", state, words)
}

// pages asks whether the pages were made from the record.
func (v *inspection) pages() {
	if v.options.Remake == nil {
		v.report.answer("pages", Open, "Not looked at here.")
		return
	}
	again, err := v.options.Remake(v.report.Contents)
	var other OtherVersion
	switch {
	case errors.As(err, &other):
		v.values(other)
	case err != nil:
		v.report.no("pages", "The pages could not be made again from the record: "+err.Error()+".")
	case !bytes.Equal(again, v.report.Pages):
		v.report.no("pages", "The pages are not those that the record gives.")
	default:
		v.report.yes("pages", "The pages were made again from the record, and they are the same to the last byte.")
	}
}

// values looks for the record's values on pages of another version.
func (v *inspection) values(o OtherVersion) {
	if len(o.Values) == 0 {
		v.report.answer("pages", Open, fmt.Sprintf("The pages were made by version %s of the program, and their values were not compared here.", o.Version))
		return
	}
	text, err := pdffile.PageText(v.report.Pages)
	if err != nil {
		v.report.answer("pages", Open, fmt.Sprintf("The pages were made by version %s of the program, and their text cannot be read here (%v).", o.Version, err))
		return
	}
	for _, want := range o.Values {
		if !text.Contains(want) {
			v.report.no("pages", fmt.Sprintf("The record says %q, but that does not stand on the pages.", want))
			return
		}
	}
	v.report.yes("pages", fmt.Sprintf("The pages were made by version %s of the program; all %d values of the record that were looked for stand on them.", o.Version, len(o.Values)))
}
