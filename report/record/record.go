// Package record writes down what a document was made from, so that it travels
// inside a certificate, and reads it back.
//
// A [content.Document] goes out as one canonical JSON text (RFC 8785), with
// everything that the pages are made from and that judging needs, but for the
// files of the test, which it names by their SHA-256. The other way, a record
// comes in and the document goes out, or the answer to the question whether its
// verdicts follow from its readings. The package opens no file and judges
// nothing itself: see [Judging].
package record

import (
	"bytes"
	"encoding/json"
	"runtime"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/report/content"
	"proveout/report/seal/check"
)

// Schema is the version of the record that this program writes. Each version
// that was ever written stays readable:
//
//	1  the pages do not name the record's own SHA-256
//	2  they do, so that no value of the record can change without the pages
//	3  its job, shop and reference sets are the program's own types
//	4  judged by rules that ask first whether readings can be what they claim
const Schema = 4

// Built says what this program was built with: pages repeat byte for byte only
// with the same, because other compilers pack otherwise, and other processors
// round otherwise.
func Built() string { return runtime.Version() + " " + runtime.GOARCH }

// errForeign is returned for a record that holds something that this program does
// not write.
var errForeign = fact.New("check.record-foreign").Err()

func unreadable(err error) error {
	return fact.New("check.record-not-readable", "why", fact.Why(err)).Err()
}

// Decode reads a record. One that holds anything that this program, or the one
// of its schema, would not write itself is refused: nothing in it goes unread.
func Decode(text []byte) (*content.Record, error) {
	if len(text) > check.MaxRecord {
		return nil, fact.New("check.record-too-long", "n", len(text), "most", check.MaxRecord).Err()
	}
	var v struct {
		Schema int `json:"schema"`
	}
	if err := json.Unmarshal(text, &v); err != nil {
		return nil, unreadable(err)
	}
	r := &content.Record{}
	var err error
	switch {
	case v.Schema > Schema:
		return nil, fact.New("check.record-newer").Err()
	case v.Schema < 1:
		return nil, fact.New("check.record-no-schema").Err()
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
	if r.Schema > 1 {
		r.Sum = content.Digest(text)
	}
	return r, nil
}

// decodeStrictly reads a text that is what v would be written as.
func decodeStrictly(text []byte, v any) error {
	if err := json.Unmarshal(text, v); err != nil {
		return unreadable(err)
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
func documents(r *content.Record) (*plans.Plan, *plans.Family, error) {
	if len(r.PlanText) > plans.MaxFile || len(r.FamilyText) > plans.MaxFile {
		return nil, nil, fact.New("check.plan-too-long").Err()
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
