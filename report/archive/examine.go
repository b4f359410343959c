package archive

import (
	"errors"
	"fmt"
	"strings"
	"sync"

	"proveout/report/content"
	"proveout/report/record"
	"proveout/report/seal/check"
)

// LogoName is the name of the attachment that is the shop's logo.
const LogoName = "logo.png"

// An Examiner answers what package check asks of a record. It reads the record
// once.
type Examiner struct {
	Extra Files  // files that the reader has besides those inside the certificate; nil for none
	Tool  string // the program that looks: "proveout 1.0.0". Records of another one are compared by their values

	once   sync.Once
	record *Record
	err    error
}

// Record is the certificate's record.
func (e *Examiner) Record(c check.Contents) (*Record, error) {
	e.once.Do(func() { e.record, e.err = Decode(c.Record) })
	return e.record, e.err
}

// files are the log files inside the certificate, and those of the reader.
func (e *Examiner) files(c check.Contents) Files {
	inside := map[string][]byte{}
	for _, a := range c.Attachments {
		if a.Name != check.RecordName && a.Name != LogoName {
			inside[digest(a.Data)] = a.Data
		}
	}
	memory := Memory(inside)
	return func(sum string) (open opener) {
		if open = memory(sum); open == nil && e.Extra != nil {
			open = e.Extra(sum)
		}
		return open
	}
}

// Scores tells whether the verdicts follow from the readings, and which were
// worked out again.
func (e *Examiner) Scores(c check.Contents) (check.State, string) {
	r, err := e.Record(c)
	if err != nil {
		return check.No, "The record cannot be used: " + err.Error() + "."
	}
	how := toTheLetter
	if r.foreign(e.Tool) {
		how = byValue
	}
	done, err := r.rescore(e.files(c), how)
	if err != nil {
		return check.No, "The verdicts in the record do not follow from its own readings: " + err.Error() + "."
	}
	if len(done.Taken) > 0 {
		return check.Open, fmt.Sprintf("Worked out again from the readings, with the same result: %s. Not worked out again, because their files are not at hand: %s; what is known of them does not contradict itself, and the conclusion follows from all of them. Ask the workshop for the files.",
			orNone(done.Again), strings.Join(done.Taken, ", "))
	}
	return check.Yes, fmt.Sprintf("All verdicts were worked out again from the readings and files, and they are the same: %s.", strings.Join(done.Again, ", "))
}

func orNone(words []string) string {
	if len(words) == 0 {
		return "none"
	}
	return strings.Join(words, ", ")
}

// Named tells whether the record names the one who signed it.
func (e *Examiner) Named(c check.Contents) (check.State, string) {
	r, err := e.Record(c)
	switch {
	case err != nil:
		return check.No, "The record cannot be used: " + err.Error() + "."
	case r.Signer == nil:
		return check.No, "The record was made to stay unsigned. Somebody signed it later."
	case r.Signer.Fingerprint != c.SignedBy.Hex():
		return check.No, "The record names another key than the one that signed it. Somebody else signed it again."
	}
	return check.Yes, "The record and the pages name the key that signed them."
}

// Questions are those that only a record can answer.
func (e *Examiner) Questions() []check.Question {
	return []check.Question{{Key: "named", Question: "Is it signed by the one it names?", Ask: e.Named}}
}

// Document is the document of the record; pictures says whether with those of
// the pages.
func (e *Examiner) Document(c check.Contents, jpegs [][]byte) (*record.Document, error) {
	r, err := e.Record(c)
	if err != nil {
		return nil, err
	}
	var logo []byte
	for _, a := range c.Attachments {
		if a.Name == LogoName {
			logo = a.Data
		}
	}
	return r.Document(jpegs, logo)
}

// Values asks for the values of the record on the pages, where the pages
// themselves are not made again. It is a [check.Options] Remake.
func (e *Examiner) Values(c check.Contents) ([]byte, error) {
	d, err := e.Document(c, nil)
	if err != nil {
		return nil, err
	}
	made, err := content.Build(d)
	if err != nil {
		return nil, err
	}
	version := strings.TrimPrefix(d.Tool, "proveout ")
	if values := content.Values(made); len(values) > 0 {
		return nil, check.OtherVersion{Version: version, Values: values}
	}
	return nil, errors.New("the record has no values")
}
