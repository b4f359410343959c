// Package outcome holds what judging a job comes to: verdicts, checks, causes
// and figures, all in facts. Package scoring makes them; records keep them and
// documents show them.
package outcome

import (
	"image"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// An Outcome is the judgement of a whole job.
type Outcome struct {
	Job      string             `json:"job"`
	Plan     string             `json:"plan"`
	Family   string             `json:"family"`
	Variant  string             `json:"variant,omitempty"`
	Accepted bool               `json:"accepted"`
	Verdict  conformity.Verdict `json:"verdict"`
	Reason   fact.Fact          `json:"reason"`           // one sentence
	Standing []fact.Fact        `json:"in_the_way"`       // what stands in the way of acceptance; empty when accepted
	Causes   []Cause            `json:"causes,omitempty"` // what is probably wrong, likeliest first
	Steps    []StepOutcome      `json:"steps"`            // in the plan's order
	Warnings []fact.Fact        `json:"warnings,omitempty"`
}

// A StepOutcome is the judgement of one step, by its last attempt.
type StepOutcome struct {
	ID         string               `json:"id"`
	Kind       string               `json:"kind"`
	Title      string               `json:"title"`
	Verdict    conformity.Verdict   `json:"verdict"`
	Required   bool                 `json:"required"`
	WhyNeeded  string               `json:"why_required,omitempty"` // e.g. "memory chips replaced"
	Gate       bool                 `json:"gate,omitempty"`
	Attempts   int                  `json:"attempts"`
	Earlier    []conformity.Verdict `json:"earlier,omitempty"` // verdicts of the attempts before the last
	Reason     fact.Fact            `json:"reason"`
	Checks     []Check              `json:"checks"`
	Findings   []fact.Fact          `json:"findings,omitempty"` // remarks that decide nothing
	Warnings   []fact.Fact          `json:"warnings,omitempty"` // doubts about the data
	Causes     []Cause              `json:"causes,omitempty"`
	Figures    []Figure             `json:"figures,omitempty"`
	Pictures   []Picture            `json:"pictures,omitempty"`   // captures that were compared
	Conditions []Condition          `json:"conditions,omitempty"` // ambient, instrument, duration
	Detail     map[string]any       `json:"detail,omitempty"`     // the numbers behind the checks

	// DisplayMatter marks a memory size that passes only if the picture is clean.
	DisplayMatter bool `json:"-"`
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
	U           *float64                  `json:"expanded_uncertainty"` // in Unit; null when it does not apply
	K           *float64                  `json:"k,omitempty"`          // coverage factor of U; null where it is 2
	Limits      *conformity.Limits        `json:"limits"`
	Rule        string                    `json:"rule,omitempty"`
	Verdict     conformity.Verdict        `json:"verdict"`
	Probability *float64                  `json:"probability"` // of conformance, 0 to 1; null when it does not apply
	Reason      fact.Fact                 `json:"reason"`
	Settle      fact.Fact                 `json:"settle,omitzero"`       // what would settle an inconclusive result
	Informative bool                      `json:"informative,omitempty"` // shown, decides nothing
	Source      fact.Fact                 `json:"source,omitzero"`       // of the limit
	Budget      []conformity.Contribution `json:"budget,omitempty"`      // in Unit
	Evidence    []string                  `json:"evidence,omitempty"`    // SHA-256 of the files behind it

	// Contradicted is a check that another beside it speaks against: it decides nothing.
	Contradicted bool `json:"-"`
}

// A Picture is a capture that was compared, for documents to show.
type Picture struct {
	Title   fact.Fact          `json:"title"`   // "random-1 at 640x480x16"
	Caption fact.Fact          `json:"caption"` // what was found, in sentences
	File    string             `json:"file"`
	SHA256  string             `json:"sha256"`
	Verdict conformity.Verdict `json:"verdict"`
	Panels  func() []Panel     `json:"-"` // nil when the capture was not compared afresh
}

// A Panel is one of the pictures side by side: pattern, capture, difference.
type Panel struct {
	Kind  PanelKind
	Image image.Image
	Scale int // levels of 255 at the ends of the scale; 0 when it has none
}

// A PanelKind says what a panel shows.
type PanelKind string

// The panels of a compared capture.
const (
	PatternPanel    PanelKind = "pattern"
	CapturePanel    PanelKind = "capture"    // laid over the pattern when it could be
	DifferencePanel PanelKind = "difference" // brighter in orange, darker in blue
	DetailPanel     PanelKind = "detail"     // a part of the difference, enlarged
)

// Worst returns the verdict of a set of checks: one failure fails, one doubt
// leaves it undecided, one missing reading leaves it not run.
func Worst(checks []Check) conformity.Verdict {
	verdict, judged := conformity.NotRun, false
	rank := map[conformity.Verdict]int{
		conformity.NotApplicable: 0, conformity.Pass: 1, conformity.NotRun: 2, conformity.Inconclusive: 3, conformity.Fail: 4,
	}
	for _, c := range checks {
		if c.Informative || c.Contradicted {
			continue
		}
		if !judged || rank[c.Verdict] > rank[verdict] {
			verdict, judged = c.Verdict, true
		}
	}
	return verdict
}
