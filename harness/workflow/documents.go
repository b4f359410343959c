package workflow

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"proveout/harness/reading"
	"proveout/harness/register"
	"proveout/plans/fact"
)

// A Document is an issued certificate in the shop's list.
type Document struct {
	register.Document
	Missing bool `json:"missing,omitempty"` // its file is not in the shop folder
}

// Withdrawn reports whether it was taken back or replaced.
func (d *Document) Withdrawn() bool { return d.Revoked != "" || d.ReplacedBy != "" }

// Documents lists the issued certificates.
func (s *Shop) Documents() ([]Document, error) {
	all, err := register.Documents(s.Dir)
	var out []Document
	for _, d := range all {
		_, missing := os.Stat(documentFile(s.Dir, d))
		out = append(out, Document{d, missing != nil})
	}
	return out, err
}

func documentFile(shopDir string, d register.Document) string {
	return filepath.Join(shopDir, "jobs", d.Job, "issued", register.FileNamed(d.Number)+".pdf")
}

// lookup returns an issued document by its number.
func (s *Shop) lookup(number string) (register.Document, error) {
	d, err := register.Lookup(s.Dir, number)
	if errors.Is(err, register.ErrNoNumber) {
		err = fmt.Errorf("%w; proveout documents lists them", err)
	}
	return d, err
}

// Revoke takes an issued certificate back; its number stays used.
func (s *Shop) Revoke(number, because string) (register.Document, error) {
	d, err := s.lookup(number)
	switch {
	case err != nil:
		return d, err
	case d.Revoked != "":
		return d, fmt.Errorf("%s was taken back already, on %s: %s",
			number, d.RevokedAt.Format(time.DateOnly), d.Revoked)
	case because == "":
		return d, errors.New("say why with --because")
	}
	err = register.Note(s.Dir, number, func(d *register.Document) { d.Revoked, d.RevokedAt = because, s.Now() })
	if err != nil {
		return d, err
	}
	return s.lookup(number)
}

// checkReplaces makes sure that the certificate to be replaced is there, is of
// this job, and is still in force.
func (is *issuing) checkReplaces() error {
	switch {
	case is.Replaces == "" && is.Because == "":
		return nil
	case is.Replaces == "":
		return errors.New("--because goes with --replaces NUMBER")
	case is.Because == "":
		return errors.New("say with --because why the certificate is replaced")
	}
	d, err := is.home.lookup(is.Replaces)
	switch {
	case err != nil:
		return err
	case d.Job != is.Input.Job.Number:
		return fmt.Errorf("%s is of job %s, not of %s", is.Replaces, d.Job, is.Input.Job.Number)
	case d.ReplacedBy != "":
		return fmt.Errorf("%s was replaced already, by %s; replace that one", is.Replaces, d.ReplacedBy)
	}
	return nil
}

// inForce returns the job's last certificate that was not withdrawn.
func (j *Job) inForce() (register.Document, error) {
	docs, err := j.home.Documents()
	if err != nil {
		return register.Document{}, err
	}
	number := j.Input.Job.Number
	docs = slices.DeleteFunc(docs, func(d Document) bool { return d.Job != number || d.Withdrawn() || d.Missing })
	if len(docs) == 0 {
		return register.Document{}, fmt.Errorf(
			"job %s has no certificate in force; issue one with: proveout certify %s", number, number)
	}
	last := docs[0]
	for _, d := range docs[1:] {
		if !d.At.Before(last.At) { // of one second, the one that was issued later
			last = d
		}
	}
	return last.Document, nil
}

// naming says where a customer reference stands in what a document tells of a
// job: in free text and in the names of files. References of one or two
// characters stand anywhere and are not looked for.
func naming(j *reading.Job, customer string) []fact.Fact {
	if utf8.RuneCountInString(customer) < 3 {
		return nil
	}
	var out []fact.Fact
	look := func(where fact.Fact, texts ...string) {
		if holdsWords(strings.Join(texts, "\n"), customer) {
			out = append(out, where)
		}
	}
	file := func(e reading.Evidence) {
		look(fact.New("customer.file-name", "file", e.Name), e.Name)
		look(fact.New("customer.caption", "file", e.Name), e.Caption)
	}
	look(fact.New("customer.complaint"), j.Complaint)
	look(fact.New("customer.condition"), j.Condition)
	look(fact.New("customer.work"), j.Work...)
	look(fact.New("customer.work-notes"), j.WorkNotes)
	look(fact.New("customer.title"), j.Card.Title)
	look(fact.New("customer.serial"), j.Card.Serial)
	for _, m := range j.Card.Marks {
		look(fact.New("customer.mark", "mark", m.Name), m.Name, m.Value)
	}
	for _, p := range j.Card.Photos {
		file(p)
	}
	for step, attempts := range j.Attempts {
		for _, a := range attempts {
			look(fact.New("customer.reason", "step", step), a.Skipped, a.Cut)
			for _, n := range a.Notes {
				look(fact.New("customer.note", "step", step), n.Text)
			}
			for _, e := range a.Files() {
				file(e)
			}
		}
	}
	return out
}

// holdsWords tells whether words stand in a text, whatever their capitals and
// what separates them, and not inside longer words.
func holdsWords(text, words string) bool {
	plain := func(s string) string {
		apart := func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }
		return " " + strings.Join(strings.FieldsFunc(strings.ToLower(s), apart), " ") + " "
	}
	return strings.TrimSpace(plain(words)) != "" && strings.Contains(plain(text), plain(words))
}
