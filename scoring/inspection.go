package scoring

import (
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

var _ = judges(plans.InspectionKind, (*judge).inspection)

// inspection judges the workmanship checklist before power: every item must
// have been looked at and found in order.
func (j *judge) inspection(spec *plans.Inspection) {
	for _, item := range spec.Checklist {
		asked := fact.Phrase(item.Ask)
		c := outcome.Check{Name: item.Name, Title: phrase(item.Ask)}
		r, ok := j.attempt.Latest(item.Name)
		if ok {
			c.Text = plans.Answer(wordOf(r))
		}
		switch {
		case !ok:
			c.Reason = fact.New("inspection.not-looked-at", "item", asked)
		case r.Word == plans.Yes:
			c.Verdict, c.Reason = conformity.Pass, fact.New("inspection.in-order", "item", asked)
		case r.Word == plans.NotPresent:
			c.Verdict, c.Reason = conformity.NotApplicable, fact.New("inspection.no-such-part")
		default:
			c.Verdict, c.Reason = conformity.Fail, fact.New("inspection.not-in-order", "item", asked)
			j.suspect(0.9, fact.New("inspection.workmanship", "item", asked), fact.New("inspection.put-right"))
		}
		j.check(c)
	}
	if len(spec.Checklist) > 0 && outcome.Worst(j.out.Checks) == conformity.NotApplicable {
		j.check(outcome.Check{
			Name:    "looked",
			Title:   fact.New("inspection.made"),
			Verdict: conformity.Inconclusive,
			Reason:  fact.New("inspection.nothing-looked-at"),
			Settle:  fact.New("inspection.look"),
		})
	}
	j.circumstance(fact.New("condition.power"), fact.New("inspection.no-power"))
}
