package record

import (
	"errors"
	"io"
	"strings"
	"sync"

	"proveout/harness/reading"
	"proveout/plans/fact"
	"proveout/report/content"
	"proveout/report/seal/check"
)

// LogoName is the name of the attachment that is the shop's logo.
const LogoName = "logo.png"

// An Examiner answers what package check asks of a record. It reads the record
// once.
type Examiner struct {
	Judging
	Extra reading.Files // those that the reader has besides the files inside the certificate; nil for none
	Tool  string        // the program that looks: "proveout 1.0.0"; records of another one are compared by their values

	once   sync.Once
	record *content.Record
	err    error
}

// Record is the certificate's record.
func (e *Examiner) Record(c check.Contents) (*content.Record, error) {
	e.once.Do(func() { e.record, e.err = Decode(c.Record) })
	return e.record, e.err
}

// files are those inside the certificate, and those of the reader.
func (e *Examiner) files(c check.Contents) reading.Files {
	inside := e.InMemory(c.Attachments)
	return e.Judging.Files(func(of reading.Evidence) (io.ReadCloser, error) {
		file, err := inside.Open(of)
		if errors.Is(err, reading.ErrNoFile) && e.Extra != nil {
			return e.Extra.Open(of)
		}
		return file, err
	})
}

// scores tells whether the verdicts follow from the readings, and which were
// worked out again.
func (e *Examiner) scores(c check.Contents) (check.State, fact.Fact) {
	r, err := e.Record(c)
	if err != nil {
		return check.No, fact.New("check.record-unusable", "why", fact.Why(err))
	}
	done, err := e.Rescore(r, e.files(c), e.Tool)
	if err != nil {
		return check.No, fact.New("check.scores-differ", "why", fact.Why(err))
	}
	state, words := followed(done)
	if len(done.Other) == 0 {
		return state, words
	}
	otherwise := fact.New("check.scores-earlier", "steps", titles(done.Other))
	if len(done.Again)+len(done.Taken) == 0 {
		return check.Open, otherwise
	}
	return check.Open, fact.Text(fact.Sentences(words, otherwise))
}

// followed says how far verdicts were worked out again.
func followed(done Rescored) (check.State, fact.Fact) {
	switch {
	case len(done.Taken) == 0:
		return check.Yes, fact.New("check.scores-same", "steps", titles(done.Again))
	case len(done.Again) == 0:
		return check.Open, fact.New("check.scores-taken", "others", titles(done.Taken))
	}
	return check.Open, fact.New("check.scores-partly", "steps", titles(done.Again), "others", titles(done.Taken))
}

func titles(steps []string) fact.List {
	l := fact.List{Join: fact.Comma}
	for _, title := range steps {
		l.Items = append(l.Items, fact.Phrase(title))
	}
	return l
}

// named tells whether the record names the one who signed it.
func (e *Examiner) named(c check.Contents) (check.State, fact.Fact) {
	r, err := e.Record(c)
	switch {
	case err != nil:
		return check.No, fact.New("check.record-unusable", "why", fact.Why(err))
	case r.Seal == nil:
		return check.No, fact.New("check.made-unsigned")
	case r.Seal.Fingerprint != c.SignedBy:
		return check.No, fact.New("check.other-key-named")
	}
	return check.Yes, fact.New("check.key-named")
}

// Questions are those that only a record can answer. remake makes the pages
// again: see [check.Pages].
func (e *Examiner) Questions(remake func(check.Contents) ([]byte, error)) []check.Question {
	return []check.Question{
		{Key: "scores", Question: fact.New("check.question.scores"), Ask: e.scores},
		check.Pages(remake),
		{Key: "named", Question: fact.New("check.question.named"), Ask: e.named},
	}
}

// Document is the document of the record; pictures says whether with those of
// the pages.
func (e *Examiner) Document(c check.Contents, jpegs [][]byte) (*content.Document, error) {
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
	return Document(r, jpegs, logo)
}

// Look asks for the values of the record on the pages, where the pages
// themselves are not made again: it is for [Examiner.Questions].
func (e *Examiner) Look(c check.Contents) ([]byte, error) {
	d, err := e.Document(c, nil)
	if err != nil {
		return nil, err
	}
	made, err := content.Build(d)
	if err != nil {
		return nil, err
	}
	values := content.Values(made)
	if len(values) == 0 {
		return nil, fact.New("check.no-values").Err()
	}
	return nil, check.OtherVersion{Version: strings.TrimPrefix(d.Tool, "proveout "), Values: values}
}
