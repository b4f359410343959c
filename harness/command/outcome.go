package command

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"proveout/harness/workflow"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// outcome prints the judgement of a job: a line for each step, and with detail
// every check.
func (p *printer) outcome(o *outcome.Outcome, detail bool) {
	head := o.Verdict.Fact()
	if o.Accepted {
		head = fact.New("screen.accepted")
	}
	p.line(strings.ToUpper(p.Tell(head)))
	p.fact(0, o.Reason)
	p.gap()
	for i := range o.Steps {
		p.step(&o.Steps[i], detail)
	}
	p.causes(o.Causes)
	for _, warning := range o.Warnings {
		p.fact(0, fact.New("screen.note", "what", warning))
	}
}

// mostCauses are printed of a job.
const mostCauses = 6

func (p *printer) causes(causes []outcome.Cause) {
	if len(causes) == 0 {
		return
	}
	p.gap()
	p.fact(0, fact.New("screen.probably"))
	for i, c := range causes {
		if i == mostCauses {
			p.fact(2, fact.New("screen.more-causes", "n", len(causes)-i))
			return
		}
		p.led("  - ", p.Bound(fact.New("screen.cause", "cause", c.Text, "sure", workflow.Confidence(c))))
		p.fact(4, c.Look)
	}
}

// verdictColumn is how wide the column of verdicts is.
func (p *printer) verdictColumn() int {
	column := 14
	for _, v := range []conformity.Verdict{conformity.Pass, conformity.Fail, conformity.Inconclusive, conformity.NotRun} {
		column = max(column, utf8.RuneCountInString(p.Tell(v.Fact())))
	}
	return column
}

// step prints the judgement of a step.
func (p *printer) step(o *outcome.StepOutcome, detail bool) {
	head := []fact.Fact{fact.Text(fact.Name(o.ID))}
	if o.Attempts > 1 {
		head = append(head, fact.New("screen.attempt", "attempt", o.Attempts))
	}
	if !o.Required {
		head = append(head, fact.New("screen.not-required"))
	}
	column, what := p.verdictColumn(), fact.Text(fact.ListOf(fact.Comma, head))
	p.line(fmt.Sprintf("%-*s %s", column, p.Tell(o.Verdict.Fact()), p.Tell(what)))
	if o.Verdict != conformity.Pass || !detail {
		p.fact(column+1, o.Reason)
	}
	if !detail {
		return
	}
	for i := range o.Checks {
		c := &o.Checks[i]
		p.fact(4, workflow.CheckSaid(c))
		if !c.Settle.IsZero() {
			p.fact(6, fact.New("screen.settle", "what", c.Settle))
		}
	}
	for _, f := range o.Findings {
		p.led("    · ", p.Bound(f))
	}
	for _, f := range o.Warnings {
		p.fact(4, fact.New("screen.note", "what", f))
	}
}
