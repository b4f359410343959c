// Package conformity decides whether a value known with a stated uncertainty
// conforms to its limits.
//
// Values, limits and uncertainties come in one and the same base unit; a
// verdict, the guard band and the probability of conformance go out. Beside them
// stands what every evaluation of a series of readings needs. The package reads no
// files, knows no cards and rounds nothing.
package conformity

import (
	"fmt"
	"strings"

	"proveout/plans/fact"
)

// A Verdict is the outcome of a check, a step or a job. The zero value is
// NotRun: what nobody judged is never a pass.
type Verdict int

// The verdicts.
const (
	NotRun Verdict = iota
	Pass
	Fail
	Inconclusive
	NotApplicable
)

var verdictNames = [...]string{"not run", "pass", "fail", "inconclusive", "not applicable"}

// String returns the verdict in words, as the documents print it.
func (v Verdict) String() string {
	if v < 0 || int(v) >= len(verdictNames) {
		return fmt.Sprintf("Verdict(%d)", int(v))
	}
	return verdictNames[v]
}

// Fact is the verdict as part of a sentence.
func (v Verdict) Fact() fact.Fact {
	return fact.New("conformity." + strings.ReplaceAll(v.String(), " ", "-"))
}

// MarshalText writes the verdict in words.
func (v Verdict) MarshalText() ([]byte, error) {
	if v < 0 || int(v) >= len(verdictNames) {
		return nil, fmt.Errorf("no such verdict: %d", int(v))
	}
	return []byte(verdictNames[v]), nil
}

// UnmarshalText reads a verdict in words.
func (v *Verdict) UnmarshalText(text []byte) error {
	for i, name := range verdictNames {
		if name == string(text) {
			*v = Verdict(i)
			return nil
		}
	}
	return fmt.Errorf("no such verdict: %q", text)
}
