package command

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"proveout/plans/document"
	"proveout/report/words"
	"proveout/scoring"
	"proveout/scoring/conformity"
)

// width is how many columns plain output takes: it fits the narrowest terminal
// that is in use.
const width = 78

// printOutcome prints the judgement of a job: a line for each step, and with
// detail every check.
func printOutcome(w io.Writer, say *words.Plain, o *scoring.Outcome, detail bool) {
	head := strings.ToUpper(o.Verdict.String())
	if o.Accepted {
		head = "ACCEPTED"
	}
	fmt.Fprintln(w, head)
	fold(w, "", say.Tell(o.Reason))
	fmt.Fprintln(w)
	for i := range o.Steps {
		printStep(w, say, &o.Steps[i], detail)
	}
	if len(o.Causes) > 0 {
		fmt.Fprintln(w, "\nProbably, likeliest first:")
		for i, c := range o.Causes {
			if i == 6 {
				fmt.Fprintf(w, "  and %d more\n", len(o.Causes)-i)
				break
			}
			fold(w, "  ", fmt.Sprintf("- %s (%.0f %%)", say.Tell(c.Text), 100*c.Confidence))
			fold(w, "    ", say.Tell(c.Look))
		}
	}
	for _, warning := range o.Warnings {
		fold(w, "", "Note: "+say.Tell(warning))
	}
}

func printStep(w io.Writer, say *words.Plain, s *scoring.StepOutcome, detail bool) {
	attempts := ""
	if s.Attempts > 1 {
		attempts = fmt.Sprintf(", attempt %d", s.Attempts)
	}
	if !s.Required {
		attempts += ", not required"
	}
	fmt.Fprintf(w, "%-14s %s%s\n", s.Verdict, s.ID, attempts)
	if s.Verdict != conformity.Pass || !detail {
		fold(w, "               ", say.Tell(s.Reason))
	}
	if !detail {
		return
	}
	for _, c := range s.Checks {
		fold(w, "    ", checkLine(say, c))
		if !c.Settle.IsZero() {
			fold(w, "      ", "To settle it: "+say.Tell(c.Settle))
		}
	}
	for _, f := range s.Findings {
		fold(w, "    ", "· "+say.Tell(f))
	}
	for _, d := range s.Warnings {
		fold(w, "    ", "Note: "+say.Tell(d))
	}
}

func checkLine(say *words.Plain, c scoring.Check) string {
	line := fmt.Sprintf("%s: %s", c.Verdict, say.Tell(c.Reason))
	if c.Informative {
		line = "shown: " + say.Tell(c.Reason)
	}
	if c.Probability != nil && c.U != nil {
		line += fmt.Sprintf(" Probability of conformance %s.", probability(float64(*c.Probability)))
	}
	return line
}

// probability does not claim certainty that rounding alone would show.
func probability(p float64) string {
	switch {
	case p > 0.9995:
		return "above 99.9 %"
	case p < 0.0005:
		return "below 0.1 %"
	}
	return fmt.Sprintf("%.1f %%", 100*p)
}

// fold writes text with an indent, broken between words.
func fold(w io.Writer, indent, text string) {
	room := width - utf8.RuneCountInString(indent)
	for _, line := range document.Wrap(text, room, room) {
		fmt.Fprintln(w, indent+line)
	}
}
