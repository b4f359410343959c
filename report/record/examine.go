package record

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/report/seal/check"
)

// LogoName is the name of the attachment that is the shop's logo.
const LogoName = "logo.png"

// An Examiner answers what package check asks of a record. It reads the record
// once.
type Examiner struct {
	Extra reading.Files // those that the reader has besides the files inside the certificate; nil for none
	Tool  string        // the program that looks: "proveout 1.0.0"; records of another one are compared by their values

	once   sync.Once
	record *Record
	err    error
}

// Record is the certificate's record.
func (e *Examiner) Record(c check.Contents) (*Record, error) {
	e.once.Do(func() { e.record, e.err = Decode(c.Record) })
	return e.record, e.err
}

// files are those inside the certificate, and those of the reader.
func (e *Examiner) files(c check.Contents) reading.Files {
	bySHA256 := map[string][]byte{}
	for _, a := range c.Attachments {
		if a.Name != check.RecordName && a.Name != LogoName {
			bySHA256[Digest(a.Data)] = a.Data
		}
	}
	inside := logs.InMemory(bySHA256)
	return logs.Files(func(of reading.Evidence) (io.ReadCloser, error) {
		file, err := inside.Open(of)
		if errors.Is(err, reading.ErrNoFile) && e.Extra != nil {
			return e.Extra.Open(of)
		}
		return file, err
	})
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
		const open = "Worked out again from the readings, with the same result: %s. " +
			"Not worked out again, because their files are not at hand: %s; " +
			"what is known of them does not contradict itself, and the conclusion follows from all of them. " +
			"Ask the workshop for the files."
		return check.Open, fmt.Sprintf(open, orNone(done.Again), strings.Join(done.Taken, ", "))
	}
	const same = "All verdicts were worked out again from the readings and files, and they are the same: %s."
	return check.Yes, fmt.Sprintf(same, strings.Join(done.Again, ", "))
}

func orNone(words []string) string {
	if len(words) == 0 {
		return "none"
	}
	return strings.Join(words, ", ")
}

// named tells whether the record names the one who signed it.
func (e *Examiner) named(c check.Contents) (check.State, string) {
	r, err := e.Record(c)
	switch {
	case err != nil:
		return check.No, "The record cannot be used: " + err.Error() + "."
	case r.Seal == nil:
		return check.No, "The record was made to stay unsigned. Somebody signed it later."
	case r.Seal.Fingerprint != c.SignedBy:
		return check.No, "The record names another key than the one that signed it. Somebody else signed it again."
	}
	return check.Yes, "The record and the pages name the key that signed them."
}

// Questions are those that only a record can answer.
func (e *Examiner) Questions() []check.Question {
	return []check.Question{{Key: "named", Question: "Is it signed by the one it names?", Ask: e.named}}
}

// Document is the document of the record; pictures says whether with those of
// the pages.
func (e *Examiner) Document(c check.Contents, jpegs [][]byte) (*Document, error) {
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
