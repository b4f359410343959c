package scoring

import (
	"fmt"

	"proveout/plans"
	"proveout/scoring/conformity"
)

var _ = judges(plans.InspectionKind, (*judge).inspection)

// inspection judges the workmanship checklist before power: every item must
// have been looked at and found in order.
func (j *judge) inspection(spec *plans.Inspection) {
	for _, item := range spec.Checklist {
		c := Check{Name: item.Name, Title: english(item.Ask)}
		r, ok := j.attempt.Latest(item.Name)
		switch {
		case !ok:
			c.Reason = english(fmt.Sprintf("%s was not looked at.", quoteTitle(item.Ask)))
		case r.Word == plans.Yes:
			c.Verdict, c.Text = conformity.Pass, english(plans.Yes)
			c.Reason = english("In order: " + endSentence(item.Ask))
		case r.Word == plans.NotPresent:
			c.Verdict, c.Text = conformity.NotApplicable, english(plans.NotPresent)
			c.Reason = english("The card has no such part.")
		default:
			c.Verdict, c.Text = conformity.Fail, english(r.Text)
			c.Reason = english("Not in order: " + endSentence(item.Ask))
			j.cause(0.9, "workmanship: not in order: "+item.Ask, "Put it right under the microscope before the card gets power.")
		}
		j.check(c)
	}
	if len(spec.Checklist) > 0 && worst(j.out.Checks) == conformity.NotApplicable {
		j.check(Check{Name: "looked", Title: english("Inspection made"), Verdict: conformity.Inconclusive,
			Reason: english("Every line was answered \"n/a\", so nothing was looked at."), Settle: english("Look at the card and answer the lines that apply to it.")})
	}
	j.condition("power", "none: the inspection is made before the card gets power")
}

func quoteTitle(s string) string { return "\"" + s + "\"" }
