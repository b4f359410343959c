// Package scoring judges what the bench observed of a card against what its
// family is expected to show, by the rules of the plan.
//
// A plan, a family, a shop and a job's readings come in; an [Outcome] goes
// out. It reads no files but through the logs it is handed, has no clock and
// prints nothing. It does not stop at the first failed step, and what it did
// not compute is [conformity.NotRun].
package scoring

import (
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/figure"
)

// Verdict is the outcome of a check, a step or a job.
type Verdict = conformity.Verdict

// An Outcome is the judgement of a whole job.
type Outcome struct {
	Job      string        `json:"job"`
	Plan     string        `json:"plan"`
	Family   string        `json:"family"`
	Variant  string        `json:"variant,omitempty"`
	Accepted bool          `json:"accepted"`
	Verdict  Verdict       `json:"verdict"`
	Reason   fact.Fact     `json:"reason"`           // one sentence
	Standing []fact.Fact   `json:"in_the_way"`       // what stands in the way of acceptance; empty when accepted
	Causes   []Cause       `json:"causes,omitempty"` // what is probably wrong, likeliest first
	Steps    []StepOutcome `json:"steps"`            // in the plan's order
	Warnings []fact.Fact   `json:"warnings,omitempty"`
}

// A StepOutcome is the judgement of one step, by its last attempt.
type StepOutcome struct {
	ID         string         `json:"id"`
	Kind       string         `json:"kind"`
	Title      string         `json:"title"`
	Verdict    Verdict        `json:"verdict"`
	Required   bool           `json:"required"`
	WhyNeeded  string         `json:"why_required,omitempty"` // e.g. "memory chips replaced"
	Gate       bool           `json:"gate,omitempty"`
	Attempts   int            `json:"attempts"`
	Earlier    []Verdict      `json:"earlier,omitempty"` // verdicts of the attempts before the last
	Reason     fact.Fact      `json:"reason"`
	Checks     []Check        `json:"checks"`
	Findings   []fact.Fact    `json:"findings,omitempty"` // remarks that decide nothing
	Warnings   []fact.Fact    `json:"warnings,omitempty"` // doubts about the data
	Causes     []Cause        `json:"causes,omitempty"`
	Figures    []Figure       `json:"figures,omitempty"`
	Pictures   []Picture      `json:"pictures,omitempty"`   // captures that were compared
	Conditions []Condition    `json:"conditions,omitempty"` // ambient, instrument, duration
	Detail     map[string]any `json:"detail,omitempty"`     // the numbers behind the checks

	displayMatter bool // a memory size that passes only if the picture is clean
}

// A Figure is a chart whose texts no language has put into words yet.
type Figure = figure.Figure[fact.Fact]

func axis(name fact.Fact, unit string) figure.Axis[fact.Fact] {
	return figure.Axis[fact.Fact]{Name: name, Unit: unit}
}

// A Condition is a circumstance of a test that the certificate states.
type Condition struct {
	Name fact.Fact `json:"name"`
	Text fact.Fact `json:"text"`
}

// A Cause is a probable fault.
type Cause struct {
	Text       fact.Fact `json:"text"`
	Step       string    `json:"step"`
	Confidence float64   `json:"confidence"` // 0 to 1
	Look       fact.Fact `json:"look"`       // what to look at on the board
}

// A Check is one judged value of a step.
type Check struct {
	Name        string                    `json:"name"`  // stable: "core", "peak"
	Title       fact.Fact                 `json:"title"` // for people
	Value       *float64                  `json:"value"` // in Unit; null when the observation is a word
	Text        fact.Fact                 `json:"text"`  // the value as documents print it
	Unit        string                    `json:"unit"`
	U           *float64                  `json:"expanded_uncertainty"` // in Unit, k = 2; null when it does not apply
	Limits      *Limits                   `json:"limits"`
	Rule        string                    `json:"rule,omitempty"`
	Verdict     Verdict                   `json:"verdict"`
	Probability *float64                  `json:"probability"` // of conformance, 0 to 1; null when it does not apply
	Reason      fact.Fact                 `json:"reason"`
	Settle      fact.Fact                 `json:"settle,omitzero"`       // what would settle an inconclusive result
	Informative bool                      `json:"informative,omitempty"` // shown, decides nothing
	Source      fact.Fact                 `json:"source,omitzero"`       // of the limit
	Budget      []conformity.Contribution `json:"budget,omitempty"`      // in Unit
	Evidence    []string                  `json:"evidence,omitempty"`    // SHA-256 of the files behind it

	contradicted bool // by another check that stands beside it: it decides nothing
}

// Limits of a check in its unit, with their words.
type Limits = conformity.Limits
