package check

import (
	"bytes"
	"encoding/json"
	"io"
	"math"

	"github.com/gowebpki/jcs"

	"proveout/plans/fact"
)

// A record is attached and signed in one form only, canonical JSON, so that two
// programs that read it cannot take it for two different ones.
//
// Sources: RFC 8785 (JSON Canonicalization Scheme); RFC 7493, section 2.2
// (integers that every reader keeps exactly).
const (
	// MaxRecord is the longest record that is read, in bytes.
	MaxRecord  = 4 << 20
	maxDepth   = 128       // objects and lists inside each other
	maxInteger = 1<<53 - 1 // RFC 7493, 2.2
)

// Canonical is the canonical JSON of a record (RFC 8785). A whole number beyond
// ±(2^53 - 1) that would be written without an exponent is refused, because
// readers would round it: such a number is written as a string.
func Canonical(record any) ([]byte, error) {
	raw, err := json.Marshal(record)
	if err != nil {
		return nil, err
	}
	return canonicalJSON(raw)
}

// canonicalJSON is the canonical form of a JSON text.
func canonicalJSON(raw []byte) ([]byte, error) {
	if err := keepable(raw); err != nil {
		return nil, err
	}
	form, err := jcs.Transform(raw)
	if err != nil {
		return nil, errNotCanonical
	}
	return form, nil
}

var errNotCanonical = fact.New("check.record-not-canonical").Err()

// inForm returns nil if a record is in canonical form: if the form made of it
// is the record itself.
func inForm(record []byte) error {
	if len(record) > MaxRecord {
		return fact.New("check.record-too-long", "n", len(record), "most", MaxRecord).Err()
	}
	form, err := canonicalJSON(record)
	if err == nil && !bytes.Equal(form, record) {
		err = errNotCanonical
	}
	return err
}

// keepable returns nil if every reader keeps the numbers of a JSON text exactly,
// and if it is nested no deeper than records are. Whether it is JSON at all is
// for the library to tell that makes the canonical form.
func keepable(raw []byte) error {
	tokens := json.NewDecoder(bytes.NewReader(raw))
	tokens.UseNumber()
	depth := 0
	for {
		token, err := tokens.Token()
		switch {
		case err == io.EOF:
			return nil
		case err != nil:
			return errNotCanonical
		}
		switch token := token.(type) {
		case json.Delim:
			if token == '[' || token == '{' {
				depth++
			} else {
				depth--
			}
			if depth > maxDepth {
				return fact.New("check.record-too-deep").Err()
			}
		case json.Number:
			f, err := token.Float64()
			if a := math.Abs(f); err != nil || a > maxInteger && a < 1e21 {
				return fact.New("check.record-number", "number", string(token[:min(len(token), 40)])).Err()
			}
		}
	}
}
