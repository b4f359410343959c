package simulated

import (
	"slices"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// notPassed reports whether a check speaks against the card.
func notPassed(c *outcome.Check) bool {
	return !c.Informative && (c.Verdict == conformity.Fail || c.Verdict == conformity.Inconclusive)
}

// failing is for faults that one of these checks names.
func failing(names ...string) func(*specimen, result) bool {
	return func(_ *specimen, r result) bool {
		for i := range r.outcome.Steps {
			for k := range r.outcome.Steps[i].Checks {
				c := &r.outcome.Steps[i].Checks[k]
				if notPassed(c) && slices.Contains(names, c.Name) {
					return true
				}
			}
		}
		return false
	}
}

// failingStep is for faults that a step of that kind names by failing.
func failingStep(kind plans.Kind) func(*specimen, result) bool {
	return func(_ *specimen, r result) bool {
		return slices.ContainsFunc(r.outcome.Steps, func(s outcome.StepOutcome) bool {
			return s.Kind == string(kind) && (s.Verdict == conformity.Fail || s.Verdict == conformity.Inconclusive)
		})
	}
}

// namesChip is for faults of a chip: the likeliest cause that names a chip must
// name the right one.
func namesChip(s *specimen, r result) bool {
	pool := s.frame()
	var all []string
	for _, bank := range pool.Banks {
		all = append(all, bank...)
	}
	for _, c := range r.outcome.Causes {
		var chips []string
		for _, name := range namesIn(nil, c.Text) {
			if slices.Contains(all, name) {
				chips = append(chips, name)
			}
		}
		if len(chips) > 0 {
			return slices.ContainsFunc(s.memory, func(f memoryFault) bool {
				return f.Chip >= 0 && slices.Contains(chips, pool.Banks[f.Bank][f.Chip])
			})
		}
	}
	return false
}

// namesIn are the names that stand in what is said.
func namesIn(names []string, a fact.Arg) []string {
	switch a := a.(type) {
	case fact.Name:
		names = append(names, string(a))
	case fact.List:
		for _, item := range a.Items {
			names = namesIn(names, item)
		}
	case fact.Fact:
		for _, arg := range a.Args {
			names = namesIn(names, arg)
		}
	}
	return names
}
