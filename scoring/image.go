package scoring

import (
	"fmt"

	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
)

// image judges what was seen in each display mode.
func (j *judge) image() {
	for _, mode := range plans.StepModes(j.step, j.in.Family) {
		c := Check{Name: mode, Title: "Picture at " + mode, Limits: &Limits{Text: plans.PictureClean}}
		r, ok := j.attempt.Latest(mode)
		switch {
		case !ok:
			c.Reason = "The picture at " + mode + " was not looked at."
		case sameWords(wordOf(r), plans.PictureClean):
			c.Verdict, c.Text, c.Reason = conformity.Pass, plans.PictureClean, "Clean at "+mode+"."
		default:
			c.Verdict, c.Text = conformity.Fail, wordOf(r)
			c.Reason = fmt.Sprintf("At %s was seen: %s", mode, endSentence(c.Text))
			j.cause(0.5, "picture at "+mode+": "+c.Text, "Memory chips and their data lines first; a fault in one colour only points at the converter or the connector.")
		}
		j.check(c)
	}
	if j.in.Family.MaxDepth > 0 {
		if readings := j.attempt.All("depth"); len(readings) > 0 {
			j.check(j.depth(readings[len(readings)-1].Value))
		}
	}
	for _, capture := range j.attempt.Captures {
		j.condition("capture", fmt.Sprintf("%s (SHA-256 %s)", capture.Name, short(capture.SHA256)))
	}
}

func (j *judge) depth(bits float64) Check {
	want := float64(j.in.Family.MaxDepth)
	c := Check{Name: "depth", Title: "Highest colour depth", Unit: "bit", Value: number(bits), Text: trimmed(bits) + " bit",
		Limits: limitsIn(measurand{unit: "bit", dimension: quantity.Bits, limits: conformity.AtLeast(want)})}
	if bits >= want {
		c.Verdict, c.Reason = conformity.Pass, fmt.Sprintf("Colour depth up to %s.", c.Text)
		return c
	}
	c.Verdict, c.Reason = conformity.Fail, fmt.Sprintf("Colour depth only up to %s, expected %s bit.", c.Text, trimmed(want))
	return c
}

func short(hash string) string {
	if len(hash) > 12 {
		return hash[:12] + "…"
	}
	return hash
}
