package plans

import (
	"slices"
	"strings"

	"proveout/plans/document"
)

// CheckPlanAgainstFamily finds what a plan asks of a family that the family
// does not have: a clock, rail, mode or reference set it does not name, a limit
// it does not state, a limit above its maximum rating. The problems stand in
// the plan's file.
func CheckPlanAgainstFamily(p *Plan, f *Family) []Problem {
	x := newCrossCheck(p)
	x.family = f
	x.steps(func() {
		if x.step.Spec != nil {
			x.step.Spec.against(x)
		}
	})
	return x.c.Sorted()
}

// CheckLogMaps finds the steps that name a log map which the shop does not
// have; have are the names of those that it has. Only the steps with the given
// ids are looked at, or all of them when there are none. The problems stand in
// the plan's file.
func CheckLogMaps(p *Plan, have []string, steps ...string) []Problem {
	x := newCrossCheck(p)
	x.steps(func() {
		name := x.step.LogMap()
		if name == "" || slices.Contains(have, name) || len(steps) > 0 && !slices.Contains(steps, x.step.ID) {
			return
		}
		fix := "keep one with: proveout logmap try FILE --save " + name
		if near := document.Nearest(name, have); near != "" {
			fix = `did you mean "` + near + `"?`
		}
		x.problem("log_map", "the shop has no log map "+document.Quoted(name), fix)
	})
	return x.c.Sorted()
}

// A crossCheck holds a plan against something else, step by step.
type crossCheck struct {
	c      *document.Collector
	tables []*document.Value // of the steps
	plan   *Plan
	family *Family
	step   *Step
	table  *document.Table // of the step
}

func newCrossCheck(p *Plan) *crossCheck {
	x := &crossCheck{c: document.NewCollector(p.File, []byte(p.Source)), plan: p}
	if e := x.c.Parse().Get("step"); e != nil {
		x.tables = e.Value.Items
	}
	return x
}

func (x *crossCheck) steps(check func()) {
	for i := range x.plan.Steps {
		x.step, x.table = &x.plan.Steps[i], nil
		if i < len(x.tables) {
			x.table = x.tables[i].Table
		}
		check()
	}
}

// card names the family, and its variant, in messages.
func (x *crossCheck) card() string {
	text := "family " + document.Quoted(x.family.ID)
	if x.family.Variant != "" {
		text += " variant " + document.Quoted(x.family.Variant)
	}
	return text
}

// problem records a problem at the value of a key, or at the step.
func (x *crossCheck) problem(key, what, fix string) { x.problemAt(key, -1, what, fix) }

// problemAt records a problem at an item of a list.
func (x *crossCheck) problemAt(key string, item int, what, fix string) {
	var at document.Span
	if x.table != nil {
		at = x.table.At
		if e := x.table.Get(key); e != nil {
			at = e.Value.At
			if item >= 0 && item < len(e.Value.Items) {
				at = e.Value.Items[item].At
			}
		}
	}
	x.c.Add(at, "step "+document.Quoted(x.step.ID)+": "+what, fix)
}

// names checks that the family has what the plan names, and has any at all.
func (x *crossCheck) names(key, what string, wanted, have []string) {
	if len(wanted) == 0 && len(have) == 0 {
		x.problem("kind", x.card()+" states no "+what, "add [["+what+"]] to the family, or take the step out")
		return
	}
	for i, n := range wanted {
		if !slices.Contains(have, n) {
			fix := "name one that the family has"
			if len(have) > 0 {
				fix = document.DidYouMean(n, have)
			}
			x.problemAt(key, i, x.card()+" has no "+what+" "+document.Quoted(n), fix)
		}
	}
}

// withoutChips says that the step needs to know what a memory is made of.
func (x *crossCheck) withoutChips(memory string) {
	of := "its memory"
	if memory != "" {
		of += " " + document.Quoted(memory)
	}
	what := x.card() + " does not say which chips " + of + " is made of"
	x.problem("kind", what, "add chip, bus and banks to "+of+", or take the step out")
}

// nameOne is what to do about an empty list that may be left to the family.
const nameOne = `name one, or write "from family"`

// namesOrAll says in a summary what a list names that may be left to the family.
func namesOrAll(names []string) string {
	if len(names) == 0 {
		return "all of the family"
	}
	return strings.Join(names, ", ")
}
