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
		c := Check{Name: item.Name, Title: item.Ask}
		r, ok := j.attempt.Latest(item.Name)
		switch {
		case !ok:
			c.Reason = fmt.Sprintf("%s was not looked at.", quoteTitle(item.Ask))
		case r.Word == plans.Yes:
			c.Verdict, c.Text = conformity.Pass, plans.Yes
			c.Reason = "In order: " + endSentence(item.Ask)
		case r.Word == plans.NotPresent:
			c.Verdict, c.Text = conformity.NotApplicable, plans.NotPresent
			c.Reason = "The card has no such part."
		default:
			c.Verdict, c.Text = conformity.Fail, r.Text
			c.Reason = "Not in order: " + endSentence(item.Ask)
			j.cause(0.9, "workmanship: not in order: "+item.Ask, "Put it right under the microscope before the card gets power.")
		}
		j.check(c)
	}
	if len(spec.Checklist) > 0 && worst(j.out.Checks) == conformity.NotApplicable {
		j.check(Check{Name: "looked", Title: "Inspection made", Verdict: conformity.Inconclusive,
			Reason: "Every line was answered \"n/a\", so nothing was looked at.", Settle: "Look at the card and answer the lines that apply to it."})
	}
	j.condition("power", "none: the inspection is made before the card gets power")
}

func quoteTitle(s string) string { return "\"" + s + "\"" }
