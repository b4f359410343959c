package scoring

import (
	"fmt"
	"math"

	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// Consistent says what does not hold together in a step that cannot be judged
// again because its files are not at hand: its verdict has to be the worst of
// its checks, and a check that passed by its numbers has to pass by them.
func Consistent(s *outcome.StepOutcome) error {
	if s.Attempts == 0 || s.Reason.Key == "outcome.held" {
		if s.Verdict != conformity.NotRun {
			return fmt.Errorf("the step %s says %q, but nothing was judged in it", s.ID, s.Verdict)
		}
		return nil
	}
	if got := worst(s.Checks); len(s.Checks) > 0 && got != s.Verdict {
		return fmt.Errorf("the step %s says %q, but its checks give %q", s.ID, s.Verdict, got)
	}
	if len(s.Checks) == 0 && s.Verdict != conformity.NotRun {
		return fmt.Errorf("the step %s says %q without a single check", s.ID, s.Verdict)
	}
	for i := range s.Checks {
		c := &s.Checks[i]
		if c.Verdict == conformity.Pass && !c.Informative && !passes(c) {
			return fmt.Errorf("the step %s says that %s passes, but its value is not inside its limits", s.ID, c.Name)
		}
	}
	return nil
}

// passes tells whether the numbers of a check carry its pass. A check without
// numbers does not say.
func passes(c *outcome.Check) bool {
	if c.Value == nil || c.Limits == nil || c.Rule == "" {
		return true
	}
	u := 0.0
	if c.U != nil && c.Rule == string(conformity.Guarded) {
		u = float64(*c.U)
	}
	v := float64(*c.Value)
	// Numbers were brought from base units to the check's unit: the last digits
	// may differ.
	slack := 1e-9 * math.Max(math.Abs(v), 1)
	if c.Limits.Low != nil && v-u < float64(*c.Limits.Low)-slack {
		return false
	}
	return c.Limits.High == nil || v+u <= float64(*c.Limits.High)+slack
}
